package dxf

import (
	"math"

	"kerfgate/plan/drawing"
)

// run is a path in space: what drawing.Path is in the plane.
type run struct {
	start  vec3
	pieces []piece
	closed bool
}

// piece goes from the end of the one before it to the point to: straight, or as a cubic.
type piece struct {
	curve      bool
	c1, c2, to vec3
}

func (r *run) end() vec3 {
	if n := len(r.pieces); n > 0 {
		return r.pieces[n-1].to
	}
	return r.start
}

func (r *run) line(to vec3) { r.pieces = append(r.pieces, piece{to: to}) }

func (r *run) cubic(c1, c2, to vec3) {
	r.pieces = append(r.pieces, piece{curve: true, c1: c1, c2: c2, to: to})
}

// mapped is the run under m, in place.
func (r *run) mapped(m affine) {
	r.start = m.apply(r.start)
	for i := range r.pieces {
		p := &r.pieces[i]
		p.to = m.apply(p.to)
		if p.curve {
			p.c1, p.c2 = m.apply(p.c1), m.apply(p.c2)
		}
	}
}

// mostBulge is tan(22.5°/4): an arc is drawn by one cubic up to this bulge, which strays from the
// circle by less than 7e-8 of the radius.
const mostBulge = 0.09849140335716425

// flatBulge is a bulge that counts as none: the arc rises over its chord by bulge·chord/2, which is
// under 0.05 µm for a chord of 10 m.
const flatBulge = 1e-8

// bulge draws an arc in the plane of constant z whose quarter angle has the tangent b, positive for
// the counterclockwise sense. An arc is halved without any angle: its middle lies b·chord/2 to the
// right of the chord, and either half has the bulge b/(1+√(1+b²)). A cubic's handles along the arc's
// tangents are 4/3·tan(θ/4)·radius long, which makes them ((1−b²)·chord ∓ 2b·across)/3.
func (r *run) bulge(to vec3, b float64) {
	if math.Abs(b) < flatBulge {
		r.line(to)
		return
	}
	from := r.end()
	chord := to.sub(from)
	across := vec3{-chord.y, chord.x, 0} // the chord, turned left
	if wideBulge(b) {
		middle := from.plus(0.5, chord).plus(-b/2, across)
		half := halfBulge(b)
		r.bulge(middle, half)
		r.bulge(to, half)
		return
	}
	along := chord.times((1 - float64(b*b)) / 3)
	side := across.times(2 * b / 3)
	r.cubic(from.add(along).sub(side), to.sub(along).sub(side), to)
}

func wideBulge(b float64) bool { return math.Abs(b) > mostBulge*(1+1e-12) }

func halfBulge(b float64) float64 { return b / (1 + math.Sqrt(1+float64(b*b))) }

// bulgePieces counts the cubics that an arc takes.
func bulgePieces(b float64) int {
	n := 1
	for ; wideBulge(b); n *= 2 {
		b = halfBulge(b)
	}
	return n
}

// arc draws centre + cos·a + sin·b from one angle over a sweep, both in degrees, 0 < sweep ≤ 360.
// A sweep of 360° closes the run.
func arc(centre, a, b vec3, fromDeg, sweepDeg float64) run {
	at := func(deg float64) (point, ahead vec3) {
		sin, cos := drawing.SinCosDeg(deg)
		return centre.plus(cos, a).plus(sin, b), b.times(cos).sub(a.times(sin))
	}
	n := max(1, math.Ceil(sweepDeg/22.5-1e-9))
	step := sweepDeg / n
	sin, cos := drawing.SinCosDeg(step / 2)
	handle := 4.0 / 3 * quarterTan(sin, cos)
	point, ahead := at(fromDeg)
	out := run{start: point, pieces: make([]piece, 0, int(n))}
	for i := 1.0; i <= n; i++ {
		next, nextAhead := at(fromDeg + float64(i*step))
		if i == n && sweepDeg == 360 {
			next = out.start
			out.closed = true
		}
		out.cubic(point.plus(handle, ahead), next.plus(-handle, nextAhead), next)
		point, ahead = next, nextAhead
	}
	return out
}

// quarterTan is the tangent of half the angle whose sine and cosine are given.
func quarterTan(sin, cos float64) float64 { return sin / (1 + cos) }

// vertex is a corner of a polyline in its own plane.
type vertex struct {
	at    vec3
	bulge float64 // of the way to the next corner
}

// polyline joins corners; doubled ones count once.
func polyline(corners []vertex, closed bool) run {
	out := run{start: corners[0].at, pieces: make([]piece, 0, len(corners))}
	for i := range corners[1:] {
		if to := corners[i+1].at; to != corners[i].at {
			out.bulge(to, corners[i].bulge)
		}
	}
	if closed {
		if out.end() != out.start {
			out.bulge(out.start, corners[len(corners)-1].bulge)
		}
		out.closed = len(out.pieces) > 0
	}
	return out
}
