package serial

import (
	"errors"
	"fmt"
	"math"
	"testing"
	"time"

	"kerfgate/plan/geom"
	"kerfgate/worker/driver"
	"kerfgate/worker/driver/drivertest/emulator"
)

// joined is a stroke as the planner tells it to a tool that is switched in motion: a run-in with the tool off, an L
// of 80 and 50 mm in lines of a quarter of a second at most, and the way on.
var joined = []string{"G21", "G90", "M5", "G0 X10 Y10", "M3 S0", "G1 X20 Y10 F3000",
	"G1 X30 Y10 F3000 S1000", "G1 X40 Y10 F3000", "G1 X50 Y10 F3000", "G1 X60 Y10 F3000", "G1 X70 Y10 F3000", "G1 X80 Y10 F3000", "G1 X90 Y10 F3000", "G1 X100 Y10 F3000",
	"G1 X100 Y20 F3000", "G1 X100 Y30 F3000", "G1 X100 Y40 F3000", "G1 X100 Y50 F3000", "G1 X100 Y60 F3000", "G1 X100 Y65 F3000 S0", "M5", "G0 X10 Y70", "M2"}

// cell is the width over which a dose is told: that of the carriage's spot, nearly.
const cell = 0.2

// doses are the tool's seconds over each cell along the L.
func doses(t *testing.T, carry *emulator.Carriage) (cells [650]float64, sum float64) {
	t.Helper()
	for _, d := range carry.Doses() {
		s := d.X - 20
		if math.Abs(d.Y-10) > 0.01 {
			s = 80 + d.Y - 10
		}
		i := int(math.Floor(s / cell))
		if i < 0 || i >= len(cells) || math.Abs(d.Y-10) > 0.01 && math.Abs(d.X-100) > 0.01 {
			t.Fatalf("burned off the path, at %.3f %.3f", d.X, d.Y)
		}
		cells[i] += d.S
		sum += d.S
	}
	return cells, sum
}

// rejoining is a carriage with inertia that tells, or does not, where its tool went off.
func rejoining(t *testing.T, tells bool) *hung {
	t.Helper()
	h := hang(t, emulator.Config{Says: true, AccelMMS2: 1000, TellsOff: tells})
	p := &h.profile
	p.Tools[0].Switch.InMotion = true
	p.Driver.OwedBytes = 256
	p.Driver.Dialect.Stopped, p.Driver.Dialect.AnswerWithinMS = `^enough it is$`, 1000
	if tells {
		p.Driver.Dialect.Here = `^at (?P<x>-?\d+\.\d{3}) (?P<y>-?\d+\.\d{3}) (?P<done_ms>\d+)( dark (?P<off_x>-?\d+\.\d{3}) (?P<off_y>-?\d+\.\d{3}))?( |$)`
	}
	return h
}

