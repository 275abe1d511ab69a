package contour_test

import (
	"math"
	"testing"

	"kerfgate/plan/contour"
	"kerfgate/plan/geom"
)

// TestClusters: what of lines that hang together may be moved into the waste, and what lies within.
func TestClusters(t *testing.T) {
	t.Parallel()
	square := rect(0, 0, 10_000, 10_000)
	type want struct {
		rings  float64 // mm², negative around waste
		within []int64 // µm, negative for those in waste
		shared int64
	}
	for name, tc := range map[string]struct {
		in   []contour.Line
		want []want
	}{
		"apart":            {[]contour.Line{square, rect(11_000, 0, 20_000, 10_000)}, nil},
		"a hole":           {[]contour.Line{square, rect(1_000, 1_000, 9_000, 9_000)}, nil},
		"a shared edge":    {[]contour.Line{square, cut(10_000, 0, 20_000, 0, 20_000, 10_000, 10_000, 10_000)}, []want{{200, []int64{10_000}, 10_000}}},
		"a slit":           {[]contour.Line{square, cut(0, 5_000, 3_000, 5_000)}, []want{{100, []int64{3_000}, 0}}},
		"a cut through":    {[]contour.Line{square, cut(-2_000, 4_000, 12_000, 4_000)}, []want{{100, []int64{-2_000, 10_000, -2_000}, 10_000}}},
		"a hole touches":   {[]contour.Line{square, cut(0, 5_000, 2_000, 4_000, 2_000, 6_000, 0, 5_000)}, []want{{98, nil, 0}}},
		"openings by side": {[]contour.Line{rect(-10_000, -10_000, 40_000, 40_000), square, cut(10_000, 0, 20_000, 0, 20_000, 10_000, 10_000, 10_000)}, []want{{-200, []int64{-10_000}, 0}}},
	} {
		s := understand(t, contour.Options{}, tc.in...)
		if len(s.Clusters) != len(tc.want) {
			t.Errorf("%s: %d clusters", name, len(s.Clusters))
			continue
		}
		for i, w := range tc.want {
			c := s.Clusters[i]
			var rings float64
			for _, r := range c.Rings {
				if r.Dropout {
					rings -= math.Abs(geom.Area(r.Points)) / 1e6
				} else {
					rings += geom.Area(r.Points) / 1e6
				}
			}
			var within []int64
			var shared int64
			for _, in := range c.Within {
				um := geom.Length(in.Points)
				if in.Waste {
					um = -um
				}
				within = append(within, um)
				shared += in.SharedUM
			}
			if rings != w.rings || len(within) != len(w.within) || shared != w.shared {
				t.Errorf("%s: %v mm² in rings, within %v, shared %d", name, rings, within, shared)
				continue
			}
			for k := range within {
				if within[k] != w.within[k] {
					t.Errorf("%s: within %v", name, within)
				}
			}
		}
	}
}
