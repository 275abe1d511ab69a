package drawing

import "math"

// MostArcSegments is how many cubics Arc draws at most.
const MostArcSegments = 16

// Arc draws an elliptical arc given by its end points: conversion and out-of-range rules as in the
// SVG 2 implementation notes, B.2.4 and B.2.5. No angle is computed but the rotation: spans are
// halved as unit vectors, which needs only square roots.
func (o *Outline) Arc(rx, ry, rotateDeg float64, large, sweep bool, to Vec) {
	from := o.at
	if from == to {
		return
	}
	rx, ry = math.Abs(rx), math.Abs(ry)
	if rx == 0 || ry == 0 {
		o.Line(to)
		return
	}
	sin, cos := SinCosDeg(rotateDeg)
	half := Vec{(from.X - to.X) / 2, (from.Y - to.Y) / 2}
	// In the unit circle's own coordinates: p is half the chord.
	p := Vec{
		X: (float64(cos*half.X) + float64(sin*half.Y)) / rx,
		Y: (float64(cos*half.Y) - float64(sin*half.X)) / ry,
	}
	chord2 := dot(p, p)
	if !Finite(chord2) || chord2 == 0 {
		o.Line(to)
		return
	}
	height := 0.0
	if chord2 > 1 { // too small to reach: scale both radii up
		grow := math.Sqrt(chord2)
		rx, ry = float64(rx*grow), float64(ry*grow)
		p = Vec{p.X / grow, p.Y / grow}
	} else {
		height = math.Sqrt((1 - chord2) / chord2)
	}
	if large == sweep {
		height = -height
	}
	centre := Vec{float64(height * p.Y), -float64(height * p.X)}
	a := Vec{p.X - centre.X, p.Y - centre.Y}
	b := Vec{-p.X - centre.X, -p.Y - centre.Y}
	mid := Vec{float64((from.X + to.X) / 2), float64((from.Y + to.Y) / 2)}
	place := func(u Vec) Vec {
		x, y := float64(rx*(u.X+centre.X)), float64(ry*(u.Y+centre.Y))
		return Vec{
			X: float64(cos*x) - float64(sin*y) + mid.X,
			Y: float64(sin*x) + float64(cos*y) + mid.Y,
		}
	}
	turn := 1.0
	if !sweep {
		turn = -1
	}
	var spans [MostArcSegments]span
	n := arcSpans(&spans, a, b, turn, large)
	for i, s := range spans[:n] {
		end := place(s.b)
		if i == n-1 {
			end = to
		}
		c1, c2 := s.controls(turn)
		o.Cubic(place(c1), place(c2), end)
	}
}

// span is a part of the unit circle of at most 22.5°, from a to b.
type span struct{ a, b Vec }

// arcSpans divides the way from a to b on the unit circle; turn is +1 for growing angles. It gives
// the number of spans.
func arcSpans(spans *[MostArcSegments]span, a, b Vec, turn float64, large bool) (n int) {
	const tiny = 1e-9
	for quarters := 0; quarters < 4; quarters++ {
		x, d := float64(turn*cross(a, b)), dot(a, b)
		if d > 0 && math.Abs(x) < tiny && (quarters > 0 || !large) {
			if quarters == 0 {
				spans[0] = span{a, b}
				n = 1
			}
			return n
		}
		if x >= 0 && d >= 0 && (quarters > 0 || !large) {
			quarter := quarterSpans(a, b)
			return n + copy(spans[n:], quarter[:])
		}
		next := Vec{-float64(turn * a.Y), float64(turn * a.X)}
		quarter := quarterSpans(a, next)
		n += copy(spans[n:], quarter[:])
		a = next
	}
	return n
}

// quarterSpans halves an angle of at most 90° twice.
func quarterSpans(a, b Vec) [4]span {
	m := between(a, b)
	l, r := between(a, m), between(m, b)
	return [4]span{{a, l}, {l, m}, {m, r}, {r, b}}
}

func between(a, b Vec) Vec {
	v := Vec{a.X + b.X, a.Y + b.Y}
	n := math.Sqrt(dot(v, v))
	return Vec{v.X / n, v.Y / n}
}

// controls gives the control points of the cubic nearest to the span: 4/3·tan(θ/4) along the
// tangents. At 22.5° the largest radial error is under 7e-8 of the radius.
func (s span) controls(turn float64) (c1, c2 Vec) {
	t := math.Abs(cross(s.a, s.b)) / (1 + dot(s.a, s.b)) // tan(θ/2)
	k := float64(turn * 4 / 3 * t / (1 + math.Sqrt(1+float64(t*t))))
	c1 = Vec{s.a.X - float64(k*s.a.Y), s.a.Y + float64(k*s.a.X)}
	c2 = Vec{s.b.X + float64(k*s.b.Y), s.b.Y - float64(k*s.b.X)}
	return c1, c2
}

// Ellipse draws a closed ellipse from its rightmost point in the direction of growing angles.
func (o *Outline) Ellipse(c Vec, rx, ry float64) {
	at := func(u Vec) Vec { return Vec{c.X + float64(rx*u.X), c.Y + float64(ry*u.Y)} }
	corners := [5]Vec{{1, 0}, {0, 1}, {-1, 0}, {0, -1}, {1, 0}}
	o.Move(at(corners[0]))
	for i := range 4 {
		for _, s := range quarterSpans(corners[i], corners[i+1]) {
			c1, c2 := s.controls(1)
			o.Cubic(at(c1), at(c2), at(s.b))
		}
	}
	o.Close()
}
