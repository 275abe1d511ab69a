package paper

import (
	"math"

	"kerfgate/plan"
	"kerfgate/plan/geom"
)

// drawing draws a plan's picture as lines and areas, as wide as the page and at most so many mm high.
func (s *sheet) drawing(p *plan.Plan, most float64) {
	parts := plan.PartsOf(p)
	wide, high := float64(parts.Frame.Width()), float64(parts.Frame.Height())
	scale := min(width/wide, most/high) // mm for a µm
	s.room(high*scale + 6)
	d := drawn{sheet: s, parts: parts, scale: scale, x: margin, y: s.GetY()}
	s.SetFillColor(0xf6, 0xf1, 0xe4)
	d.path(corners(parts.Sheet), true)
	s.DrawPath("F")
	s.SetDrawColor(0, 0, 0)
	s.SetLineJoinStyle("round")
	for i, l := range parts.Lines {
		if i == 1 { // the sheet's edge lies under what is hatched
			d.hatch()
		}
		d.lines(l)
	}
	for _, spot := range parts.Hot {
		x, y := d.at(spot.Place)
		r := float64(spot.RadiusUM) * scale
		s.SetLineWidth(0.15)
		s.Circle(x, y, r, "D")
		s.Line(x-r, y-r, x+r, y+r)
		s.Line(x-r, y+r, x+r, y-r)
	}
	s.SetFillColor(0, 0, 0)
	x, y := d.at(geom.Point{})
	s.Circle(x, y, float64(parts.DotUM)*scale, "F")
	s.SetY(d.y + high*scale + 2)
}

// drawn is a picture on the page.
type drawn struct {
	*sheet
	parts plan.PictureParts
	scale float64
	x, y  float64 // upper left corner
}

// at is where a point of the plan lies on the page.
func (d drawn) at(p geom.Point) (x, y float64) {
	return d.x + float64(float64(p.X-d.parts.Frame.Min.X)*d.scale), d.y + float64(float64(d.parts.Frame.Max.Y-p.Y)*d.scale)
}

func (d drawn) path(points []geom.Point, closed bool) {
	for i, p := range points {
		x, y := d.at(p)
		if i == 0 {
			d.MoveTo(x, y)
		} else {
			d.LineTo(x, y)
		}
	}
	if len(points) == 1 { // a dot, which round ends show
		x, y := d.at(points[0])
		d.LineTo(x, y)
	}
	if closed {
		d.ClosePath()
	}
}

func (d drawn) lines(l plan.PictureLines) {
	if len(l.Lines) == 0 {
		return
	}
	d.SetLineWidth(max(0.1, float64(l.WidthUM)*d.scale))
	d.SetLineCapStyle("round")
	if l.OffUM > 0 {
		if l.OnUM > 1 {
			d.SetLineCapStyle("butt")
		}
		// The writer knows dashes to a hundredth of a point.
		d.SetDashPattern([]float64{max(0.01, float64(l.OnUM)*d.scale), max(0.2, float64(l.OffUM)*d.scale)}, 0)
	}
	for _, line := range l.Lines {
		d.path(line.Points, line.Closed)
	}
	d.DrawPath("D")
	d.SetDashPattern(nil, 0)
}

// hatch draws slanting lines over what falls out as waste, cut off at its outlines by the even-odd rule.
func (d drawn) hatch() {
	if len(d.parts.Waste) == 0 {
		return
	}
	d.RawWriteStr("q ")
	box := geom.Box{Min: d.parts.Waste[0][0], Max: d.parts.Waste[0][0]}
	for _, outline := range d.parts.Waste {
		d.path(outline, true)
		for _, p := range outline {
			box = box.With(p)
		}
	}
	d.RawWriteStr("W* n")
	d.SetLineWidth(max(0.08, float64(d.parts.FineUM)*d.scale))
	left, top := d.at(geom.Pt(box.Min.X, box.Max.Y))
	right, bottom := d.at(geom.Pt(box.Max.X, box.Min.Y))
	step := max(0.6, float64(d.parts.HatchUM)*d.scale) * math.Sqrt2
	for x := left - (bottom - top); x < right; x += step {
		d.MoveTo(x, bottom)
		d.LineTo(x+bottom-top, top)
	}
	d.DrawPath("D")
	d.RawWriteStr("Q")
}

func corners(b geom.Box) []geom.Point {
	return []geom.Point{b.Min, geom.Pt(b.Max.X, b.Min.Y), b.Max, geom.Pt(b.Min.X, b.Max.Y)}
}
