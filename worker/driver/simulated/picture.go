package simulated

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"math"

	"kerfgate/plan/geom"
)

const (
	mostPixels = 1600 // along either side of the picture
	shades     = 16   // a palette of 16 makes four bits a pixel
	// darkMJ is the dose of a cell, in millijoules, that takes the paper most of the way to black: about
	// 1 J/mm² over a cell.
	darkMJ = 60
	// darkInkUM is the length of pen line in a cell that makes it dark.
	darkInkUM = 120
)

// palette runs from warm paper to char in equal steps; it never changes, so two pictures compare.
func palette() color.Palette {
	paper, char := [3]float64{247, 241, 229}, [3]float64{38, 33, 30}
	p := make(color.Palette, shades)
	for i := range p {
		f := float64(i) / (shades - 1)
		c := func(k int) uint8 { return uint8(math.Round(paper[k]*(1-f) + char[k]*f)) }
		p[i] = color.RGBA{R: c(0), G: c(1), B: c(2), A: 255}
	}
	return p
}

// draw makes the picture: a pixel a cell (4 to the millimetre), or a whole number of cells where the
// crop is too large for that; away from the operator is up. A pixel is as dark as its darkest cell,
// so that a thin line stays a line.
func (s *sheet) draw(crop geom.Box) ([]byte, error) {
	if crop == (geom.Box{}) || !crop.Inside(s.box) {
		crop = s.box
	}
	low := crop.Min.Sub(s.box.Min)
	x0, y0 := low.X/cellUM, low.Y/cellUM
	cols, rows := crop.Width()/cellUM+1, crop.Height()/cellUM+1
	each := (max(cols, rows) + mostPixels - 1) / mostPixels
	w, h := (cols+each-1)/each, (rows+each-1)/each
	img := image.NewPaletted(image.Rect(0, 0, int(w), int(h)), palette())
	dark := float64(darkMJ)
	if s.ink {
		dark = darkInkUM
	}
	for key, t := range s.tiles {
		for i, v := range t {
			if v <= 0 {
				continue
			}
			x := key[0]*tileSide + int64(i%tileSide) - x0
			y := key[1]*tileSide + int64(i/tileSide) - y0
			if x < 0 || y < 0 || x >= cols || y >= rows {
				continue
			}
			shade := uint8(1 + math.Round((shades-2)*(1-math.Exp(-2*float64(v)/dark))))
			at := img.PixOffset(int(x/each), int(h-1-y/each))
			img.Pix[at] = max(img.Pix[at], shade)
		}
	}
	var out bytes.Buffer
	encoder := png.Encoder{CompressionLevel: png.BestCompression}
	if err := encoder.Encode(&out, img); err != nil {
		return nil, fmt.Errorf("picture of the sheet: %w", err)
	}
	return out.Bytes(), nil
}
