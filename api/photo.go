package api

import (
	"bytes"
	"encoding/binary"
	"image"
	"image/color"
	"image/jpeg"
	_ "image/png" // a picture of a screen
	"io"

	"golang.org/x/image/draw"
)

// Bounds of a photo.
const (
	photoBody     = 16 * mib
	photoUnpacked = 192 * mib // in memory; a bomb is refused before it is unpacked. A camera's picture may have 60 million pixels
	photoSide     = 1600      // of what is kept
)

// ownPhoto reads a JPEG or PNG and writes it anew: turned upright, at most 1600 pixels on its longer
// side, and without anything that a camera put beside the picture, such as the place where it was taken.
func ownPhoto(body io.Reader) ([]byte, error) {
	data, err := readBounded(body, photoBody)
	if err != nil {
		return nil, readProblem(err)
	}
	unreadable := invalid("photo", "that is no JPEG or PNG picture, or it is too large", "take it anew with the camera of the tablet or phone")
	config, kind, err := image.DecodeConfig(bytes.NewReader(data))
	if err != nil || kind != "jpeg" && kind != "png" || config.Width < 1 || config.Height < 1 || config.Width > photoUnpacked/bytesPerPixel(kind, config, data)/config.Height {
		return nil, unreadable
	}
	picture, _, err := image.Decode(bytes.NewReader(data))
	if err != nil {
		return nil, unreadable
	}
	turn := 1
	if kind == "jpeg" {
		turn = orientation(data)
	}
	var out bytes.Buffer
	err = jpeg.Encode(&out, upright(shrunk(picture), turn), &jpeg.Options{Quality: 85})
	return out.Bytes(), err
}

// bytesPerPixel is what a pixel takes while it is unpacked. A progressive JPEG, which no camera writes, keeps the
// coefficients of the whole picture besides, four bytes for each sample.
func bytesPerPixel(kind string, config image.Config, data []byte) int {
	if kind == "jpeg" {
		n := 3
		if config.ColorModel == color.CMYKModel {
			n = 4
		}
		if progressive(data) {
			n *= 5
		}
		return n
	}
	switch config.ColorModel {
	case color.RGBA64Model, color.NRGBA64Model, color.Gray16Model:
		return 8
	}
	return 4
}

// progressive says whether a JPEG's frame begins with another marker than baseline's (ITU-T T.81, B.1.1.3).
func progressive(data []byte) bool {
	const baseline, extended, startOfScan = 0xc0, 0xc1, 0xda
	for at := 2; at+4 <= len(data) && data[at] == 0xff && data[at+1] != startOfScan; {
		if m := data[at+1]; m == baseline || m == extended {
			return false
		}
		at += 2 + max(2, int(binary.BigEndian.Uint16(data[at+2:])))
	}
	return true // or filled up in a way that is not worth following: as if it were
}

func shrunk(p image.Image) *image.RGBA {
	w, h := p.Bounds().Dx(), p.Bounds().Dy()
	if longer := max(w, h); longer > photoSide {
		w, h = max(1, w*photoSide/longer), max(1, h*photoSide/longer)
	}
	to := image.NewRGBA(image.Rect(0, 0, w, h))
	draw.Draw(to, to.Bounds(), image.NewUniform(color.White), image.Point{}, draw.Src) // behind what is transparent
	draw.CatmullRom.Scale(to, to.Bounds(), p, p.Bounds(), draw.Over, nil)
	return to
}

// upright turns and mirrors a picture by its orientation, 1 to 8 (TIFF 6.0, tag 274).
func upright(p *image.RGBA, turn int) image.Image {
	if turn < 2 || turn > 8 {
		return p
	}
	w, h := p.Bounds().Dx(), p.Bounds().Dy()
	tw, th := w, h
	if turn >= 5 {
		tw, th = h, w
	}
	to := image.NewRGBA(image.Rect(0, 0, tw, th))
	for y := range h {
		for x := range w {
			tx, ty := x, y
			switch turn {
			case 2:
				tx = w - 1 - x
			case 3:
				tx, ty = w-1-x, h-1-y
			case 4:
				ty = h - 1 - y
			case 5:
				tx, ty = y, x
			case 6:
				tx, ty = h-1-y, x
			case 7:
				tx, ty = h-1-y, w-1-x
			case 8:
				tx, ty = y, w-1-x
			}
			to.SetRGBA(tx, ty, p.RGBAAt(x, y))
		}
	}
	return to
}

// orientation finds how a camera was held, in the Exif block of a JPEG (JEITA CP-3451); 1 where nothing
// is said.
func orientation(data []byte) int {
	const (
		app1, startOfScan = 0xe1, 0xda
		tag               = 274
	)
	for at := 2; at+4 <= len(data) && data[at] == 0xff && data[at+1] != startOfScan; {
		length := int(binary.BigEndian.Uint16(data[at+2:]))
		segment := data[at+4 : min(len(data), at+2+max(2, length))]
		if data[at+1] == app1 && len(segment) > 14 && bytes.HasPrefix(segment, []byte("Exif\x00\x00")) {
			tiff := segment[6:]
			var order binary.ByteOrder = binary.BigEndian
			if tiff[0] == 'I' {
				order = binary.LittleEndian
			}
			first := uint64(order.Uint32(tiff[4:]))
			if first+2 > uint64(len(tiff)) {
				return 1
			}
			entries := tiff[first+2:]
			for range order.Uint16(tiff[first:]) {
				if len(entries) < 12 {
					return 1
				}
				if order.Uint16(entries) == tag {
					return int(order.Uint16(entries[8:]))
				}
				entries = entries[12:]
			}
			return 1
		}
		at += 2 + max(2, length)
	}
	return 1
}
