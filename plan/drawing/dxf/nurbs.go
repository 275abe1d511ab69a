package dxf

import (
	"errors"
	"fmt"
)

// mostDegree is the highest degree of a spline that is read; drawing programs write 1 to 11.
const mostDegree = 15

// fitError is how far a cubic may stray from the spline that it stands for, as a share of the size of
// the spline's control polygon: one part in a million, under 1 µm for a curve of 1 m. It is needed for
// rational splines and for degrees above 3 only; others become cubics exactly.
const fitError = 1e-6

// spline is a B-spline curve, rational where the weights differ.
type spline struct {
	degree  int
	knots   []float64
	points  []vec3
	weights []float64 // none, or one a point
}

// weighted is a point in homogeneous coordinates: the position times the weight, and the weight.
type weighted struct {
	p vec3
	w float64
}

func blend(a, b weighted, t float64) weighted {
	return weighted{p: a.p.plus(t, b.p.sub(a.p)), w: a.w + float64((b.w-a.w)*t)}
}

// check says why the numbers are no curve.
func (s *spline) check() error {
	n := len(s.points)
	switch {
	case s.degree < 1 || s.degree > mostDegree:
		return fmt.Errorf("its degree is %d, and 1 to %d are read", s.degree, mostDegree)
	case n <= s.degree:
		return fmt.Errorf("it has %d control points, and degree %d needs %d", n, s.degree, s.degree+1)
	case len(s.knots) != n+s.degree+1:
		return fmt.Errorf("it has %d knots, and %d control points of degree %d need %d", len(s.knots), n, s.degree, n+s.degree+1)
	case len(s.weights) != 0 && len(s.weights) != n:
		return fmt.Errorf("it has %d weights for %d control points", len(s.weights), n)
	}
	for i := range s.knots[1:] {
		if s.knots[i+1] < s.knots[i] {
			return errors.New("its knots do not grow")
		}
	}
	if !(s.knots[s.degree] < s.knots[n]) {
		return errors.New("its knots span nothing")
	}
	for _, w := range s.weights {
		if !(w > 0) {
			return errors.New("a weight is not above zero")
		}
	}
	return nil
}

// rational says whether the weights matter.
func (s *spline) rational() bool {
	for _, w := range s.weights {
		if w != s.weights[0] {
			return true
		}
	}
	return false
}

// runs gives the curve as cubics and lines: one run, or several where it jumps. ok is false where more
// than most pieces are needed.
func (s *spline) runs(most int) (out []run, ok bool) {
	extent := s.extent()
	exact := s.degree == 1 || s.degree <= 3 && !s.rational()
	var open *run
	pieces := 0
	for i := s.degree; i < len(s.points); i++ {
		if !(s.knots[i] < s.knots[i+1]) {
			continue
		}
		b := s.bezier(i)
		if start := b[0].place(); open == nil || start.sub(open.end()).length() > 1e-9*extent {
			out = append(out, run{start: start})
			open = &out[len(out)-1]
		}
		before := len(open.pieces)
		if exact {
			open.exact(b)
		} else if !open.fit(b, 0, 1, fitError*extent, most-pieces, 0) {
			return nil, false
		}
		if pieces += len(open.pieces) - before; pieces > most {
			return nil, false
		}
	}
	return out, true
}

// extent is the diagonal of the box around the control points.
func (s *spline) extent() float64 {
	low, high := s.points[0], s.points[0]
	for _, p := range s.points {
		low = vec3{min(low.x, p.x), min(low.y, p.y), min(low.z, p.z)}
		high = vec3{max(high.x, p.x), max(high.y, p.y), max(high.z, p.z)}
	}
	return high.sub(low).length()
}

// bezier gives the Bézier points of the curve over the i-th knot span. Each is the blossom of the span's
// polynomial at j times the span's end and else its begin (Ramshaw, Blossoming, 1987), computed by
// de Boor's scheme: what repeated knot insertion ends in.
func (s *spline) bezier(i int) []weighted {
	p := s.degree
	begin, end := s.knots[i], s.knots[i+1]
	out := make([]weighted, p+1)
	d := make([]weighted, p+1)
	for j := range out {
		for k := range d {
			at, w := s.points[i-p+k], 1.0
			if len(s.weights) > 0 {
				w = s.weights[i-p+k] / s.weights[0]
			}
			d[k] = weighted{at.times(w), w}
		}
		for r := 1; r <= p; r++ {
			u := begin
			if r <= j {
				u = end
			}
			for k := p; k >= r; k-- {
				low, high := s.knots[i-p+k], s.knots[i+1+k-r]
				d[k] = blend(d[k-1], d[k], (u-low)/(high-low))
			}
		}
		out[j] = d[p]
	}
	return out
}

func (a weighted) place() vec3 { return vec3{a.p.x / a.w, a.p.y / a.w, a.p.z / a.w} }

// exact appends a polynomial of degree 1 to 3.
func (r *run) exact(b []weighted) {
	switch len(b) {
	case 2:
		r.line(b[1].place())
	case 3: // the degree of a parabola raised
		r.cubic(b[0].p.plus(2.0/3, b[1].p.sub(b[0].p)), b[2].p.plus(2.0/3, b[1].p.sub(b[2].p)), b[2].p)
	case 4:
		r.cubic(b[1].p, b[2].p, b[3].p)
	}
}

// fit appends cubics with the ends and end derivatives of the curve over the part t0 to t1, halving it
// until they lie within tolerance at three inner parameters. ok is false where that takes more than
// most pieces.
func (r *run) fit(b []weighted, t0, t1, tolerance float64, most, depth int) (ok bool) {
	from, fromAhead := pointOn(b, t0)
	to, toAhead := pointOn(b, t1)
	third := (t1 - t0) / 3
	c1, c2 := from.plus(third, fromAhead), to.plus(-third, toAhead)
	near := true
	for _, q := range [3]float64{0.25, 0.5, 0.75} {
		on, _ := pointOn(b, t0+float64((t1-t0)*q))
		off := cubicAt(from, c1, c2, to, q).sub(on)
		near = near && off.length() <= tolerance
	}
	if near || depth == 20 {
		r.cubic(c1, c2, to)
		return most >= 1
	}
	middle := (t0 + t1) / 2
	before := len(r.pieces)
	return most >= 2 && r.fit(b, t0, middle, tolerance, most-1, depth+1) &&
		r.fit(b, middle, t1, tolerance, most-(len(r.pieces)-before), depth+1)
}

func cubicAt(a, b, c, d vec3, t float64) vec3 {
	mix := func(p, q vec3) vec3 { return p.plus(t, q.sub(p)) }
	ab, bc, cd := mix(a, b), mix(b, c), mix(c, d)
	return mix(mix(ab, bc), mix(bc, cd))
}

// pointOn gives position and derivative of a rational Bézier curve (de Casteljau).
func pointOn(b []weighted, t float64) (at, ahead vec3) {
	var rest [mostDegree + 1]weighted
	n := copy(rest[:], b)
	for ; n > 2; n-- {
		for k := range n - 1 {
			rest[k] = blend(rest[k], rest[k+1], t)
		}
	}
	end := blend(rest[0], rest[1], t)
	at = end.place()
	degree := float64(len(b) - 1)
	slope := weighted{rest[1].p.sub(rest[0].p).times(degree), float64((rest[1].w - rest[0].w) * degree)}
	ahead = slope.p.plus(-slope.w, at).times(1 / end.w)
	return at, ahead
}
