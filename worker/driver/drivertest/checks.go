package drivertest

import (
	"context"
	"errors"
	"time"

	"kerfgate/plan/geom"
	"kerfgate/worker/driver"
)

func inOrder(b *bench) {
	b.ready()
	b.send("G21 G90", "G0 "+b.at(10, 10), "M3 S1000",
		"G1 "+b.at(20, 10)+" F2400", "G1 "+b.at(20, 25)+" F2400", "G1 "+b.at(10, 10)+" F2400", "M5",
		"G0 "+b.at(50, 5), "M3 S1000", "G1 "+b.at(55, 5)+" F2400", "M5", "M2")
	b.drain()
	b.mustBeAt(55, 5)
	if s := b.where(); s.ToolOn || s.Moving || !s.Homed || s.DoneMS <= 0 {
		b.Errorf("after the work: %+v", s)
	}
	sheet := b.sheet()
	if sheet == nil {
		return
	}
	want := [][]geom.Point{
		b.points(10, 10, 20, 10, 20, 25, 10, 10),
		b.points(50, 5, 55, 5),
	}
	if off := farthest(want, sheet.Polylines); off > 10 {
		b.Errorf("burned %v, want %v (%.1f µm apart)", sheet.Polylines, want, off)
	}
	if len(sheet.PNG) > 0 && len(sheet.PNG) < 8 || len(sheet.PNG) >= 8 && string(sheet.PNG[1:4]) != "PNG" {
		b.Errorf("the picture is no PNG")
	}
}

func refused(b *bench) {
	d := b.ready()
	b.send("G21 G90", "G0 "+b.at(10, 10))
	b.drain()
	err := d.Send(b.Context(), b.BadLine)
	b.mustBe(err, driver.ErrRefused)
	if len(err.Error()) <= len(driver.ErrRefused.Error())+2 {
		b.Errorf("the machine's own words are missing: %q", err)
	}
	b.send("G0 " + b.at(20, 20))
	b.drain()
	b.mustBeAt(20, 20)
}

func notArmed(b *bench) {
	d := b.placed()
	for _, line := range []string{"M3 S1000", "M03 S1000", "G21 M3 S500"} {
		b.mustBe(d.Send(b.Context(), line), driver.ErrNotArmed)
	}
	b.send("G0 "+b.at(10, 10), "M5")
	b.drain()
	if b.where().ToolOn {
		b.Errorf("the tool is on without Arm")
	}
}

func disarmed(b *bench) {
	d := b.ready()
	b.send(b.zigzag(12)[:3]...)
	b.send("G1 "+b.at(60, 10)+" F2400", "G1 "+b.at(60, 40)+" F2400")
	drained := b.attend()
	b.until("the tool is on", func() bool { return b.where().ToolOn })
	d.Disarm()
	b.until("the tool is off", func() bool { return !b.where().ToolOn })
	err := b.end(drained, time.Minute)
	if b.DisarmStops {
		b.mustBe(err, driver.ErrStopped)
		if err = d.Reset(b.Context()); err == nil {
			err = d.Home(b.Context())
		}
	}
	if err != nil {
		b.Fatal(err)
	}
	b.mustBe(d.Send(b.Context(), "M3 S1000"), driver.ErrNotArmed)
	if sheet := b.sheet(); sheet != nil && sheet.BurnedUM > 45_000 {
		b.Errorf("burned %d µm although the leave was taken back", sheet.BurnedUM)
	}
}

func notHomed(b *bench) {
	d := b.open()
	if b.where().Homed {
		b.Errorf("placed before Home")
	}
	b.mustBe(d.Send(b.Context(), "G1 "+b.at(10, 10)+" F2400"), driver.ErrRefused)
	if err := d.Home(b.Context()); err != nil {
		b.Fatal(err)
	}
	if s := b.where(); !s.Homed || s.ToolOn {
		b.Errorf("after Home: %+v", s)
	}
}

func stopBlocked(b *bench) {
	d := b.ready()
	ended := b.pump(b.Context())
	b.until("the tool is on", func() bool { return b.where().ToolOn })
	begun := time.Now()
	if err := d.Stop(); err != nil {
		b.Fatal(err)
	}
	b.mustBe(b.end(ended, StopWithin), driver.ErrStopped)
	b.until("rest", func() bool { s := b.where(); return !s.Moving && !s.ToolOn })
	if took := time.Since(begun); took > 2*time.Second {
		b.Errorf("at rest %v after Stop", took)
	}
	b.mustBe(d.Send(b.Context(), "M5"), driver.ErrStopped)
	b.mustBe(d.Drain(b.Context()), driver.ErrStopped)
}

func stopAgain(b *bench) {
	d := b.open()
	for range 3 {
		if err := d.Stop(); err != nil {
			b.Fatal(err)
		}
	}
	b.mustBe(d.Send(b.Context(), "M5"), driver.ErrStopped)
	if err := d.Reset(b.Context()); err != nil {
		b.Fatal(err)
	}
	if err := d.Home(b.Context()); err != nil {
		b.Fatal(err)
	}
}

