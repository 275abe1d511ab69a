package raster

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"

	"kerfgate/plan/drawing"
)

// mostScans bounds how often a JPEG may go over its picture: each scan takes time for every block
// but may take next to no bytes. Usual progressive files have about ten.
const mostScans = 100

// jpegHeader reads the segments before the first scan (ITU-T T.81, annex B): the frame, JFIF's
// density (ITU-T T.871, 10.1) and Exif. Like the decoder it passes over bytes between segments.
func jpegHeader(data []byte) (header, error) {
	// Within coded data the byte 0xff is always followed by 0, so this counts no scan too few.
	if scans := bytes.Count(data, []byte{0xff, 0xda}); scans > mostScans {
		return header{}, &drawing.Refusal{What: "the picture is stored in too many scans", Next: "save it anew, not progressive",
			Limit: fmt.Sprint(mostScans), Value: fmt.Sprint(scans)}
	}
	var h header
	var fromExif density
	for at := 2; at+1 < len(data); {
		if data[at] != 0xff || data[at+1] == 0xff || data[at+1] == 0 || data[at+1] >= 0xd0 && data[at+1] <= 0xd7 {
			at++
			continue
		}
		marker := data[at+1]
		at += 2
		if marker == 0xd9 || marker == 0xda || at+2 > len(data) { // end of image, start of scan
			break
		}
		length := int(binary.BigEndian.Uint16(data[at:]))
		if length < 2 || at+length > len(data) {
			break
		}
		segment := data[at+2 : at+length]
		at += length
		switch {
		case marker >= 0xc0 && marker <= 0xc2:
			if h.width != 0 {
				return header{}, errors.New("it has two frames")
			}
			if err := h.frame(segment, marker == 0xc2); err != nil {
				return header{}, err
			}
		case marker == 0xe0 && len(segment) >= 12 && string(segment[:5]) == "JFIF\x00" && h.density.x == 0:
			h.density = jfif(segment)
		case marker == 0xe1 && len(segment) > 6 && string(segment[:6]) == "Exif\x00\x00" && h.orientation == 0:
			h.orientation, fromExif = exif(segment[6:])
		}
	}
	if h.width == 0 {
		return header{}, errors.New("it has no frame that is read (baseline, extended or progressive)")
	}
	if h.density.x == 0 || h.density.relative && fromExif.x != 0 {
		h.density = fromExif
	}
	return h, nil
}

func jfif(segment []byte) density {
	x, y := float64(binary.BigEndian.Uint16(segment[8:])), float64(binary.BigEndian.Uint16(segment[10:]))
	if x == 0 || y == 0 {
		return density{}
	}
	switch segment[7] {
	case 1: // dots an inch
		return density{x: x / 25.4, y: y / 25.4}
	case 2: // dots a centimetre
		return density{x: x / 10, y: y / 10}
	}
	return density{x: x, y: y, relative: true}
}

// frame reads the frame header (T.81, B.2.2) and reckons what the decoder needs: a byte a sample,
// and with a progressive frame four more of its coefficient; whole units of 8 × 8 samples times the
// sampling factors. Colours that are converted take four bytes a pixel more.
func (h *header) frame(segment []byte, progressive bool) error {
	if len(segment) < 6 || len(segment) < 6+3*int(segment[5]) {
		return errors.New("its frame is cut off")
	}
	h.height, h.width = int(binary.BigEndian.Uint16(segment[1:])), int(binary.BigEndian.Uint16(segment[3:]))
	if h.width == 0 || h.height == 0 {
		return fmt.Errorf("it has %d × %d pixels", h.width, h.height)
	}
	var across, down, blocks int64
	for i := range int(segment[5]) {
		factors := segment[6+3*i+1]
		x, y := int64(factors>>4), int64(factors&15)
		across, down, blocks = max(across, x), max(down, y), blocks+x*y
	}
	if across == 0 || down == 0 {
		return errors.New("its frame has no components")
	}
	units := (int64(h.width) + 8*across - 1) / (8 * across) * ((int64(h.height) + 8*down - 1) / (8 * down))
	each := int64(1)
	if progressive {
		each = 5
	}
	h.memory = units * blocks * 64 * each
	if segment[5] != 1 {
		h.memory += 4 * int64(h.width) * int64(h.height)
	}
	return nil
}
