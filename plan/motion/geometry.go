package motion

import (
	"math"

	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
)

// Told is the stroke as the machine must be told it, so that the carriage goes along s: straight ways stay
// straight, and parts with the tool on end at the same places.
func (s Stroke) Told(g *machine.Geometry) Stroke {
	if g == nil || len(s.Points) == 0 {
		return s
	}
	points := make([]geom.Point, len(s.Points))
	given, told := make([]float64, len(points)), make([]float64, len(points)) // lengths up to each point
	for i, p := range s.Points {
		points[i] = g.Told(p)
		if i > 0 {
			given[i] = given[i-1] + geom.Distance(s.Points[i-1], p)
			told[i] = told[i-1] + geom.Distance(points[i-1], points[i])
		}
	}
	out := s
	out.Points = points
	if len(s.On) > 0 {
		c := course{given: given, taken: told}
		out.On = make([]geom.Span, len(s.On))
		for i, on := range s.On {
			out.On[i] = geom.Span{From: int64(math.Round(c.taking(float64(on.From)))), To: int64(math.Round(c.taking(float64(on.To))))}
		}
	}
	return out
}