func resetAfterStop(b *bench) {
	d := b.ready()
	b.send(b.zigzag(4)...)
	drained := b.attend()
	b.until("the tool is on", func() bool { return b.where().ToolOn })
	if err := d.Stop(); err != nil {
		b.Fatal(err)
	}
	b.mustBe(b.end(drained, StopWithin), driver.ErrStopped)
	if err := d.Reset(b.Context()); err != nil {
		b.Fatal(err)
	}
	if s := b.where(); s.ToolOn || s.Moving {
		b.Errorf("after Reset: %+v", s)
	}
	b.mustBe(d.Send(b.Context(), "M3 S1000"), driver.ErrNotArmed)
	if err := d.Home(b.Context()); err != nil {
		b.Fatal(err)
	}
	b.send("G0 " + b.at(30, 30))
	b.drain()
	b.mustBeAt(30, 30)
}

func holdKeepsPath(b *bench) {
	work := append(b.zigzag(14), "M5", "G0 "+b.at(2, 2), "M2")
	run := func(holds int) *driver.Sheet {
		d := b.ready()
		ended := make(chan error, 1)
		go func() {
			for _, line := range work {
				if err := d.Send(b.Context(), line); err != nil {
					ended <- err
					return
				}
			}
			ended <- d.Drain(b.Context())
		}()
		for range holds {
			before := b.where().DoneMS
			b.until("more of the work", func() bool { s := b.where(); return s.ToolOn && s.DoneMS > before+350 })
			if err := d.Hold(); err != nil {
				b.Fatal(err)
			}
			b.until("rest", func() bool { s := b.where(); return !s.Moving && !s.ToolOn })
			still := b.where().Position
			for range 20 {
				b.until("a while", func() bool { return true })
			}
			if now := b.where().Position; now != still {
				b.Errorf("held at %v, then at %v", still, now)
			}
			if err := d.GoOn(); err != nil {
				b.Fatal(err)
			}
		}
		if err := b.end(ended, time.Minute); err != nil {
			b.Fatalf("work with %d holds: %v", holds, err)
		}
		b.mustBeAt(2, 2)
		sheet := b.sheet()
		d.Close()
		return sheet
	}
	plain, held := run(0), run(3)
	if plain == nil || held == nil {
		return
	}
	if off := farthest(plain.Polylines, held.Polylines); off > 10 {
		b.Errorf("the held run burned lines up to %.1f µm from those of the plain one", off)
	}
	if d := held.BurnedUM - plain.BurnedUM; d > 50 || d < -50 {
		b.Errorf("the held run burned %d µm, the plain one %d", held.BurnedUM, plain.BurnedUM)
	}
}

func stopHeld(b *bench) {
	d := b.ready()
	ended := b.pump(b.Context())
	b.until("the tool is on", func() bool { return b.where().ToolOn })
	if err := d.Hold(); err != nil {
		b.Fatal(err)
	}
	b.until("the tool is off", func() bool { return !b.where().ToolOn })
	if err := d.Stop(); err != nil {
		b.Fatal(err)
	}
	b.mustBe(b.end(ended, StopWithin), driver.ErrStopped)
	if err := d.GoOn(); err == nil {
		b.Errorf("GoOn after Stop was taken")
	}
}

func drains(b *bench) {
	b.ready()
	b.send("G21 G90", "G0 "+b.at(0, 0))
	b.drain()
	begun := b.where().DoneMS
	b.send("G1 "+b.at(40, 0)+" F2400", "G1 "+b.at(80, 0)+" F2400")
	b.drain()
	if took := b.where().DoneMS - begun; took < 2000 { // 80 mm at 40 mm/s, at least
		b.Errorf("80 mm at 40 mm/s took %d ms of the machine's time", took)
	}
	b.mustBeAt(80, 0)
}

func drainContext(b *bench) {
	d := b.placed()
	b.send("G0 "+b.at(0, 0), "G1 "+b.at(100, 0)+" F600")
	ctx, cancel := context.WithTimeout(b.Context(), 100*time.Millisecond)
	defer cancel()
	b.mustBe(d.Drain(ctx), context.DeadlineExceeded)
}

func closes(b *bench) {
	d := b.ready()
	ended := b.pump(b.Context())
	b.until("the tool is on", func() bool { return b.where().ToolOn })
	if err := d.Close(); err != nil {
		b.Fatal(err)
	}
	if err := b.end(ended, time.Second); err == nil || errors.Is(err, context.Canceled) {
		b.Errorf("Send ended with %v", err)
	}
	for range d.Events() { // ends because Close closes it
	}
	if err := d.Close(); err != nil {
		b.Errorf("closed again: %v", err)
	}
}

// sheet is the machine's own sheet; nil where it cannot know.
func (b *bench) sheet() *driver.Sheet {
	b.Helper()
	s, err := b.d.Sheet()
	if err != nil {
		b.Fatal(err)
	}
	return s
}

// points are places on the bed in millimetres from the low corner.
func (b *bench) points(xy ...float64) []geom.Point {
	var out []geom.Point
	for i := 0; i < len(xy); i += 2 {
		out = append(out, b.Low.Add(geom.Pt(int64(xy[i]*1000), int64(xy[i+1]*1000))))
	}
	return out
}
