package material

import "testing"

// TestN7_LineDose: 10 W at 100 mm/s give 0.100 J/mm, 40 W at 300 mm/s 0.1333 J/mm (own arithmetic, by the formula
// P/v of two calculator pages); power and passes count.
func TestN7_LineDose(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		powerMW, speed, permille, passes, want int64
	}{
		{10_000, 100_000, 1000, 1, 100_000}, {40_000, 300_000, 1000, 1, 133_333}, {40_000, 300_000, 500, 3, 200_000}, {0, 30_000, 1000, 1, 0}, {5_000, 0, 1000, 1, 0},
	} {
		if got := (Setting{SpeedUMPerS: c.speed, PowerPermille: c.permille, Passes: c.passes}).LineDose(c.powerMW); got != c.want {
			t.Errorf("%+v: %d µJ/mm", c, got)
		}
	}
}
