package geom

import "math"

// Segment is the straight way from A to B.
type Segment struct{ A, B Point }

// Box is the smallest box around s.
func (s Segment) Box() Box { return Box{Min: s.A, Max: s.A}.With(s.B) }

// Meet gives the points that two segments share: one where they cross or touch, two where they lie
// on each other over a length (the ends of the shared part). Whether they meet is decided in whole
// numbers: with coordinates within ±10⁷ µm (10 m) a cross product stays below 8·10¹⁴. Where they
// cross between grid points the nearest grid point is given, the same for either order and direction.
func (s Segment) Meet(o Segment) (at [2]Point, n int) {
	s, o = s.sorted(), o.sorted()
	if before(o.A, s.A) || o.A == s.A && before(o.B, s.B) {
		s, o = o, s
	}
	d1, d2 := Cross(o.A, o.B, s.A), Cross(o.A, o.B, s.B)
	d3, d4 := Cross(s.A, s.B, o.A), Cross(s.A, s.B, o.B)
	if opposite(d1, d2) && opposite(d3, d4) {
		t := float64(d1) / (float64(d1) - float64(d2))
		return [2]Point{s.At(t)}, 1
	}
	add := func(d int64, p Point, other Segment) {
		if d != 0 || n == 2 || !(Box{Min: p, Max: p}).Inside(other.Box()) || n == 1 && at[0] == p {
			return
		}
		at[n] = p
		n++
	}
	add(d1, s.A, o)
	add(d2, s.B, o)
	add(d3, o.A, s)
	add(d4, o.B, s)
	return at, n
}

func opposite(a, b int64) bool { return a < 0 && b > 0 || a > 0 && b < 0 }

// At is the grid point nearest to the part t of the way from A to B.
func (s Segment) At(t float64) Point {
	return Pt(s.A.X+int64(math.Round(float64(s.B.X-s.A.X)*t)), s.A.Y+int64(math.Round(float64(s.B.Y-s.A.Y)*t)))
}

// Nearest gives the part of the way from A to B at which s is nearest to p, and the distance there
// in µm.
func (s Segment) Nearest(p Point) (t, distance float64) {
	t, square := s.NearestSquare(p)
	return t, math.Sqrt(square)
}

// NearestSquare is Nearest with the square of the distance.
func (s Segment) NearestSquare(p Point) (t, square float64) {
	dx, dy := float64(s.B.X-s.A.X), float64(s.B.Y-s.A.Y)
	px, py := float64(p.X-s.A.X), float64(p.Y-s.A.Y)
	if length2 := float64(dx*dx) + float64(dy*dy); length2 > 0 {
		t = min(1, max(0, (float64(px*dx)+float64(py*dy))/length2))
	}
	ex, ey := px-float64(dx*t), py-float64(dy*t)
	return t, float64(ex*ex) + float64(ey*ey)
}

// sorted is s from its lesser end, by x and then y.
func (s Segment) sorted() Segment {
	if before(s.B, s.A) {
		return Segment{s.B, s.A}
	}
	return s
}

func before(p, q Point) bool { return p.X < q.X || p.X == q.X && p.Y < q.Y }
