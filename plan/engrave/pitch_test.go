package engrave_test

import (
	"math"
	"testing"

	"kerfgate/plan/engrave"
)

// TestN7: N7.5 (N7.2 and N7.3 stand with the doses, in package dose; arithmetic of our own: no publication prints these numbers).
func TestN7(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name      string
		got       func() (float64, error)
		want, off float64
	}{
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
		if _, err := engrave.PitchMM(bad); err == nil {
			t.Errorf("a pitch of %v lines per inch", bad)
		}
		if _, err := engrave.Overlap(0.1, bad); err == nil {
			t.Errorf("an overlap with a spot of %v", bad)
		}
	}
}
