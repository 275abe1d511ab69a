package raster

import (
	"encoding/binary"
	"errors"
)

// pngHeader reads IHDR, pHYs and eXIf (PNG specification, third edition, 11.2.1, 11.3.4.3, 11.3.4.6).
func pngHeader(data []byte) (header, error) {
	const headBytes, crcBytes = 8, 4
	var h header
	pixels := false
	for rest := data[len(pngSignature):]; len(rest) >= headBytes; {
		length := int64(binary.BigEndian.Uint32(rest))
		kind := string(rest[4:headBytes])
		rest = rest[headBytes:]
		if length+crcBytes > int64(len(rest)) {
			break
		}
		chunk := rest[:length]
		rest = rest[length+crcBytes:]
		if h.width == 0 && kind != "IHDR" {
			break
		}
		switch {
		case kind == "IHDR":
			if len(chunk) != 13 || h.width != 0 {
				return header{}, errors.New("its header is malformed")
			}
			h.size(chunk)
		case kind == "IDAT":
			pixels = true
		case kind == "pHYs" && !pixels && len(chunk) == 9:
			x, y := binary.BigEndian.Uint32(chunk), binary.BigEndian.Uint32(chunk[4:])
			if x == 0 || y == 0 {
				continue
			}
			h.density = density{x: float64(x) / 1000, y: float64(y) / 1000, relative: chunk[8] != 1} // unit 1 is the metre
		case kind == "eXIf":
			h.orientation, _ = exif(chunk)
		}
	}
	if h.width == 0 {
		return header{}, errors.New("its header is missing")
	}
	return h, nil
}

// size reads IHDR and reckons what the decoder needs: it keeps a byte a pixel of a palette, four of
// 8-bit and eight of 16-bit colours, and beside an interlaced picture its passes.
func (h *header) size(ihdr []byte) {
	width, height := binary.BigEndian.Uint32(ihdr), binary.BigEndian.Uint32(ihdr[4:])
	const most = 1<<31 - 1
	h.width, h.height = int(min(width, most)), int(min(height, most))
	depth, colour, interlace := ihdr[8], ihdr[9], ihdr[12]
	each := int64(4)
	switch {
	case colour == 3:
		each = 1
	case depth == 16:
		each = 8
	}
	if interlace != 0 {
		each *= 2
	}
	pixels := int64(h.width) * int64(h.height) // below 2⁶²
	h.memory = min(pixels, mostMemory+1) * each
}
