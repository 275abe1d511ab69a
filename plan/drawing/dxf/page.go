package dxf

import (
	"fmt"
	"math"

	"kerfgate/plan/drawing"
)

// mostFarMM is how far from the drawing's origin a shape may lie; up to there a coordinate is exact to
// a hundredth of a micrometre. (Drawings in a survey's coordinates lie a few 10⁹ mm away.)
const mostFarMM = 1e10

// box is the smallest one around what was drawn so far, in drawing units.
type box struct {
	low, high drawing.Vec
	any       bool
}

func (b *box) point(p drawing.Vec) {
	if !b.any {
		b.low, b.high, b.any = p, p, true
		return
	}
	b.low = drawing.Vec{X: min(b.low.X, p.X), Y: min(b.low.Y, p.Y)}
	b.high = drawing.Vec{X: max(b.high.X, p.X), Y: max(b.high.Y, p.Y)}
}

// cubic takes up a curve whose ends are in the box already: the points where it turns around.
func (b *box) cubic(p0, p1, p2, p3 drawing.Vec) {
	for _, axis := range [2][4]float64{{p0.X, p1.X, p2.X, p3.X}, {p0.Y, p1.Y, p2.Y, p3.Y}} {
		low, high := min(axis[0], axis[3]), max(axis[0], axis[3])
		if axis[1] >= low && axis[1] <= high && axis[2] >= low && axis[2] <= high {
			continue // the control points hold the curve between its ends
		}
		for _, t := range turns(axis) {
			if t > 0 && t < 1 {
				b.point(drawing.Vec{X: cubicOn(p0.X, p1.X, p2.X, p3.X, t), Y: cubicOn(p0.Y, p1.Y, p2.Y, p3.Y, t)})
			}
		}
	}
}

// turns gives the parameters where a cubic's derivative is zero.
func turns(c [4]float64) [2]float64 {
	// The derivative by 3 is a·t² + b·t + d.
	d := c[1] - c[0]
	b := float64(2*(c[2]-c[1])) - float64(2*d)
	a := c[3] - c[0] - float64(3*(c[2]-c[1]))
	root := float64(b*b) - float64(4*a*d)
	if !(root >= 0) {
		return [2]float64{-1, -1}
	}
	q := -(b + math.Copysign(math.Sqrt(root), b)) / 2
	return [2]float64{q / a, d / q} // a division by zero falls outside of 0 to 1
}

func cubicOn(a, b, c, d, t float64) float64 {
	mix := func(p, q float64) float64 { return p + float64((q-p)*t) }
	ab, bc, cd := mix(a, b), mix(b, c), mix(c, d)
	return mix(mix(ab, bc), mix(bc, cd))
}

// lay puts the shapes on their page: the drawing's extent, its upper left corner the origin, y down, in
// millimetres.
func (r *reader) lay(choices Choices) error {
	unit, err := r.header.scale(choices)
	if err != nil || !r.box.any {
		return err
	}
	b := r.box
	width, height := b.high.X-b.low.X, b.high.Y-b.low.Y
	if unit == 0 {
		return r.header.askUnit(width, height)
	}
	far := max(math.Abs(b.low.X), math.Abs(b.low.Y), math.Abs(b.high.X), math.Abs(b.high.Y))
	switch {
	case !(width*unit <= drawing.MaxExtentMM && height*unit <= drawing.MaxExtentMM):
		return &drawing.Refusal{
			What: "the drawing is too large for any machine",
			Next: "choose another unit if the file's is wrong: " + likely(width, height) +
				"; or delete what lies far from the rest, first of all " + r.farthest(),
			Limit: fmt.Sprintf("%d mm", drawing.MaxExtentMM), Value: fmt.Sprintf("%.6g mm", max(width, height)*unit),
			Asks: "unit",
		}
	case !(far*unit <= mostFarMM):
		return &drawing.Refusal{
			What: "the drawing lies too far from its origin to be exact", Next: "move it to the origin and save it again",
			Limit: fmt.Sprintf("%.0f km", mostFarMM/1e6), Value: fmt.Sprintf("%.6g km", far*unit/1e6),
		}
	}
	r.drawing.WidthMM, r.drawing.HeightMM = width*unit, height*unit
	at := func(p *drawing.Vec) { *p = drawing.Vec{X: (p.X - b.low.X) * unit, Y: (b.high.Y - p.Y) * unit} }
	for s := range r.drawing.Shapes {
		for p := range r.drawing.Shapes[s].Paths {
			path := &r.drawing.Shapes[s].Paths[p]
			at(&path.Start)
			for n := range path.Segments {
				seg := &path.Segments[n]
				at(&seg.To)
				if seg.Curve {
					at(&seg.C1)
					at(&seg.C2)
				}
			}
		}
	}
	return nil
}

// farthest names the shape that lies farthest from the middle of the others' first points.
func (r *reader) farthest() string {
	var middle drawing.Vec
	n := float64(len(r.drawing.Shapes))
	for _, s := range r.drawing.Shapes {
		middle.X += s.Paths[0].Start.X / n
		middle.Y += s.Paths[0].Start.Y / n
	}
	place, most := "", -1.0
	for _, s := range r.drawing.Shapes {
		p := s.Paths[0].Start
		if d := math.Abs(p.X-middle.X) + math.Abs(p.Y-middle.Y); d > most {
			place, most = s.Place, d
		}
	}
	return place
}
