package raster

import "encoding/binary"

// Tags of the first directory that are read (Exif 2.3, CIPA DC-008, 4.6.4).
const (
	tagOrientation    = 0x0112
	tagXResolution    = 0x011a
	tagYResolution    = 0x011b
	tagResolutionUnit = 0x0128
)

// exif reads orientation and resolution from an Exif block, which is laid out as TIFF 6.0. What is
// malformed counts as not said: a picture needs none of it. 72 by 72 an inch is what the standard
// designates where the resolution is unknown, so it says nothing.
func exif(block []byte) (orientation int, found density) {
	const entryBytes = 12
	if len(block) < 8 {
		return 0, density{}
	}
	var order binary.ByteOrder
	switch string(block[:4]) {
	case "II*\x00":
		order = binary.LittleEndian
	case "MM\x00*":
		order = binary.BigEndian
	default:
		return 0, density{}
	}
	at := int64(order.Uint32(block[4:]))
	if at+2 > int64(len(block)) {
		return 0, density{}
	}
	count := int(order.Uint16(block[at:]))
	entries := block[at+2:]
	unit := 2 // inch, unless it is said
	for i := 0; i < count && (i+1)*entryBytes <= len(entries); i++ {
		entry := entries[i*entryBytes : (i+1)*entryBytes]
		kind := order.Uint16(entry[2:])
		const short, rational = 3, 5
		switch tag := order.Uint16(entry); {
		case tag == tagOrientation && kind == short:
			orientation = int(order.Uint16(entry[8:]))
		case tag == tagResolutionUnit && kind == short:
			unit = int(order.Uint16(entry[8:]))
		case tag == tagXResolution && kind == rational:
			found.x = fraction(block, int64(order.Uint32(entry[8:])), order)
		case tag == tagYResolution && kind == rational:
			found.y = fraction(block, int64(order.Uint32(entry[8:])), order)
		}
	}
	if orientation < 1 || orientation > 8 {
		orientation = 0
	}
	switch {
	case found.x <= 0 || found.y <= 0 || unit == 2 && found.x == 72 && found.y == 72:
		return orientation, density{}
	case unit == 2:
		return orientation, density{x: found.x / 25.4, y: found.y / 25.4}
	case unit == 3: // centimetre
		return orientation, density{x: found.x / 10, y: found.y / 10}
	}
	found.relative = true
	return orientation, found
}

func fraction(block []byte, at int64, order binary.ByteOrder) float64 {
	if at+8 > int64(len(block)) {
		return 0
	}
	n, d := order.Uint32(block[at:]), order.Uint32(block[at+4:])
	if d == 0 {
		return 0
	}
	return float64(n) / float64(d)
}
