package plan

import (
	"math"

	"kerfgate/plan/geom"
)

// MarkedUM is the length in µm on which the tool is on.
func (s Stroke) MarkedUM() int64 {
	if len(s.On) == 0 {
		return geom.Length(s.Points)
	}
	var um int64
	for _, on := range s.On {
		um += on.To - on.From
	}
	return um
}

// Marked gives the parts of the way on which the tool is on, each as a polyline whose ends are
// rounded to whole µm. They share memory with the stroke where nothing is left out.
func (s Stroke) Marked() [][]geom.Point {
	if len(s.On) == 0 {
		return [][]geom.Point{s.Points}
	}
	var parts [][]geom.Point
	at, i := 0.0, 1 // length up to point i−1
	for _, on := range s.On {
		from, to := float64(on.From), float64(on.To)
		for ; i < len(s.Points); i++ {
			d := geom.Distance(s.Points[i-1], s.Points[i])
			if at+d > from || i == len(s.Points)-1 {
				break
			}
			at += d
		}
		if i >= len(s.Points) {
			break
		}
		part := []geom.Point{between(s.Points[i-1], s.Points[i], from-at)}
		for {
			d := geom.Distance(s.Points[i-1], s.Points[i])
			if at+d >= to || i == len(s.Points)-1 {
				part = appendPoint(part, between(s.Points[i-1], s.Points[i], to-at))
				break
			}
			part = appendPoint(part, s.Points[i])
			at += d
			i++
		}
		if len(part) > 1 {
			parts = append(parts, part)
		}
	}
	return parts
}

// between is the point d µm from a towards b, no further than b.
func between(a, b geom.Point, d float64) geom.Point {
	length := geom.Distance(a, b)
	if length == 0 {
		return a
	}
	t := min(1, max(0, d/length))
	return geom.Pt(a.X+int64(math.Round(float64(b.X-a.X)*t)), a.Y+int64(math.Round(float64(b.Y-a.Y)*t)))
}

func appendPoint(points []geom.Point, p geom.Point) []geom.Point {
	if n := len(points); n > 0 && points[n-1] == p {
		return points
	}
	return append(points, p)
}
