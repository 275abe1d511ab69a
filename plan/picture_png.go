package plan

import (
	"image"
	"image/color"
	"image/png"
	"io"

	"kerfgate/plan/geom"
	"kerfgate/plan/paint"
)

// longestPicturePx bounds a PNG picture's longer side.
const longestPicturePx = 1600

var (
	inkColour    = color.RGBA{0x1c, 0x1b, 0x19, 255}
	groundColour = color.RGBA{0xff, 0xfd, 0xf6, 255}
	stockColour  = color.RGBA{0xef, 0xe5, 0xcf, 255}
)

// pngThin is how wide a line is, in thousandths of Picture's: pixels are not enlarged when a person looks
// closer, so that the whole is drawn finer.
const pngThin = 400

// PicturePNG is Picture as pixels, for where no SVG can be shown: at most 1600 on the longer side,
// with the same lines but thinner.
func PicturePNG(w io.Writer, p *Plan) error {
	sheet := geom.Box{Max: p.SheetSize}
	c := newCanvas(sheet.Union(p.Extents))
	b, parts := newBoard(c), c.parts(p, sheet)
	b.fill(sheet, stockColour)
	for i, l := range parts.Lines {
		if i == 1 { // the sheet's edge lies under what is hatched
			b.dropouts(parts.Waste)
		}
		b.lines(l)
	}
	b.hotSpots(parts.Hot)
	b.lines(PictureLines{WidthUM: 2 * parts.DotUM * 1000 / pngThin, Lines: []PictureLine{{Points: []geom.Point{{}}}}})
	return png.Encode(w, b.img)
}

func corners(b geom.Box) []geom.Point {
	return []geom.Point{b.Min, geom.Pt(b.Max.X, b.Min.Y), b.Max, geom.Pt(b.Min.X, b.Max.Y)}
}

// board is a canvas made of pixels.
type board struct {
	*canvas
	img   *image.RGBA
	scale float64 // pixels for a µm
}

func newBoard(c *canvas) *board {
	w, h := max(1, c.frame.Width()), max(1, c.frame.Height())
	b := &board{canvas: c, scale: longestPicturePx / float64(max(w, h))}
	b.img = image.NewRGBA(image.Rect(0, 0, max(1, int(float64(w)*b.scale)), max(1, int(float64(h)*b.scale))))
	b.fill(c.frame, groundColour)
	return b
}

func (b *board) mask() *paint.Mask {
	size := b.img.Bounds().Size()
	return paint.NewMask(size.X, size.Y)
}

func (b *board) at(points []geom.Point) []paint.Vec {
	out := make([]paint.Vec, len(points))
	for i, p := range points {
		out[i] = paint.Vec{X: float64(p.X-b.frame.Min.X) * b.scale, Y: float64(b.frame.Max.Y-p.Y) * b.scale}
	}
	return out
}

func (b *board) fill(box geom.Box, c color.RGBA) {
	m := b.mask()
	m.Area([][]paint.Vec{b.at(corners(box))}, nil)
	m.On(b.img, c)
}

// lines draws lines that look alike.
func (b *board) lines(l PictureLines) {
	m := b.mask()
	for _, line := range l.Lines {
		points := b.at(line.Points)
		if line.Closed {
			points = append(points, points[0])
		}
		wide := max(1, float64(l.WidthUM*pngThin/1000)*b.scale)
		if l.OffUM > 0 {
			m.Dashes(points, wide, float64(l.OnUM)*b.scale, float64(l.OffUM)*b.scale)
		} else {
			m.Line(points, wide)
		}
	}
	m.On(b.img, inkColour)
}

// dropouts hatches what falls out as waste.
func (b *board) dropouts(waste [][]geom.Point) {
	var outlines [][]paint.Vec
	for _, o := range waste {
		outlines = append(outlines, b.at(o))
	}
	m := b.mask()
	every := max(4, int(float64(b.unit)*1.8*b.scale*1.41))
	m.Area(outlines, func(x, y int) bool { return (x+y)%every < max(1, every/4) })
	m.On(b.img, inkColour)
}

// hotSpots shades the places where too much energy meets.
func (b *board) hotSpots(spots []PictureSpot) {
	m := b.mask()
	for _, h := range spots {
		x, y := float64(h.Place.X-b.frame.Min.X)*b.scale, float64(b.frame.Max.Y-h.Place.Y)*b.scale
		r := float64(h.RadiusUM) * b.scale
		m.Area([][]paint.Vec{{{X: x - r, Y: y}, {X: x, Y: y - r}, {X: x + r, Y: y}, {X: x, Y: y + r}}},
			func(x, y int) bool { return (x+y)%4 == 0 || (x-y)%4 == 0 })
	}
	m.On(b.img, inkColour)
}
