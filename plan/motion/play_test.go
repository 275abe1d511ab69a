package motion

import (
	"testing"

	"kerfgate/plan/geom"
	"pgregory.net/rapid"
)

// TestBacklashWords: the first stroke is approached from below on both axes; an axis that turns round
// is taken up where it turns, by its own backlash; one that moves down lies that much lower.
func TestBacklashWords(t *testing.T) {
	t.Parallel()
	j := Job{Limits: square, BacklashXUM: 300, BacklashYUM: 200, WorkUMPerS: 50_000,
		Strokes: []Stroke{{Points: []geom.Point{{}, geom.Pt(5_000, 0), geom.Pt(5_000, 5_000), geom.Pt(0, 5_000), geom.Pt(0, 0)},
			SpeedUMPerS: 50_000, PowerPermille: 1000}}}
	want := "G21|G90|M5|G0 X-0.600 Y-0.400|G0 X0.000 Y0.000|M3 S1000|G1 X5.000 Y0.000 F3000.000|G1 X5.000 Y5.000 F3000.000|" +
		"G1 X4.700 Y5.000 F3000.000|G1 X-0.300 Y5.000 F3000.000|G1 X-0.300 Y4.800 F3000.000|G1 X-0.300 Y-0.200 F3000.000|M5|M5|M2"
	if got := texts(j); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	total := j.Total()
	if total.WorkUM != 20_000 || total.Reach != (geom.Box{Min: geom.Pt(-600, -400), Max: geom.Pt(5_000, 5_000)}) {
		t.Errorf("totals %+v", total)
	}
	// Switched in motion the beam is off while the carriage stands.
	j.InMotion = true
	want = "G21|G90|M5|G0 X-0.600 Y-0.400|G0 X0.000 Y0.000|M3 S1000|G1 X5.000 Y0.000 F3000.000|G1 X5.000 Y5.000 F3000.000|" +
		"G1 X4.700 Y5.000 F3000.000 S0|G1 X-0.300 Y5.000 F3000.000 S1000|G1 X-0.300 Y4.800 F3000.000 S0|G1 X-0.300 Y-0.200 F3000.000 S1000|M5|M5|M2"
	if got := texts(j); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}

// TestPlayFollowed carries the commanded positions of any job to a mechanism that lags (own): the
// carriage goes exactly through the strokes' points.
func TestPlayFollowed(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		j := switching(rt)
		j.StepUM, j.Origin = 1, geom.Point{}
		lag := func(was, cmd, most int64) int64 { return min(max(was, cmd), cmd+most) }
		var at geom.Point
		ready := rapid.Bool().Draw(rt, "flank")
		if ready { // unknown to the job
			at = geom.Pt(j.BacklashXUM, j.BacklashYUM)
		}
		j.events(func(e event) bool {
			if e.course == nil || e.kind == switchedOn {
				return true
			}
			for i := range e.course.moves {
				m := &e.course.moves[i]
				at = geom.Pt(lag(at.X, m.to.X, j.BacklashXUM), lag(at.Y, m.to.Y, j.BacklashYUM))
				if e.kind == working && at != m.to.Sub(m.shift) {
					rt.Fatalf("stroke %d: the carriage is at %v, should be at %v", e.stroke, at, m.to.Sub(m.shift))
				}
			}
			return true
		})
	})
}

// TestSnapNeverAddsUp: 10⁶ moves of 0.01 mm end within half a step of where they should (own
// property; rounding is from the absolute target).
func TestSnapNeverAddsUp(t *testing.T) {
	t.Parallel()
	for _, step := range []int64{1, 3, 7, 12, 25, 50, 100} {
		at, worst := int64(0), int64(0)
		for range 1_000_000 {
			at += 10
			d := snapped(at, step) - at
			worst = max(worst, d, -d)
		}
		if 2*worst > step {
			t.Errorf("step %d µm: up to %d µm off", step, worst)
		}
		if snapped(-at, step) > -at+step/2 || snapped(-at, step) < -at-(step+1)/2 {
			t.Errorf("step %d µm: %d becomes %d", step, -at, snapped(-at, step))
		}
	}
	j := Job{Limits: square, StepUM: 50, Origin: geom.Pt(13, 27), Strokes: []Stroke{
		{Points: []geom.Point{geom.Pt(24, 0), geom.Pt(10_020, 20)}, SpeedUMPerS: 10_000, PowerPermille: 1}}}
	if got := j.Total().SnapUM; got != 29 {
		t.Errorf("worst point moved by %d µm, want 29 (20 along each axis)", got)
	}
	if got, want := texts(j), "G21|G90|M5|M3 S1|"; got[:len(want)] != want {
		t.Errorf("got %s", got)
	}
}
