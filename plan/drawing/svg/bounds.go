package svg

import (
	"fmt"
	"math"

	"kerfgate/plan/drawing"
)

// boundingBox is the box of all geometry of an element in its own coordinates, as transform-box:
// fill-box asks. It draws the element into a drawing of its own, without paint and visibility.
func (r *reader) boundingBox(n *element, s state) (box, error) {
	outer, points := r.drawing, r.points
	r.drawing = drawing.Drawing{}
	r.measuring++
	defer func() {
		r.drawing, r.points = outer, points
		r.measuring--
	}()
	inner := s
	inner.to = identity
	if err := r.draw(n, inner); err != nil {
		return box{}, err
	}
	least := vec(math.Inf(1), math.Inf(1))
	most := vec(math.Inf(-1), math.Inf(-1))
	for _, shape := range r.drawing.Shapes {
		for _, path := range shape.Paths {
			extremes(path, func(p drawing.Vec) {
				least = vec(min(least.X, p.X), min(least.Y, p.Y))
				most = vec(max(most.X, p.X), max(most.Y, p.Y))
			})
		}
	}
	for _, picture := range r.drawing.Pictures {
		for _, p := range pictureCorners(picture) {
			least = vec(min(least.X, p.X), min(least.Y, p.Y))
			most = vec(max(most.X, p.X), max(most.Y, p.Y))
		}
	}
	if len(r.drawing.Shapes)+len(r.drawing.Pictures) == 0 {
		return box{}, nil
	}
	if !drawing.Finite(least.X, least.Y, most.X, most.Y) {
		return box{}, refused(n, "the bounding box", fmt.Errorf("it is %w", errInfinite))
	}
	return box{least.X, least.Y, most.X - least.X, most.Y - least.Y}, nil
}

func pictureCorners(p drawing.Picture) [4]drawing.Vec {
	w, h := float64(p.Width), float64(p.Height)
	at := func(i, j float64) drawing.Vec {
		return vec(p.Origin.X+float64(i*p.Right.X)+float64(j*p.Down.X), p.Origin.Y+float64(i*p.Right.Y)+float64(j*p.Down.Y))
	}
	return [4]drawing.Vec{at(0, 0), at(w, 0), at(w, h), at(0, h)}
}

// extremes hands over points whose box is the box of the path: the ends of its segments, and of
// each curve the points where it turns along x or y.
func extremes(p drawing.Path, take func(drawing.Vec)) {
	take(p.Start)
	at := p.Start
	for _, s := range p.Segments {
		take(s.To)
		if s.Curve {
			for _, t := range append(turns(at.X, s.C1.X, s.C2.X, s.To.X), turns(at.Y, s.C1.Y, s.C2.Y, s.To.Y)...) {
				take(onCubic(at, s, t))
			}
		}
		at = s.To
	}
}

func onCubic(from drawing.Vec, s drawing.Segment, t float64) drawing.Vec {
	u := 1 - t
	a, b, c, d := u*u*u, 3*u*u*t, 3*u*t*t, t*t*t
	return vec(float64(a*from.X)+float64(b*s.C1.X)+float64(c*s.C2.X)+float64(d*s.To.X),
		float64(a*from.Y)+float64(b*s.C1.Y)+float64(c*s.C2.Y)+float64(d*s.To.Y))
}

// turns gives the parameters within (0, 1) where one coordinate of a cubic stops growing: the roots
// of its derivative a·t² + b·t + c, up to the factor 3.
func turns(p0, p1, p2, p3 float64) []float64 {
	a := p3 - p0 + float64(3*(p1-p2))
	b := float64(2 * (p0 - float64(2*p1) + p2))
	c := p1 - p0
	var roots []float64
	add := func(t float64) {
		if t > 0 && t < 1 {
			roots = append(roots, t)
		}
	}
	under := float64(b*b) - float64(4*a*c)
	if under < 0 {
		return nil
	}
	// The form that does not cancel (Numerical Recipes, 5.6).
	q := -(b + math.Copysign(math.Sqrt(under), b)) / 2
	if a != 0 {
		add(q / a)
	}
	if q != 0 {
		add(c / q)
	}
	return roots
}
