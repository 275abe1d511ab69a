package contour

import "kerfgate/plan/geom"

// apart is the square of the distance of two boxes.
func apart(a, b geom.Box) float64 {
	dx := float64(max(0, a.Min.X-b.Max.X, b.Min.X-a.Max.X))
	dy := float64(max(0, a.Min.Y-b.Max.Y, b.Min.Y-a.Max.Y))
	return float64(dx*dx) + float64(dy*dy)
}

// measure is a shortest way from one end of a segment to another segment.
type measure struct {
	square         float64 // of its length in µm
	at             float64 // how far along the segment that is no end of it
	px, py, qx, qy float64 // on the first segment, on the other
	tp, tq         float64 // how far along them
}

// measureOf gives the k-th of the four ways from the ends of each to the other: from both ends of a,
// then from those of b. Segments that do not cross are nearest to each other along one of them.
func measureOf(a, b geom.Segment, k int) measure {
	var m measure
	switch k {
	case 0:
		m.at, m.square = b.NearestSquare(a.A)
	case 1:
		m.at, m.square = b.NearestSquare(a.B)
	case 2:
		m.at, m.square = a.NearestSquare(b.A)
	case 3:
		m.at, m.square = a.NearestSquare(b.B)
	}
	return m
}

// lead fills in where the k-th way begins and ends.
func (m *measure) lead(a, b geom.Segment, k int) {
	m.tp, m.tq = float64(k&1), m.at
	if k >= 2 {
		m.tp, m.tq = m.at, float64(k&1)
	}
	m.px, m.py = exactAt(a, m.tp)
	m.qx, m.qy = exactAt(b, m.tq)
}

func exactAt(s geom.Segment, t float64) (x, y float64) {
	return float64(s.A.X) + float64(float64(s.B.X-s.A.X)*t), float64(s.A.Y) + float64(float64(s.B.Y-s.A.Y)*t)
}
