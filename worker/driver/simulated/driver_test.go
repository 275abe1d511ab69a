package simulated

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/worker/driver"
)

// homed is an open, placed and armed machine.
func homed(t *testing.T, c Config) *Driver {
	t.Helper()
	d, err := New(c)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { d.Close() })
	if err := errors.Join(d.Open(t.Context()), d.Home(t.Context()), d.Arm([16]byte{1})); err != nil {
		t.Fatal(err)
	}
	return d
}

func send(t *testing.T, d *Driver, lines ...string) {
	t.Helper()
	for _, line := range lines {
		if err := d.Send(t.Context(), line); err != nil {
			t.Fatalf("%s: %v", line, err)
		}
	}
}

func where(t *testing.T, d *Driver) driver.Status {
	t.Helper()
	s, err := d.Where()
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func nextEvent(t *testing.T, d *Driver) driver.Event {
	t.Helper()
	select {
	case e := <-d.Events():
		return e
	case <-time.After(time.Minute):
		t.Fatal("no event")
		return driver.Event{}
	}
}

// A host that falls silent with the tool on loses the beam after the watchdog's time.
func TestSilentHostLosesTheBeam(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		d := homed(t, Config{Profile: slowSwitch(0, 100)})
		send(t, d, "M3 S1000", "G1 X150 F600")
		time.Sleep(500 * time.Millisecond)
		if !where(t, d).ToolOn {
			t.Fatal("the tool is off although the host spoke 0.5 s ago")
		}
		time.Sleep(150 * time.Millisecond)
		if !where(t, d).ToolOn {
			t.Fatal("the switch followed without its delay")
		}
		time.Sleep(60 * time.Millisecond) // looking is no sign of life
		if where(t, d).ToolOn {
			t.Fatal("the beam is on 0.71 s after the last sign of life")
		}
		if e := nextEvent(t, d); e.Kind != driver.EventAlarm || e.Text != silentHost {
			t.Errorf("event %+v", e)
		}
		if err := d.Send(t.Context(), "G1 X0 F600"); !errors.Is(err, driver.ErrRefused) {
			t.Errorf("after the alarm Send says %v", err)
		}
		if err := d.Reset(t.Context()); err != nil {
			t.Fatal(err)
		}
		if err := d.Send(t.Context(), "G1 X0 F600"); !errors.Is(err, driver.ErrRefused) || where(t, d).Homed {
			t.Errorf("before placing anew Send says %v", err)
		}
		if err := errors.Join(d.Home(t.Context()), d.Arm([16]byte{2})); err != nil {
			t.Fatal(err)
		}
		send(t, d, "M3 S1000", "G1 X20 F600")
		if err := d.Drain(t.Context()); err != nil { // waiting is a sign of life
			t.Fatal(err)
		}
	})
}

// A beam that was told to come on before the host fell silent, and whose turn comes after, stays off.
func TestSilentHostBeforeTheBeam(t *testing.T) {
	t.Parallel()
	file := filepath.Join(t.TempDir(), "edges")
	synctest.Test(t, func(t *testing.T) {
		d := homed(t, Config{Profile: bedSigns(), EdgeFile: file})
		send(t, d, "G0 X290 Y190", "M3 S1000", "G1 X150 F600")
		if e := nextEvent(t, d); e.Text != silentHost {
			t.Errorf("event %+v", e)
		}
		if s := where(t, d); s.ToolOn {
			t.Error("the tool is on")
		}
	})
	if n, err := Edges(file, [16]byte{1}); n != 0 || err != nil {
		t.Errorf("%d edges, %v", n, err)
	}
}

// A leave that is taken back counts for lines that the machine holds already, and Close takes it back.
func TestLeaveTakenBack(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		d := homed(t, Config{Profile: bedSigns()})
		send(t, d, "G0 X50 Y50", "M3 S1000", "G1 X60 F6000", "M5")
		d.Disarm()
		if err := d.Drain(t.Context()); err != nil {
			t.Fatal(err)
		}
		if s, err := d.Sheet(); err != nil || s.BurnedUM != 0 || s.EnergyMJ != 0 {
			t.Errorf("burned %d µm, %d mJ, %v", s.BurnedUM, s.EnergyMJ, err)
		}
		if err := d.Arm([16]byte{2}); err != nil {
			t.Fatal(err)
		}
		send(t, d, "M3 S1000", "G1 X70 F600")
		if !where(t, d).ToolOn {
			t.Fatal("the tool is off")
		}
		d.Close()
		if d.m.supply.commanded || d.m.supply.enabled {
			t.Error("after Close the supply is still told to be on")
		}
	})
	var s supply
	if s.command(0, true, 1); s.commanded {
		t.Error("a supply follows its command with the enabling contact open")
	}
}

