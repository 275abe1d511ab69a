// Package raster reads PNG and JPEG pictures as grey pixels, and as drawings of their own.
//
// It is a reader for hostile bytes: the header is read first and held to the limits (bytes, pixels,
// the memory and the scans that decoding would take), and only then are pixels decoded.
//
// A JPEG's grey is what the standard library's decoder computes, whose last bits may change with the
// toolchain: TestJPEGBytes tells, and such a change needs a new version of the planner.
package raster

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"image/png"
	"math"

	"kerfgate/plan/drawing"
)

// mostMemory bounds the bytes that a decoder may need for pixels and coefficients.
const mostMemory = 256 << 20

// Choices are what a person says about a picture that is a drawing by itself.
type Choices struct {
	WidthMM float64 // how wide it comes out; 0 = as its own resolution says
}

var (
	pngSignature  = []byte("\x89PNG\r\n\x1a\n")
	jpegSignature = []byte{0xff, 0xd8, 0xff}
)

// Is says whether the bytes begin as a PNG or JPEG file does.
func Is(data []byte) bool {
	return bytes.HasPrefix(data, pngSignature) || bytes.HasPrefix(data, jpegSignature)
}

// Grey decodes a PNG or JPEG file row by row from its upper left corner as it is meant to be looked
// at (Exif orientation), 0 black to 255 white; what is transparent lies over white. Colours count by
// the luma weights of ITU-R BT.601, and neither gamma nor colour profiles are undone: a JPEG's own
// brightness is defined by these weights (JFIF, ITU-T T.871), so it is taken as it stands, and a PNG
// of the same picture comes out the same. Errors are *drawing.Refusal.
func Grey(data []byte, limits drawing.Limits) (width, height int, grey []uint8, err error) {
	h, grey, err := decode(data, limits)
	return h.width, h.height, grey, err
}

// Read makes a drawing of one picture. Its size comes from the choice or else from the file: PNG
// pHYs, JFIF density, Exif resolution. Where none says it, the Refusal asks for the width.
func Read(data []byte, choices Choices, limits drawing.Limits) (*drawing.Drawing, error) {
	h, grey, err := decode(data, limits)
	if err != nil {
		return nil, err
	}
	pixelMM, err := h.pixelSize(choices)
	if err != nil {
		return nil, err
	}
	return &drawing.Drawing{
		WidthMM: float64(h.width) * pixelMM.X, HeightMM: float64(h.height) * pixelMM.Y,
		Pictures: []drawing.Picture{{
			Place: fmt.Sprintf("picture of %d × %d pixels", h.width, h.height),
			Width: h.width, Height: h.height, Grey: grey,
			Right: drawing.Vec{X: pixelMM.X}, Down: drawing.Vec{Y: pixelMM.Y},
		}},
	}, nil
}

// header is what a file says before its pixels.
type header struct {
	width, height int
	density       density
	orientation   int // as in Exif, 1 to 8; 0 = not said
	memory        int64
}

// density is how many pixels lie in a millimetre; relative says that only the ratio of the two
// counts. Zero where the file says nothing.
type density struct {
	x, y     float64
	relative bool
}

// decode gives the header and the pixels, both as the picture is looked at.
func decode(data []byte, limits drawing.Limits) (header, []uint8, error) {
	limits = limits.WithDefaults()
	if len(data) > limits.Bytes {
		return header{}, nil, &drawing.Refusal{What: "the picture's file is too large", Next: "save it with fewer pixels",
			Limit: fmt.Sprintf("%d bytes", limits.Bytes), Value: fmt.Sprintf("%d bytes", len(data))}
	}
	read, pixels := pngHeader, png.Decode
	if bytes.HasPrefix(data, jpegSignature) {
		read, pixels = jpegHeader, jpeg.Decode
	} else if !bytes.HasPrefix(data, pngSignature) {
		return header{}, nil, &drawing.Refusal{What: "the picture is neither PNG nor JPEG", Next: "save it as PNG and hand that file in"}
	}
	h, err := read(data)
	if err != nil {
		return header{}, nil, broken(err)
	}
	if err := h.check(limits); err != nil {
		return header{}, nil, err
	}
	img, err := pixels(bytes.NewReader(data))
	if err != nil {
		return header{}, nil, broken(err)
	}
	if img.Bounds() != image.Rect(0, 0, h.width, h.height) {
		return header{}, nil, broken(fmt.Errorf("its header says %d × %d pixels, its data %v", h.width, h.height, img.Bounds().Size()))
	}
	wide, ok := img.(image.RGBA64Image) // as every picture of the standard library is
	if !ok {
		return header{}, nil, broken(fmt.Errorf("its colours are stored in an unknown way (%T)", img))
	}
	upright, grey := h.upright(greyOf(wide))
	return upright, grey, nil
}

func broken(err error) error {
	var refusal *drawing.Refusal
	if errors.As(err, &refusal) {
		return refusal
	}
	return &drawing.Refusal{What: fmt.Sprintf("the picture cannot be decoded: %.160v", err), Next: "save it anew as PNG and hand that file in"}
}

// check holds the header to the limits.
func (h header) check(limits drawing.Limits) error {
	if h.width <= 0 || h.height <= 0 {
		return broken(fmt.Errorf("it has %d × %d pixels", h.width, h.height))
	}
	if h.width > limits.Pixels/h.height {
		return &drawing.Refusal{What: "the picture has too many pixels", Next: "scale it down and hand it in again",
			Limit: fmt.Sprintf("%d pixels", limits.Pixels), Value: fmt.Sprintf("%d × %d", h.width, h.height)}
	}
	if h.memory > mostMemory {
		return &drawing.Refusal{What: "decoding the picture would take too much memory",
			Next:  "scale it down, or save it with 8 bits a channel, neither interlaced nor progressive",
			Limit: fmt.Sprintf("%d bytes", mostMemory), Value: fmt.Sprintf("%d bytes", h.memory)}
	}
	return nil
}

// pixelSize is the width and height of a pixel in mm.
func (h header) pixelSize(choices Choices) (drawing.Vec, error) {
	size := drawing.Vec{}
	d := h.density
	switch w := choices.WidthMM; {
	case math.IsNaN(w) || w < 0 || w > drawing.MaxExtentMM:
		return size, &drawing.Refusal{What: "the picture's width is out of range", Next: "enter the width it should have", Asks: "width",
			Limit: fmt.Sprintf("more than 0, at most %d mm", drawing.MaxExtentMM), Value: fmt.Sprintf("%g mm", w)}
	case w > 0:
		size.X = w / float64(h.width)
		size.Y = size.X
		if d.x > 0 {
			size.Y = size.X * d.x / d.y
		}
	case d.x == 0 || d.relative:
		return size, &drawing.Refusal{What: "the picture does not say how large it is", Next: "enter the width it should have", Asks: "width"}
	default:
		size = drawing.Vec{X: 1 / d.x, Y: 1 / d.y}
	}
	wide, high := float64(h.width)*size.X, float64(h.height)*size.Y
	if !(max(wide, high) <= drawing.MaxExtentMM) {
		return size, &drawing.Refusal{What: "the picture is too large", Next: "enter the width it should have", Asks: "width",
			Limit: fmt.Sprintf("%d mm", drawing.MaxExtentMM), Value: fmt.Sprintf("%.0f × %.0f mm", wide, high)}
	}
	return size, nil
}
