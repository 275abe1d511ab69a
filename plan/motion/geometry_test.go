package motion

import (
	"math"
	"testing"

	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
)

// TestToldKeepsParts: the parts with the tool on begin and end at the same places when a stroke is told to
// a machine that is out of true (own check: the places, carried over by the formulas of the geometry).
func TestToldKeepsParts(t *testing.T) {
	t.Parallel()
	g := &machine.Geometry{ScaleXPPM: 9_000, ScaleYPPM: -7_000, SquarenessURad: 4_000}
	s := Stroke{Points: []geom.Point{geom.Pt(0, 0), geom.Pt(100_000, 0), geom.Pt(100_000, 80_000), geom.Pt(20_000, 10_000)},
		On: []geom.Span{{From: 30_000, To: 90_000}, {From: 120_000, To: 250_000}}, SpeedUMPerS: 1}
	told := s.Told(g)
	at := func(points []geom.Point, d float64) (float64, float64) {
		for i := 1; ; i++ {
			l := geom.Distance(points[i-1], points[i])
			if d <= l || i == len(points)-1 {
				share := d / l
				return float64(points[i-1].X) + share*float64(points[i].X-points[i-1].X), float64(points[i-1].Y) + share*float64(points[i].Y-points[i-1].Y)
			}
			d -= l
		}
	}
	for i := range s.On {
		for _, ends := range [2][2]int64{{s.On[i].From, told.On[i].From}, {s.On[i].To, told.On[i].To}} {
			wantX, wantY := at(s.Points, float64(ends[0]))
			x, y := g.Reached(at(told.Points, float64(ends[1])))
			if math.Hypot(x-wantX, y-wantY) > 2 {
				t.Errorf("an end at %.0f, %.0f comes to %.0f, %.0f", wantX, wantY, x, y)
			}
		}
	}
	if same := s.Told(nil); &same.Points[0] != &s.Points[0] {
		t.Error("a machine without a calibration is told other points")
	}
}
