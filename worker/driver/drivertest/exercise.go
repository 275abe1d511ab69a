// Package drivertest is the suite that every driver has to pass, whatever machine it talks to.
package drivertest

import (
	"context"
	"errors"
	"fmt"
	"math"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"

	"kerfgate/plan/geom"
	"kerfgate/worker/driver"
)

// Suite says how to make a machine for each test. It must reach 100 × 60 mm from its low corner,
// know G0, G1, M3, M5, M2, and take work at 2400 mm/min.
type Suite struct {
	// New makes a driver that is not open on a machine that is not homed.
	New func(t testing.TB) driver.Driver
	// Low is the low corner of the travel.
	Low geom.Point
	// BadLine is one that the machine refuses; empty means one with a word that none has.
	BadLine string
	// Real says that the machine lives in other processes: tests then run in real time, otherwise
	// inside a bubble with a clock of its own.
	Real bool
	// DisarmStops says that the machine has no lock: Disarm can take the tool away only by a stop.
	DisarmStops bool
}

// StopWithin is how soon a blocked Send must return after Stop.
const StopWithin = 250 * time.Millisecond

// Exercise runs the suite. Machines in the same process are run inside testing/synctest, which also
// fails a test that leaves a goroutine behind; for others goleak looks.
func Exercise(t *testing.T, s Suite) {
	t.Helper()
	if s.BadLine == "" {
		s.BadLine = "Q7 X1"
	}
	checks := []struct {
		name string
		run  func(*bench)
	}{
		{"lines are carried out in order", inOrder},
		{"a refused line changes nothing", refused},
		{"no tool without Arm", notArmed},
		{"Disarm in the middle", disarmed},
		{"no work before the axes have their place", notHomed},
		{"Stop while Send is blocked", stopBlocked},
		{"Stop again and before anything", stopAgain},
		{"Reset after Stop needs a new Arm", resetAfterStop},
		{"Hold and GoOn keep the path", holdKeepsPath},
		{"Stop while held", stopHeld},
		{"Drain waits for the motion", drains},
		{"Drain ends with its context", drainContext},
		{"Close frees whoever waits", closes},
	}
	for _, c := range checks {
		t.Run(c.name, func(t *testing.T) {
			if s.Real {
				before := goleak.IgnoreCurrent()
				t.Cleanup(func() { goleak.VerifyNone(t, before) }) // after Close, which is registered later
				c.run(&bench{T: t, Suite: s})
				return
			}
			t.Parallel()
			synctest.Test(t, func(t *testing.T) { c.run(&bench{T: t, Suite: s}) })
		})
	}
}

// bench is one test with its driver.
type bench struct {
	*testing.T
	Suite
	d driver.Driver
}

var theRun = [16]byte{15: 7}

// ready opens and homes a machine and arms it for a run.
func (b *bench) ready() driver.Driver {
	b.Helper()
	d := b.placed()
	if err := d.Arm(theRun); err != nil {
		b.Fatalf("arm: %v", err)
	}
	return d
}

// placed opens and homes a machine.
func (b *bench) placed() driver.Driver {
	b.Helper()
	d := b.open()
	if err := d.Home(b.Context()); err != nil {
		b.Fatalf("home: %v", err)
	}
	return d
}

func (b *bench) open() driver.Driver {
	b.Helper()
	b.d = b.New(b.T)
	b.Cleanup(func() { b.d.Close() })
	if err := b.d.Open(b.Context()); err != nil {
		b.Fatalf("open: %v", err)
	}
	return b.d
}

// send hands over lines that must be taken.
func (b *bench) send(lines ...string) {
	b.Helper()
	for _, line := range lines {
		if err := b.d.Send(b.Context(), line); err != nil {
			b.Fatalf("%s: %v", line, err)
		}
	}
}

func (b *bench) drain() {
	b.Helper()
	if err := b.d.Drain(b.Context()); err != nil {
		b.Fatalf("drain: %v", err)
	}
}

func (b *bench) where() driver.Status {
	b.Helper()
	s, err := b.d.Where()
	if err != nil {
		b.Fatalf("where: %v", err)
	}
	return s
}

// at is a place on the bed, in millimetres from the low corner, as words.
func (b *bench) at(x, y float64) string {
	return fmt.Sprintf("X%.3f Y%.3f", x+float64(b.Low.X)/1000, y+float64(b.Low.Y)/1000)
}

func (b *bench) mustBeAt(x, y float64) {
	b.Helper()
	got := b.where().Position.Sub(b.Low)
	if off := math.Hypot(float64(got.X)-x*1000, float64(got.Y)-y*1000); off > 10 {
		b.Errorf("the carriage stands at %d, %d µm, %.0f µm from %g, %g mm", got.X, got.Y, off, x, y)
	}
}

// zigzag is work that lasts about n quarters of a second at 40 mm/s.
func (b *bench) zigzag(n int) []string {
	lines := []string{"G21 G90", "G0 " + b.at(10, 10), "M3 S1000"}
	for i := range n {
		x := 20.0
		if i%4 > 1 {
			x = 10
		}
		lines = append(lines, fmt.Sprintf("G1 %s F2400", b.at(x, 10+5*float64((i+1)/2%8))))
	}
	return lines
}

// pump sends work for ever from a goroutine of its own; the channel gets the error that ended it.
func (b *bench) pump(ctx context.Context) <-chan error {
	ended := make(chan error, 1)
	lines := b.zigzag(32)
	go func() {
		for i := 0; ; i++ {
			if i == len(lines) {
				i = 3
			}
			if err := b.d.Send(ctx, lines[i]); err != nil {
				ended <- err
				return
			}
		}
	}()
	return ended
}

// attend drains from a goroutine of its own: a machine may take the tool's energy away from a host
// that neither sends nor waits.
func (b *bench) attend() <-chan error {
	ended := make(chan error, 1)
	go func() { ended <- b.d.Drain(b.Context()) }()
	return ended
}

// until looks every 5 ms whether something has come true, for at most a minute.
func (b *bench) until(what string, ok func() bool) {
	b.Helper()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	limit := time.NewTimer(time.Minute)
	defer limit.Stop()
	for !ok() {
		select {
		case <-tick.C:
		case <-limit.C:
			b.Fatalf("never: %s", what)
		}
	}
}

// end is the error on the channel, which must come soon.
func (b *bench) end(ended <-chan error, within time.Duration) error {
	b.Helper()
	timer := time.NewTimer(within)
	defer timer.Stop()
	select {
	case err := <-ended:
		return err
	case <-timer.C:
		b.Fatalf("still blocked after %v", within)
		return nil
	}
}

func (b *bench) mustBe(err, want error) {
	b.Helper()
	if !errors.Is(err, want) {
		b.Fatalf("error is %v, want %v", err, want)
	}
}
