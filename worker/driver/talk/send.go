package talk

import (
	"context"
	"fmt"
	"time"

	"kerfgate/plan/geom"
	"kerfgate/worker/driver"
)

// Home sends the lines by which the axes find their place and returns when they have.
func (d *Driver) Home(ctx context.Context) error {
	d.mu.Lock()
	d.span = geom.Point{} // what was measured earlier says nothing of this time
	d.mu.Unlock()
	for _, line := range d.lang.home {
		if driver.SwitchesOn(line) {
			return fmt.Errorf("%w: the profile's line %q switches the tool on", driver.ErrNotArmed, line)
		}
		if err := d.send(ctx, line, true); err != nil {
			return err
		}
	}
	if err := d.Drain(ctx); err != nil {
		return err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.homed = true
	if !d.hasPlace() {
		return fmt.Errorf("%w: after %q it says that its axes have no place", driver.ErrRefused, d.lang.home)
	}
	return nil
}

// Send hands over one line and returns when the machine said taken. When ctx ends while the line
// waits for its answer the machine may still take it.
func (d *Driver) Send(ctx context.Context, line string) error { return d.send(ctx, line, false) }

func (d *Driver) send(ctx context.Context, line string, placing bool) error {
	select {
	case d.sending <- struct{}{}:
		defer func() { <-d.sending }()
	case <-ctx.Done():
		return ctx.Err()
	}
	for i := range len(line) {
		if line[i] < ' ' || line[i] > '~' {
			return fmt.Errorf("%w: a line holds printable characters only", driver.ErrRefused)
		}
	}
	out := append([]byte(line), d.lang.end...)
	if most := d.cfg.Profile.Driver.OwedBytes; most > 0 && int64(len(out)) > most {
		return fmt.Errorf("%w: the line has %d bytes, the machine may be owed %d", driver.ErrRefused, len(out), most)
	}
	// An earlier line whose sender gave up is answered first.
	if err := d.wait(ctx, func() bool { return !d.waiting && !d.rejoining }); err != nil {
		return err
	}
	d.mu.Lock()
	if err := d.mayTell(line, placing); err != nil {
		d.mu.Unlock()
		return err
	}
	d.line, d.waiting, d.answer = line, true, nil
	cable := d.session.cable
	d.mu.Unlock()
	if err := d.write(ctx, cable, out); err != nil {
		return err
	}
	return d.answerTo(ctx)
}

// mayTell is the driver's own rule, before any byte leaves it. The caller holds mu.
func (d *Driver) mayTell(line string, placing bool) error {
	if err := d.broken(); err != nil {
		return err
	}
	if !d.armed && driver.SwitchesOn(line) {
		return driver.ErrNotArmed
	}
	if !placing && driver.Moves(line) && !d.hasPlace() {
		return fmt.Errorf("%w: the axes have not found their place", driver.ErrRefused)
	}
	return nil
}

// write sends a line whole. One that was cut off leaves a machine that has part of a line: contact
// counts as lost.
func (d *Driver) write(ctx context.Context, cable Cable, out []byte) error {
	d.writing <- struct{}{} // held by nobody for longer than a line takes, or by a question
	defer func() { <-d.writing }()
	for begun := time.Now(); ; {
		n, err := cable.Write(out)
		if out = out[n:]; err == nil && len(out) == 0 {
			return nil
		}
		d.mu.Lock()
		switch {
		case err != nil:
			d.lose(fmt.Sprintf("a line could not be sent: %v", err))
		case time.Since(begun) > d.lang.takenWithin:
			d.lose("it does not read its lines")
		case ctx.Err() != nil:
			d.lose("a line was given up on its way")
		}
		err = d.broken()
		d.mu.Unlock()
		if err != nil {
			return err
		}
	}
}

// answerTo waits for the answer to the line that was sent. A machine that rests has no reason to keep a
// line waiting: then the line, or its answer, was lost on its way.
func (d *Driver) answerTo(ctx context.Context) error {
	var got *answer
	begun := time.Now()
	var restsSince time.Time
	d.mu.Lock()
	after := d.asks + 1
	d.mu.Unlock()
	err := d.wait(ctx, func() bool {
		if d.stopped {
			return false
		}
		if d.rejoining {
			begun, restsSince, after = time.Now(), time.Time{}, d.asks+1
			return false
		}
		if d.answer != nil {
			got = d.answer
			return true
		}
		now := time.Now()
		switch {
		case d.held || d.here.held || d.here.lid:
			begun, restsSince = now, time.Time{}
		case d.here.moving || d.answered < after:
			restsSince = time.Time{}
		case restsSince.IsZero():
			restsSince = now
		case now.Sub(restsSince) > d.lang.answerWithin:
			d.lose("it rests and does not answer the line that it was sent")
		}
		if now.Sub(begun) > d.lang.takenWithin {
			d.lose(fmt.Sprintf("it neither took nor refused a line within %v", d.lang.takenWithin))
		}
		return false
	})
	switch {
	case err != nil:
		return err
	case got.bad != nil:
		return fmt.Errorf("%w: a line was garbled on its way: %w", driver.ErrLost, got.bad)
	case !got.taken:
		return fmt.Errorf("%w: %s", driver.ErrRefused, got.words)
	}
	return nil
}

// Drain returns when everything sent has been carried out.
func (d *Driver) Drain(ctx context.Context) error {
	return d.wait(ctx, func() bool {
		return !d.stopped && !d.waiting && !d.rejoining && d.answered >= d.need && !d.here.moving && !d.held && !d.here.held
	})
}

// wait gives the machine signs of life until something has become true. It ends early when ctx ends,
// when the machine was stopped, is alarmed, or does not answer. until is called with mu held.
func (d *Driver) wait(ctx context.Context, until func() bool) error {
	every := 5 * look
	if d.lang.alive0 > 0 {
		every = min(every, d.lang.alive0)
	}
	return d.watch(ctx, every, func() (bool, error) {
		if until() {
			return true, nil
		}
		if err := d.broken(); err != nil {
			return false, err
		}
		if now := time.Now(); d.lang.alive0 > 0 && now.Sub(d.aliveAt) >= d.lang.alive0 && d.session.cable.Urgent(d.lang.alive) == nil {
			d.aliveAt = now
		}
		return false, nil
	})
}