func TestMeasureCutOff(t *testing.T) {
	t.Parallel()
	jittery := slowSwitch(40, 150)
	jittery.Tools[0].Switch.JitterMS = 50
	for name, c := range map[string]struct {
		profile     machine.Profile
		least, most int64
	}{
		"level switch": {bedSigns(), 450, 601},
		"slow switch":  {slowSwitch(40, 150), 600, 751},
		"jitter":       {jittery, 600, 801},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got := MeasureCutOff(c.profile)
			for _, ms := range []int64{got.CablePulledMS, got.WorkerKilledMS, got.HostSuspendedMS} {
				if !got.Tested || ms < c.least || ms > c.most {
					t.Errorf("measured %+v, want %d to %d ms", got, c.least, c.most)
				}
			}
			c.profile.CutOff = got // a machine with this profile is as fast as it says
			again := MeasureCutOff(c.profile)
			for _, ms := range [][2]int64{
				{again.CablePulledMS, got.CablePulledMS}, {again.WorkerKilledMS, got.WorkerKilledMS}, {again.HostSuspendedMS, got.HostSuspendedMS},
			} {
				if !again.Tested || ms[0] > ms[1] {
					t.Errorf("measured again %+v, want no more than %+v", again, got)
				}
			}
		})
	}
	// A supply without a watchdog keeps the beam on, and the measurement says so.
	p := bedSigns()
	if got := worst(Config{Profile: p, Watchdog: time.Hour}, p.Tools[0], cablePulled); got != -1 {
		t.Errorf("without a watchdog %d ms were measured", got)
	}
	if got := MeasureCutOff(machine.Profile{}); got.Tested || got.CablePulledMS >= 0 || got.Means == "" {
		t.Errorf("no machine measured as %+v", got)
	}
}

func TestEdgeCounter(t *testing.T) {
	t.Parallel()
	file := filepath.Join(t.TempDir(), "edges")
	synctest.Test(t, func(t *testing.T) {
		for process := range 2 { // a second process on the same machine adds to the same count
			d := homed(t, Config{Profile: bedSigns(), EdgeFile: file})
			send(t, d, "G0 X10", "M3 S0", "G1 X12 F6000", "M5")
			if err := d.Drain(t.Context()); err != nil {
				t.Fatal(err)
			}
			if n, _ := Edges(file, [16]byte{1}); n != process {
				t.Errorf("process %d: %d edges before any energy", process, n)
			}
			send(t, d, "M3 S500", "G1 X20 F6000", "M5", "G0 X30", "M3 S500", "G1 X40", "M5")
			if err := d.Drain(t.Context()); err != nil {
				t.Fatal(err)
			}
			d.Disarm()
			if process == 0 {
				if err := d.Arm([16]byte{9}); err != nil {
					t.Fatal(err)
				}
				send(t, d, "M3 S500", "G1 X20 F6000", "M5")
				if err := d.Drain(t.Context()); err != nil {
					t.Fatal(err)
				}
			}
			d.Close()
		}
	})
	for run, want := range map[byte]int{1: 2, 9: 1, 5: 0} {
		if n, err := Edges(file, [16]byte{run}); n != want || err != nil {
			t.Errorf("run %d: %d edges, want %d (%v)", run, n, want, err)
		}
	}
	if n, err := AllEdges(file); n != 3 || err != nil {
		t.Errorf("%d edges in all, %v", n, err)
	}
	data, err := os.ReadFile(file + runsSuffix)
	if err != nil || len(data) != 3*edgeRecord {
		t.Errorf("%d bytes of records, %v", len(data), err)
	}
}

