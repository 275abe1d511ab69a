package machine

import (
	"math"
	"testing"
)

// TestDrives: worked examples. N6.1 an article on toothed belts; N6.2 a forum thread, "Steps per mm for
// belt-driven leadscrews", 2016; N6.3 a note on turning axes (printed 17.77); N6.4 a blog on trapezoidal
// stepping, 2022; N6.5 a rack's data page; N6.6 own.
func TestDrives(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name              string
		got, want, within float64
	}{
		{"N6.1 counts a mm", Drive{200, 2, 1, BeltTravel(2, 20)}.CountsPerMM(), 10, 1e-12},
		{"N6.1 step in µm", float64(Drive{200, 2, 1, BeltTravel(2, 20)}.StepUM()), 100, 0},
		{"N6.2 travel of a motor turn", 8 / (20.0 / 32), 12.8, 1e-12},
		{"N6.2 counts a mm", Drive{200, 16, 20.0 / 32, 8}.CountsPerMM(), 250, 1e-9},
		{"N6.3 counts a degree", Drive{200, 16, 2, 360}.CountsPerMM(), 17.778, 0.0005},
		{"N6.4 step in mm", 1 / Drive{400, 1, 1, 8}.CountsPerMM(), 0.02, 1e-12},
		{"N6.4 step in µm", float64(Drive{400, 1, 1, 8}.StepUM()), 20, 0},
		{"N6.5 travel of a turn", RackTravel(2, 20), 125.66, 0.005},
		{"N6.6 5:1", Drive{200, 1, 5, WheelTravel(30)}.DegreesPerMM(), 19.0986, 0.00005},
		{"N6.6 1:1", Drive{200, 1, 1, WheelTravel(40)}.DegreesPerMM(), 2.8648, 0.00005},
	} {
		if math.Abs(c.got-c.want) > c.within {
			t.Errorf("%s: got %v, want %v", c.name, c.got, c.want)
		}
	}
}

// TestCountNeverAddsUp: 10⁶ moves of 0.01 mm end within half a count of where they should, for
// drives whose counts do not divide a move (own property).
func TestCountNeverAddsUp(t *testing.T) {
	t.Parallel()
	for _, d := range []Drive{{200, 16, 20.0 / 32, 8}, {200, 1, 5, WheelTravel(30)}, {200, 8, 1, BeltTravel(2.032, 17)}} {
		at, worst := int64(0), 0.0
		for range 1_000_000 {
			at += 10
			worst = max(worst, math.Abs(float64(d.Count(at))-float64(at)/1000*d.CountsPerMM()))
		}
		if worst > 0.5+1e-6 {
			t.Errorf("%+v: up to %v counts off", d, worst)
		}
	}
}
