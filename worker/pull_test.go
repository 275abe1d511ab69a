package worker

import (
	"testing"

	"kerfgate/plan"
	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
)

// TestExtentsFit: a plan whose marks fit is still turned away where the carriage needs more for it, to
// reach its speed beside an engraved area.
func TestExtentsFit(t *testing.T) {
	t.Parallel()
	box := func(x0, x1, y1 int64) geom.Box { return geom.Box{Min: geom.Pt(x0, 0), Max: geom.Pt(x1, y1)} }
	profile := machine.Profile{TravelUM: geom.Box{Min: geom.Pt(5_000, 5_000), Max: geom.Pt(105_000, 65_000)}}
	for _, tc := range []struct {
		name           string
		extents, reach geom.Box
		want           bool
	}{
		{"as large as the travel", box(0, 100_000, 60_000), geom.Box{}, true},
		{"too wide", box(0, 100_001, 60_000), geom.Box{}, false},
		{"too high", box(0, 100_000, 60_001), geom.Box{}, false},
		{"with room to speed up", box(0, 90_000, 60_000), box(-5_000, 95_000, 60_000), true},
		{"without room to speed up", box(0, 90_000, 60_000), box(-5_000, 95_001, 60_000), false},
	} {
		if got := extentsFit(&plan.Plan{Extents: tc.extents, Reach: tc.reach}, profile); got != tc.want {
			t.Errorf("%s: %v", tc.name, got)
		}
	}
}
