package simulated

import (
	"context"
	"fmt"
	"strings"
	"time"

	"kerfgate/worker/driver"
)

// Home lets the axes find their place and returns when they have.
func (d *Driver) Home(ctx context.Context) error {
	if err := d.Send(ctx, "G28"); err != nil {
		return err
	}
	return d.Drain(ctx)
}

// Send hands over one line and returns when the machine said taken. When ctx ends while the line
// waits for room the machine may still take it.
func (d *Driver) Send(ctx context.Context, line string) error {
	select {
	case d.sending <- struct{}{}:
		defer func() { <-d.sending }()
	case <-ctx.Done():
		return ctx.Err()
	}
	if strings.ContainsRune(line, '\n') {
		return fmt.Errorf("%w: two lines in one", driver.ErrRefused)
	}
	// An earlier line whose sender gave up is answered first.
	if err := d.wait(ctx, func() bool { return !d.waiting }); err != nil {
		return err
	}
	d.mu.Lock()
	d.catchUp()
	if err := d.mayTell(line); err != nil {
		d.mu.Unlock()
		return err
	}
	d.answer, d.waiting = nil, true
	d.tell(append([]byte(line), '\n')...)
	d.mu.Unlock()
	var answer string
	err := d.wait(ctx, func() bool {
		if d.answer == nil || d.stopped {
			return false
		}
		answer = *d.answer
		return true
	})
	if err != nil {
		return err
	}
	if answer[0] != sayTaken {
		return fmt.Errorf("%w: %s", driver.ErrRefused, answer[1:])
	}
	return nil
}

// mayTell is the driver's own rule, before any byte leaves it.
func (d *Driver) mayTell(line string) error {
	if err := d.broken(); err != nil {
		return err
	}
	if !d.armed && driver.SwitchesOn(line) {
		return driver.ErrNotArmed
	}
	return nil
}

// Drain returns when everything sent has been carried out.
func (d *Driver) Drain(ctx context.Context) error {
	return d.wait(ctx, func() bool { return d.m.idle() && d.m.mode == going })
}

// wait gives the machine signs of life until something has become true. It ends early when ctx ends,
// when the machine was stopped, is alarmed, or does not answer.
func (d *Driver) wait(ctx context.Context, until func() bool) error {
	every := min(time.Duration(d.m.watchdogS/d.scale*float64(time.Second))/4, answerWithin/2)
	timer := time.NewTimer(every)
	defer timer.Stop()
	var unanswered time.Time
	for {
		d.mu.Lock()
		d.catchUp()
		if until() {
			d.mu.Unlock()
			return nil
		}
		if err := d.broken(); err != nil {
			d.mu.Unlock()
			return err
		}
		if d.answers(stillHere) {
			unanswered = time.Time{}
		} else if now := d.cfg.Clock(); unanswered.IsZero() {
			unanswered = now
		} else if now.Sub(unanswered) >= answerWithin {
			err := d.giveUp()
			d.mu.Unlock()
			return err
		}
		changed := d.changed
		d.mu.Unlock()
		timer.Reset(every)
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-changed:
		case <-timer.C:
		}
	}
}

// answers gives the machine bytes, asks it where it is, and says whether it answered.
func (d *Driver) answers(first ...byte) bool {
	_, ok := d.ask(first...)
	return ok
}
