package serial

import (
	"bytes"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"kerfgate/plan/machine"
	"kerfgate/worker/driver"
	"kerfgate/worker/driver/drivertest/emulator"
	"kerfgate/worker/driver/drivertest/pty"
)

// working opens a driver on a carriage and lets it burn a long line.
func working(t *testing.T, h *hung) driver.Driver {
	t.Helper()
	d := ready(t, h)
	for _, line := range []string{"G21", "G90", "G0 X10 Y10", "M3 S1000", "G1 X190 Y10 F600"} {
		if err := d.Send(t.Context(), line); err != nil {
			t.Fatalf("%s: %v", line, err)
		}
	}
	waitFor(t, "the tool is on", h.carry.Energy)
	return d
}

// ready opens, homes and arms a driver.
func ready(t *testing.T, h *hung) driver.Driver {
	t.Helper()
	d := h.driver()
	t.Cleanup(func() { d.Close() })
	if err := d.Open(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := d.Home(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := d.Arm([16]byte{1}); err != nil {
		t.Fatal(err)
	}
	return d
}

func waitFor(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for limit := time.Now().Add(5 * time.Second); !ok(); time.Sleep(2 * time.Millisecond) {
		if time.Now().After(limit) {
			t.Fatalf("never: %s", what)
		}
	}
}

// event waits for an event of a kind and gives its words.
func event(t *testing.T, d driver.Driver, kind string) string {
	t.Helper()
	timeout := time.After(5 * time.Second)
	for {
		select {
		case e := <-d.Events():
			if e.Kind == kind {
				return e.Text
			}
		case <-timeout:
			t.Fatalf("%s was never told", kind)
		}
	}
}

// TestUnplugged: the cable is pulled while the beam is on. The driver tells it at once, the machine's own
// watchdog takes the beam away, and after replugging Reset finds a machine without place or leave.
func TestUnplugged(t *testing.T) {
	h := hang(t, emulator.Config{Watchdog: 300 * time.Millisecond})
	d := working(t, h)
	drained := make(chan error, 1)
	go func() { drained <- d.Drain(t.Context()) }()
	begun := time.Now()
	h.unplug()
	event(t, d, driver.EventLost)
	if took := time.Since(begun); took > 300*time.Millisecond {
		t.Errorf("told after %v", took)
	}
	if err := <-drained; !errors.Is(err, driver.ErrLost) {
		t.Errorf("Drain ended with %v", err)
	}
	waitFor(t, "the watchdog takes the beam", func() bool { return !h.carry.Energy() })
	if took := time.Since(begun); took > 500*time.Millisecond {
		t.Errorf("beam off after %v", took)
	}
	if err := d.Stop(); err == nil {
		t.Error("a stop that went nowhere counts as sent")
	}
	if err := d.Reset(t.Context()); !errors.Is(err, ErrMissing) {
		t.Errorf("Reset without a cable: %v", err)
	}
	h.plug()
	if err := d.Reset(t.Context()); err != nil {
		t.Fatal(err)
	}
	if s, err := d.Where(); err != nil || s.Homed || s.ToolOn || s.Moving {
		t.Errorf("after replugging: %+v, %v", s, err)
	}
	if err := d.Send(t.Context(), "M3 S1000"); !errors.Is(err, driver.ErrNotArmed) {
		t.Errorf("the leave outlived the cable: %v", err)
	}
	if err := d.Home(t.Context()); err != nil {
		t.Error(err)
	}
}

// TestLostBytes: whichever byte of a line is lost, or of its answer, the driver never goes on as if the line
// had been taken, and the tool ends off. Without the machine's count and sum a lost digit would be
// another place.
func TestLostBytes(t *testing.T) {
	line := "G1 X123.456 Y50.000 F6000"
	for _, way := range []string{"line", "answer"} {
		for at := 0; at <= len(line); at += 4 {
			t.Run(fmt.Sprintf("%s, byte %d", way, at), func(t *testing.T) {
				h := hang(t, emulator.Config{Pace: 4})
				d := ready(t, h)
				var done atomic.Bool
				lose := func(mark string) func([]byte) []byte {
					return func(b []byte) []byte {
						if i := bytes.Index(b, []byte(mark)); i >= 0 && i+at < len(b) && done.CompareAndSwap(false, true) {
							return append(b[:i+at:i+at], b[i+at+1:]...)
						}
						return b
					}
				}
				for _, l := range []string{"G21", "G90", "G0 X10 Y10", "M3 S1000"} {
					if err := d.Send(t.Context(), l); err != nil {
						t.Fatal(err)
					}
				}
				if way == "line" {
					h.bad(lose("G1 X123"), nil)
				} else {
					h.bad(nil, lose("have 25"))
				}
				err := d.Send(t.Context(), line)
				if !done.Load() {
					t.Skip("the answer has no such byte")
				}
				switch {
				case err == nil && way == "line":
					t.Errorf("a line without its byte %d counts as taken", at)
				case err != nil && !errors.Is(err, driver.ErrLost) && !errors.Is(err, driver.ErrRefused):
					t.Errorf("ended with %v", err)
				}
				if err != nil {
					_ = d.Stop() // what a worker does
					waitFor(t, "the tool is off", func() bool { return !h.carry.Energy() })
				}
			})
		}
	}
}

// TestSlowCable: answers that come late, within what the profile allows, change nothing.
func TestSlowCable(t *testing.T) {
	h := hang(t, emulator.Config{Pace: 4})
	h.profile.Driver.Dialect.AnswerWithinMS, h.profile.Driver.Dialect.Stopped = 200, ""
	h.mu.Lock()
	h.wait = 15 * time.Millisecond
	h.mu.Unlock()
	d := ready(t, h)
	for i := range 10 {
		if err := d.Send(t.Context(), fmt.Sprintf("G0 X%d Y10", 10+i)); err != nil {
			t.Fatal(err)
		}
	}
	if err := d.Drain(t.Context()); err != nil {
		t.Fatal(err)
	}
	if s, err := d.Where(); err != nil || s.Position.X != 19_000 {
		t.Errorf("%+v, %v", s, err)
	}
}

// TestTooSlowCable: answers later than that are contact lost.
func TestTooSlowCable(t *testing.T) {
	h := hang(t, emulator.Config{})
	d := working(t, h)
	h.mu.Lock()
	h.wait = 400 * time.Millisecond
	h.mu.Unlock()
	event(t, d, driver.EventLost)
	if err := d.Stop(); err != nil {
		t.Error(err)
	}
	waitFor(t, "the tool is off", func() bool { return !h.carry.Energy() })
}

// TestGarbage: bytes that nobody sent, between the answers, are passed over while they are few; many are
// a fault that ends with the tool off.
func TestGarbage(t *testing.T) {
	h := hang(t, emulator.Config{Pace: 4})
	noise := rand.New(rand.NewPCG(1, 2))
	h.bad(nil, func(b []byte) []byte {
		if noise.IntN(3) > 0 {
			return b
		}
		junk := make([]byte, 1+noise.IntN(12))
		for i := range junk {
			junk[i] = byte(noise.IntN(256))
		}
		return append(append(junk, '\n'), b...)
	})
	d := ready(t, h)
	for i := range 20 {
		if err := d.Send(t.Context(), fmt.Sprintf("G0 X%d Y10", 10+i)); err != nil {
			t.Fatal(err)
		}
	}
	h.bad(nil, func(b []byte) []byte { return append(bytes.Repeat([]byte("# "), 3000), b...) })
	if why := event(t, d, driver.EventLost); !strings.Contains(why, "does not know") {
		t.Errorf("told as %q", why)
	}
}

// TestMuteMachine: one that burns on and says nothing is stopped by the worker, and cut off when it stays
// silent; the stop has reached it all the same.
func TestMuteMachine(t *testing.T) {
	h := hang(t, emulator.Config{})
	d := working(t, h)
	h.carry.Mute(true)
	begun := time.Now()
	event(t, d, driver.EventLost)
	if took := time.Since(begun); took > 400*time.Millisecond {
		t.Errorf("told after %v", took)
	}
	if err := d.Stop(); err != nil {
		t.Error(err)
	}
	waitFor(t, "the tool is off", func() bool { return !h.carry.Energy() })
	waitFor(t, "the port is let go", func() bool { return Probe(*h.profile.Driver.Port) == nil })
	if _, err := d.Where(); !errors.Is(err, driver.ErrLost) {
		t.Errorf("Where says %v", err)
	}
}

// TestRestart: a machine whose supply failed for a moment says good morning and knows nothing; that is
// contact lost, not an answer.
func TestRestart(t *testing.T) {
	h := hang(t, emulator.Config{})
	d := working(t, h)
	h.carry.Restart()
	if why := event(t, d, driver.EventLost); !strings.Contains(why, "anew") {
		t.Errorf("told as %q", why)
	}
	if err := d.Send(t.Context(), "G0 X1 Y1"); !errors.Is(err, driver.ErrLost) {
		t.Errorf("Send says %v", err)
	}
}

// TestTroubles: alarm, lid and flow come as events; an alarm refuses lines until Reset, an open lid
// refuses to go on.
func TestTroubles(t *testing.T) {
	h := hang(t, emulator.Config{})
	d := working(t, h)
	h.carry.Say("stuffy")
	event(t, d, driver.EventFlow)
	h.carry.Lid(true)
	event(t, d, driver.EventLid)
	waitFor(t, "the lid is seen open", func() bool { return errors.Is(d.GoOn(), driver.ErrRefused) })
	h.carry.Lid(false)
	waitFor(t, "it goes on", func() bool { return d.GoOn() == nil && h.carry.Energy() })
	h.carry.Fail("drive hot")
	if text := event(t, d, driver.EventAlarm); !strings.Contains(text, "drive hot") {
		t.Errorf("told as %q", text)
	}
	if err := d.Send(t.Context(), "G0 X1 Y1"); !errors.Is(err, driver.ErrRefused) || !strings.Contains(err.Error(), "drive hot") {
		t.Errorf("Send says %v", err)
	}
	if err := d.Reset(t.Context()); err != nil {
		t.Fatal(err)
	}
	if s, err := d.Where(); err != nil || s.Homed {
		t.Errorf("after the alarm: %+v, %v", s, err)
	}
}

// TestPortIsHeld: two drivers never share a port, though the system would let them.
func TestPortIsHeld(t *testing.T) {
	h := hang(t, emulator.Config{})
	first := h.driver()
	t.Cleanup(func() { first.Close() })
	if err := first.Open(t.Context()); err != nil {
		t.Fatal(err)
	}
	second := h.driver()
	defer second.Close()
	if err := second.Open(t.Context()); !errors.Is(err, ErrHeld) {
		t.Errorf("a second driver: %v", err)
	}
	if err := Probe(*h.profile.Driver.Port); !errors.Is(err, ErrHeld) {
		t.Errorf("Probe: %v", err)
	}
	if _, err := first.Where(); err != nil {
		t.Errorf("the first one was disturbed: %v", err)
	}
}

// TestFoundAtWork: a machine that is found moving when a driver comes is stopped first.
func TestFoundAtWork(t *testing.T) {
	h := hang(t, emulator.Config{})
	h.carry.Feed([]byte("G28\nG0 X10 Y10\n" + string([]byte{0xA7}) + "M3 S1000\nG1 X190 Y10 F600\n"))
	waitFor(t, "the tool is on", h.carry.Energy)
	h.profile.Driver.Dialect.WakesWithinMS = 0
	d := h.driver()
	defer d.Close()
	if err := d.Open(t.Context()); err != nil {
		t.Fatal(err)
	}
	if h.carry.Energy() {
		t.Error("the tool is still on")
	}
}

// TestCloseStops: a driver that is closed at work takes the tool off first.
func TestCloseStops(t *testing.T) {
	h := hang(t, emulator.Config{})
	d := working(t, h)
	if err := d.Close(); err != nil {
		t.Error(err)
	}
	waitFor(t, "the tool is off", func() bool { return !h.carry.Energy() })
}

// TestPorts: what is wrong with a port is said with what to do about it.
func TestPorts(t *testing.T) {
	file := t.TempDir() + "/file"
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for path, want := range map[string]error{t.TempDir() + "/nothing": ErrMissing, file: ErrNoPort} {
		if err := Probe(machine.Port{Path: path}); !errors.Is(err, want) {
			t.Errorf("%s: %v, want %v", path, err, want)
		}
	}
	master, path, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer master.Close()
	if err := Probe(machine.Port{Path: path}); err != nil {
		t.Error(err)
	}
}
