package engrave_test

import (
	"math"
	"testing"

	"kerfgate/plan/engrave"
)

// TestN7: N7.2, N7.3 and N7.5 (arithmetic of our own: no publication prints these numbers).
func TestN7(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name      string
		got       func() (float64, error)
		want, off float64
	}{
		{"N7.2 line", func() (float64, error) { return engrave.LineDose(10, 100) }, 0.100, 1e-12},
		{"N7.2 area", func() (float64, error) { return engrave.AreaDose(10, 100, 0.1) }, 1.00, 1e-12},
		{"N7.3 line", func() (float64, error) { return engrave.LineDose(40, 300) }, 0.1333, 5e-5},
		{"N7.3 area", func() (float64, error) { return engrave.AreaDose(40, 300, 0.1) }, 1.333, 5e-4},
		{"N7.5 pitch", func() (float64, error) { return engrave.PitchMM(254) }, 0.100, 1e-12},
		{"overlap of half a spot", func() (float64, error) { return engrave.Overlap(0.1, 0.2) }, 0.5, 1e-12},
		{"a gap", func() (float64, error) { return engrave.Overlap(0.3, 0.2) }, -0.5, 1e-12},
	} {
		got, err := tc.got()
		if err != nil || math.Abs(got-tc.want) > tc.off {
			t.Errorf("%s: %v, %v; want %v", tc.name, got, err, tc.want)
		}
	}
	for _, bad := range []float64{0, -1, math.NaN(), math.Inf(1)} {
		if _, err := engrave.AreaDose(10, bad, 0.1); err == nil {
			t.Errorf("a dose at %v mm/s", bad)
		}
		if _, err := engrave.Overlap(0.1, bad); err == nil {
			t.Errorf("an overlap with a spot of %v", bad)
		}
	}
}