func TestNoCountNoBeam(t *testing.T) {
	t.Parallel()
	file := filepath.Join(t.TempDir(), "missing", "edges")
	synctest.Test(t, func(t *testing.T) {
		d := homed(t, Config{Profile: bedSigns(), EdgeFile: file})
		send(t, d, "M3 S500")
		if e := nextEvent(t, d); e.Kind != driver.EventAlarm || !strings.Contains(e.Text, "edge counter") {
			t.Errorf("event %+v", e)
		}
		if s, err := d.Sheet(); err != nil || s.BurnedUM != 0 {
			t.Errorf("burned %d µm, %v", s.BurnedUM, err)
		}
	})
}

func TestFaults(t *testing.T) {
	t.Parallel()
	lidded := bedSigns()
	lidded.Enclosure = machine.Enclosure{Kind: machine.EnclosureLidded, Interlock: true}
	work := []string{"G0 X10 Y10", "M3 S1000", "G1 X60 Y10 F3000", "G1 X60 Y60", "M5"}
	run := func(t *testing.T, d *Driver) error {
		for _, line := range work {
			if err := d.Send(t.Context(), line); err != nil {
				return fmt.Errorf("%s: %w", line, err)
			}
		}
		return d.Drain(t.Context())
	}
	// Home sends line 1; the work is lines 2 to 6.
	t.Run("refused line", func(t *testing.T) {
		t.Parallel()
		synctest.Test(t, func(t *testing.T) {
			d := homed(t, Config{Profile: bedSigns(), Fault: Fault{RefuseLine: 4}})
			err := run(t, d)
			if !errors.Is(err, driver.ErrRefused) || !strings.Contains(err.Error(), "line 4: drive not ready") {
				t.Errorf("error %v", err)
			}
		})
	})
	t.Run("alarm", func(t *testing.T) {
		t.Parallel()
		synctest.Test(t, func(t *testing.T) {
			d := homed(t, Config{Profile: bedSigns(), Fault: Fault{AlarmAtLine: 5}})
			err := run(t, d)
			if !errors.Is(err, driver.ErrRefused) || !strings.Contains(err.Error(), "drive overheated") {
				t.Errorf("error %v", err)
			}
			if e := nextEvent(t, d); e.Kind != driver.EventAlarm || e.Text != "drive overheated" {
				t.Errorf("event %+v", e)
			}
			if where(t, d).ToolOn {
				t.Error("the tool is on after the alarm")
			}
		})
	})
	t.Run("mute", func(t *testing.T) {
		t.Parallel()
		synctest.Test(t, func(t *testing.T) {
			d := homed(t, Config{Profile: bedSigns(), Fault: Fault{MuteAfterLine: 4}})
			begun := time.Now()
			if err := run(t, d); !errors.Is(err, driver.ErrLost) {
				t.Errorf("error %v", err)
			}
			if took := time.Since(begun); took > time.Second {
				t.Errorf("lost after %v", took)
			}
			if e := nextEvent(t, d); e.Kind != driver.EventLost {
				t.Errorf("event %+v", e)
			}
			if _, err := d.Where(); !errors.Is(err, driver.ErrLost) {
				t.Errorf("where: %v", err)
			}
			if err := d.Stop(); err != nil { // it goes out all the same
				t.Error(err)
			}
			if d.m.supply.on {
				t.Error("a machine that hears and does not answer was not stopped")
			}
		})
	})
	t.Run("lid", func(t *testing.T) {
		t.Parallel()
		synctest.Test(t, func(t *testing.T) {
			d := homed(t, Config{Profile: lidded, Fault: Fault{LidAtLine: 5}})
			ended := make(chan error, 1)
			go func() { ended <- run(t, d) }()
			if e := nextEvent(t, d); e.Kind != driver.EventLid {
				t.Errorf("event %+v", e)
			}
			time.Sleep(time.Second)
			if s := where(t, d); s.ToolOn || s.Moving {
				t.Errorf("with the lid open: %+v", s)
			}
			if err := d.GoOn(); !errors.Is(err, driver.ErrRefused) {
				t.Errorf("GoOn with the lid open: %v", err)
			}
			d.SetLid(false)
			if err := errors.Join(d.GoOn(), <-ended); err != nil {
				t.Fatal(err)
			}
			s, err := d.Sheet()
			if err != nil || s.BurnedUM < 99_990 || s.BurnedUM > 100_010 || len(s.Polylines) != 1 {
				t.Errorf("burned %d µm in %d lines, want 100000 in one (%v)", s.BurnedUM, len(s.Polylines), err)
			}
		})
	})
	t.Run("flow", func(t *testing.T) {
		t.Parallel()
		synctest.Test(t, func(t *testing.T) {
			d := homed(t, Config{Profile: bedSigns()})
			d.LowFlow()
			if e := nextEvent(t, d); e.Kind != driver.EventFlow {
				t.Errorf("event %+v", e)
			}
		})
	})
}