// TestRejoin: a run that is held anywhere along an L goes on after a run-in from where the tool went off: the dose of
// each spot's width is that of the plain run within 20 % of an even stretch's, at the corner too, and that of the whole
// within half a per cent. A machine that does not tell where that was goes on from rest and shows it: that is how far
// this can be seen to fail. The carriage's inertia is the emulator's own.
func TestRejoin(t *testing.T) {
	if testing.Short() {
		t.Skip("takes seconds of real time")
	}
	t.Parallel()
	run := func(t *testing.T, tells bool, heldAt float64) (cells [650]float64, sum float64) {
		h := rejoining(t, tells)
		d := ready(t, h)
		ended := sending(t, d)
		if heldAt > 0 {
			waitFor(t, "the place of the hold", func() bool {
				all := h.carry.Doses()
				return len(all) > 0 && along(all[len(all)-1]) >= heldAt
			})
			if err := d.Hold(); err != nil {
				t.Fatal(err)
			}
			time.Sleep(150 * time.Millisecond)
			if err := d.GoOn(); err != nil {
				t.Fatal(err)
			}
		}
		if err := <-ended; err != nil {
			t.Fatal(err)
		}
		if s, err := d.Where(); err != nil || s.ToolOn {
			t.Errorf("in the end: %+v, %v", s, err)
		}
		return doses(t, h.carry)
	}
	plain, whole := run(t, true, 0)
	even := cell / 50 // seconds at 50 mm/s
	for _, at := range []float64{0.3, 12, 31, 50.1, 79.3, 79.8, 80.2, 84, 118, 129.5} {
		t.Run("", func(t *testing.T) {
			t.Parallel()
			held, sum := run(t, true, at)
			worst, where := 0.0, 0
			for i := range held {
				if off := math.Abs(held[i]-plain[i]) / even; off > worst {
					worst, where = off, i
				}
			}
			t.Logf("held at %.1f mm: worst %.1f %% at %.1f mm, whole %.2f %%", at, worst*100, float64(where)*cell, (sum/whole-1)*100)
			if worst > 0.20 || math.Abs(sum/whole-1) > 0.005 {
				t.Errorf("held at %.1f mm: a spot %.1f mm along took %.0f %% more or less than in the plain run, the whole %.2f %%", at, float64(where)*cell, worst*100, (sum/whole-1)*100)
			}
		})
	}
	t.Run("place lost", func(t *testing.T) {
		t.Parallel()
		h := rejoining(t, true)
		d := ready(t, h)
		ended := sending(t, d)
		waitFor(t, "the place of the hold", func() bool { all := h.carry.Doses(); return len(all) > 0 && along(all[len(all)-1]) >= 33 })
		if err := d.Hold(); err != nil {
			t.Fatal(err)
		}
		waitFor(t, "rest, seen by the driver", func() bool { s, err := d.Where(); return err == nil && !s.ToolOn && !s.Moving })
		time.Sleep(100 * time.Millisecond)
		h.carry.Shove(17, -3)
		if s, err := d.Where(); err != nil || s.Homed {
			t.Fatalf("shoved: %+v, %v", s, err)
		}
		if err := d.HomeAgain(t.Context()); err != nil {
			t.Fatal(err)
		}
		before := len(h.carry.Doses())
		time.Sleep(200 * time.Millisecond)
		if s, err := d.Where(); err != nil || !s.Homed || s.ToolOn || s.Position != (geom.Point{}) || len(h.carry.Doses()) != before {
			t.Fatalf("homed again, and nobody has looked: %+v, %v", s, err)
		}
		if err := d.GoOn(); err != nil {
			t.Fatal(err)
		}
		if err := <-ended; err != nil {
			t.Fatal(err)
		}
		held, sum := doses(t, h.carry)
		for i := range held {
			if off := math.Abs(held[i]-plain[i]) / even; off > 0.2 {
				t.Errorf("%.1f mm along: %.0f %% more or less than in the plain run", float64(i)*cell, off*100)
			}
		}
		if math.Abs(sum/whole-1) > 0.005 {
			t.Errorf("in all %.4f of the plain run", sum/whole)
		}
	})
	t.Run("not told", func(t *testing.T) {
		t.Parallel()
		held, _ := run(t, false, 40)
		gaps := 0
		for i := range held {
			if held[i] < plain[i]/2 {
				gaps++
			}
		}
		if gaps == 0 {
			t.Error("a machine that goes on by itself, from where it came to rest, leaves no gap: the test sees nothing")
		}
	})
}

// sending sends the L and says how that ended.
func sending(t *testing.T, d driver.Driver) <-chan error {
	ended := make(chan error, 1)
	go func() {
		for _, line := range joined {
			if err := d.Send(t.Context(), line); err != nil {
				ended <- err
				return
			}
		}
		ended <- d.Drain(t.Context())
	}()
	return ended
}

func along(d emulator.Dose) float64 {
	if math.Abs(d.Y-10) > 0.01 {
		return 80 + d.Y - 10
	}
	return d.X - 20
}

// I4, I5: a stop, a second hold or a lost leave while the machine is told its lines anew ends that: the tool does not
// come on, and whoever waits for a line hears why.
func TestRejoin_Interrupted(t *testing.T) {
	if testing.Short() {
		t.Skip("takes seconds of real time")
	}
	t.Parallel()
	for name, end := range map[string]func(driver.Driver) error{
		"stop": func(d driver.Driver) error { return d.Stop() }, "hold": func(d driver.Driver) error { return d.Hold() },
		"disarm": func(d driver.Driver) error { d.Disarm(); return nil },
	} {
		for _, after := range []time.Duration{5 * time.Millisecond, 20 * time.Millisecond, 60 * time.Millisecond, 100 * time.Millisecond} {
			t.Run(fmt.Sprint(name, " after ", after), func(t *testing.T) {
				t.Parallel()
				h := rejoining(t, true)
				d := working(t, h)
				ended := make(chan error, 1)
				go func() { ended <- d.Drain(t.Context()) }()
				time.Sleep(200 * time.Millisecond)
				if err := d.Hold(); err != nil {
					t.Fatal(err)
				}
				waitFor(t, "the tool is off", func() bool { return !h.carry.Energy() })
				went := make(chan error, 1)
				go func() { went <- d.GoOn() }()
				time.Sleep(after)
				if err := end(d); err != nil {
					t.Fatal(err)
				}
				err := <-went
				if errors.Is(err, driver.ErrRefused) && name != "hold" {
					t.Errorf("a run whose lines are forgotten is said to be only refused: %v", err)
				}
				time.Sleep(300 * time.Millisecond)
				for range 50 {
					if h.carry.Energy() {
						t.Fatalf("the tool is on after %s; going on ended with %v", name, err)
					}
					time.Sleep(2 * time.Millisecond)
				}
				if err := d.Stop(); err != nil {
					t.Error(err)
				}
				if err := <-ended; !errors.Is(err, driver.ErrStopped) {
					t.Errorf("Drain ended with %v", err)
				}
			})
		}
	}
}
