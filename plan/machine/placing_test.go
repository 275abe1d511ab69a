package machine

import (
	"testing"

	"kerfgate/plan/geom"
)

// TestWithinStops: the carriage stands within the smaller of travel and hard stops, edges included, and one place that is
// outside refuses all of them.
func TestWithinStops(t *testing.T) {
	t.Parallel()
	travel, stops := geom.Box{Max: geom.Pt(400_000, 300_000)}, geom.Box{Min: geom.Pt(-2_000, -2_000), Max: geom.Pt(402_000, 302_000)}
	for _, p := range []Profile{{TravelUM: travel, HardStops: stops}, {TravelUM: stops, HardStops: travel}} {
		for _, c := range []struct {
			places []geom.Point
			want   bool
		}{
			{[]geom.Point{{}}, true},
			{[]geom.Point{geom.Pt(400_000, 300_000)}, true},
			{[]geom.Point{geom.Pt(400_001, 0)}, false},
			{[]geom.Point{geom.Pt(0, -1)}, false},
			{[]geom.Point{geom.Pt(10, 10), geom.Pt(10, 300_001), geom.Pt(20, 20)}, false},
			{[]geom.Point{geom.Pt(10, 10), geom.Pt(399_000, 10)}, true},
			{nil, false},
		} {
			if got := p.WithinStops(c.places...); got != c.want {
				t.Errorf("%v within %v and %v: %v", c.places, p.TravelUM, p.HardStops, got)
			}
		}
	}
}