// Motion is sped up by the scale; the supply's watchdog is not.
func TestMotionScale(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		p := bedSigns()
		p.Driver.MotionScale = 20
		d := homed(t, Config{Profile: p})
		begun := time.Now()
		send(t, d, "M3 S1000", "G1 X200 F1200", "M5") // 10.02 s at 20 mm/s and 1000 mm/s²
		if err := d.Drain(t.Context()); err != nil {
			t.Fatal(err)
		}
		took := time.Since(begun)
		if took < 500*time.Millisecond || took > 503*time.Millisecond {
			t.Errorf("took %v, want 10.02 s / 20", took)
		}
		if s := where(t, d); s.DoneMS != 10_020 {
			t.Errorf("%d ms of machine time done, want 10020", s.DoneMS)
		}
		send(t, d, "M3 S1000", "G1 X0 F600") // 20 s: one at this scale
		begun = time.Now()
		<-d.Events()
		if took := time.Since(begun); took < 595*time.Millisecond || took > 605*time.Millisecond {
			t.Errorf("the watchdog took %v, want 600 ms", took)
		}
	})
}

// A line whose sender gave up is answered before the next one is sent.
func TestGivenUpLine(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		d := homed(t, Config{Profile: bedSigns()})
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		var err error
		n := 0
		for ; err == nil; n++ {
			err = d.Send(ctx, fmt.Sprintf("G1 X%d F10", n+1))
		}
		if !errors.Is(err, context.DeadlineExceeded) || n != mostLines+1 {
			t.Fatalf("line %d: %v", n, err)
		}
		send(t, d, "G1 X10 F6000")
		if err := d.Drain(t.Context()); err != nil {
			t.Fatal(err)
		}
		if got := where(t, d).Position; got != geom.Pt(10_000, 0) {
			t.Errorf("at %v", got)
		}
	})
}

func TestFit(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		d := homed(t, Config{Profile: bedSigns()})
		if err := d.Fit("pen"); !errors.Is(err, errFit) {
			t.Errorf("changed while armed: %v", err)
		}
		d.Disarm()
		if err := d.Fit("chisel"); err == nil {
			t.Error("fitted a tool that the profile does not have")
		}
		if err := errors.Join(d.Fit("pen"), d.Arm([16]byte{3})); err != nil {
			t.Fatal(err)
		}
		send(t, d, "M3 S1000", "G1 X50 F6000", "M5")
		if err := d.Drain(t.Context()); err != nil {
			t.Fatal(err)
		}
		s, err := d.Sheet()
		if err != nil || s.BurnedUM != 50_000 || s.EnergyMJ != 0 || len(s.Polylines) != 1 {
			t.Errorf("pen: %d µm, %d mJ, %v, %v", s.BurnedUM, s.EnergyMJ, s.Polylines, err)
		}
	})
}

func TestConfigIsChecked(t *testing.T) {
	t.Parallel()
	for name, change := range map[string]func(*Config){
		"no speed":            func(c *Config) { c.Profile.WorkSpeedUMPerS = 0 },
		"no acceleration":     func(c *Config) { c.Profile.AccelYUMPerS2 = -1 },
		"no travel":           func(c *Config) { c.Profile.TravelUM = geom.Box{} },
		"travel past the end": func(c *Config) { c.Profile.HardStops.Max.X = 1000 },
		"no tool":             func(c *Config) { c.Profile.Tools = nil },
		"another tool":        func(c *Config) { c.Tool = "chisel" },
	} {
		c := Config{Profile: bedSigns()}
		change(&c)
		if _, err := New(c); err == nil {
			t.Errorf("%s: taken", name)
		}
	}
}
