package simulated

import (
	"context"
	"fmt"
	"math"

	"kerfgate/worker/driver"
)

// Arm closes the supply's enabling contact for one run and lays a fresh sheet.
func (d *Driver) Arm(run [16]byte) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if err := d.broken(); err != nil {
		return err
	}
	if d.armed {
		return fmt.Errorf("%w: armed already", driver.ErrRefused)
	}
	d.catchUp()
	d.m.arm(run)
	d.armed = true
	return nil
}

// Disarm opens the contact again: whatever the lines say, the tool is off.
func (d *Driver) Disarm() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.catchUp()
	d.armed = false
	d.m.disarm()
	d.tell()
}

// Hold switches the tool off and lets the carriage rest on its path.
func (d *Driver) Hold() error { return d.command(letHold) }

// GoOn lets the carriage go on from where the tool went off. It is refused while the lid is open on a
// machine with an interlock.
func (d *Driver) GoOn() error {
	d.mu.Lock()
	refused := d.m.lidOpen && d.m.interlock
	d.mu.Unlock()
	if refused {
		return fmt.Errorf("%w: the lid is open", driver.ErrRefused)
	}
	return d.command(letGoOn)
}

// HomeAgain is refused: the simulated machine knows where its motors are whatever it is held for, and an alarm, after
// which it does not, ends its run.
func (d *Driver) HomeAgain(context.Context) error {
	return fmt.Errorf("%w: it has not lost its place", driver.ErrRefused)
}

func (d *Driver) command(c byte) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if err := d.broken(); err != nil {
		return err
	}
	d.catchUp()
	d.tell(c)
	return nil
}

// Stop switches the tool off and forgets all lines; the leave to switch it on goes with them. A
// machine that does not answer is told all the same.
func (d *Driver) Stop() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.catchUp()
	d.armed = false
	if !d.opened || d.closed {
		return nil
	}
	d.stopped = true
	d.tell(letStop)
	d.m.disarm()
	return nil
}

// Reset makes the machine ready after a stop, an alarm or a lost link, once the carriage rests and
// the tool is off. After an alarm the axes must be placed anew.
func (d *Driver) Reset(ctx context.Context) error {
	for {
		d.mu.Lock()
		if !d.opened || d.closed {
			d.mu.Unlock()
			return fmt.Errorf("%w: not open", driver.ErrLost)
		}
		d.catchUp()
		if !d.answers() {
			err := d.giveUp()
			d.mu.Unlock()
			return err
		}
		if rests := d.m.mode == resting && !d.m.holding && math.IsInf(d.m.supply.due, 1); rests || d.m.state == ready && d.m.idle() {
			d.tell(letForget)
			d.stopped, d.lost, d.armed, d.alarm = false, false, false, ""
			d.waiting, d.answer = false, nil
			d.m.disarm()
			d.mu.Unlock()
			return nil
		}
		if !d.stopped && d.m.state == ready { // in the middle of work: a reset ends it
			d.stopped = true
			d.tell(letStop)
		}
		changed := d.changed
		d.mu.Unlock()
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-changed:
		}
	}
}

// SetLid opens or closes the machine's lid, as a person would.
func (d *Driver) SetLid(open bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.catchUp()
	d.m.setLid(open)
	d.tell()
}

// LowFlow lets the machine tell that its extraction draws too little.
func (d *Driver) LowFlow() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.catchUp()
	d.m.say(sayTrouble, driver.EventFlow)
	d.tell()
}
