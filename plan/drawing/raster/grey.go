package raster

import "image"

// greyOf gives the grey of every pixel, row by row; img begins at (0, 0).
func greyOf(img image.RGBA64Image) []uint8 {
	w, h := img.Bounds().Dx(), img.Bounds().Dy()
	grey := make([]uint8, 0, w*h)
	if c, ok := img.(*image.YCbCr); ok {
		for y := range h {
			grey = append(grey, c.Y[y*c.YStride:y*c.YStride+w]...)
		}
		return grey
	}
	for y := range h {
		for x := range w {
			c := img.RGBA64At(x, y)
			grey = append(grey, luma(uint32(c.R), uint32(c.G), uint32(c.B), uint32(c.A)))
		}
	}
	return grey
}

// luma weighs 16-bit colours, already multiplied by their opacity a, by ITU-R BT.601 and lays them
// over white.
func luma(r, g, b, a uint32) uint8 {
	y := (299*r + 587*g + 114*b + 500) / 1000
	return uint8((y + 0xffff - a + 128) / 257)
}

// upright turns header and pixels so that the picture is as it is looked at. Exif says where the
// stored row 0 and column 0 lie: 1 top, left; 2 top, right; 3 bottom, right; 4 bottom, left; 5 left,
// top; 6 right, top; 7 right, bottom; 8 left, bottom.
func (h header) upright(stored []uint8) (header, []uint8) {
	if h.orientation <= 1 || h.orientation > 8 {
		return h, stored
	}
	turned := h
	if h.orientation >= 5 {
		turned.width, turned.height = h.height, h.width
		turned.density.x, turned.density.y = h.density.y, h.density.x
	}
	grey := make([]uint8, 0, len(stored))
	lastX, lastY := h.width-1, h.height-1
	for y := range turned.height {
		for x := range turned.width {
			var column, row int
			switch h.orientation {
			case 2:
				column, row = lastX-x, y
			case 3:
				column, row = lastX-x, lastY-y
			case 4:
				column, row = x, lastY-y
			case 5:
				column, row = y, x
			case 6:
				column, row = y, lastY-x
			case 7:
				column, row = lastX-y, lastY-x
			case 8:
				column, row = lastX-y, x
			}
			grey = append(grey, stored[row*h.width+column])
		}
	}
	return turned, grey
}
