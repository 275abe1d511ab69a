package drawing

import (
	"math"
	"testing"
)

func TestSinCosDeg(t *testing.T) {
	t.Parallel()
	for deg := -720.0; deg <= 720; deg += 0.37 {
		s, c := SinCosDeg(deg)
		near(t, "sin", s, math.Sin(deg*math.Pi/180), 2e-14)
		near(t, "cos", c, math.Cos(deg*math.Pi/180), 2e-14)
	}
	for deg, want := range map[float64][2]float64{0: {0, 1}, 90: {1, 0}, 180: {0, -1}, 270: {-1, 0}, -90: {-1, 0}, 360: {0, 1}} {
		if s, c := SinCosDeg(deg); s != want[0] || c != want[1] {
			t.Errorf("%v°: got %v, %v", deg, s, c)
		}
	}
}
