package talk

import (
	"context"
	"errors"
	"fmt"
	"time"

	"kerfgate/worker/driver"
)

// Arm allows lines that switch the tool on.
func (d *Driver) Arm([16]byte) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if err := d.broken(); err != nil {
		return err
	}
	if d.armed {
		return fmt.Errorf("%w: armed already", driver.ErrRefused)
	}
	if err := d.urgent(d.lang.arm); err != nil {
		return err
	}
	d.armed, d.doneMS, d.doneFrom = true, 0, 0
	d.memory = memory{last: told{to: d.here.at}, known: true}
	if len(d.lang.arm) == 0 {
		d.doneFrom = d.here.doneMS
	}
	return nil
}

// Disarm forbids them again. A machine that has no lock of its own and may still have such lines is
// stopped.
func (d *Driver) Disarm() {
	d.mu.Lock()
	d.armed = false
	if d.closed || d.session == nil || d.session.gone {
		d.mu.Unlock()
		return
	}
	at := d.could || d.busy() || d.waiting || d.rejoining
	if len(d.lang.disarm) > 0 && d.urgent(d.lang.disarm) == nil {
		at, d.lit, d.could = false, false, false
	}
	stopped := d.stopped
	d.mu.Unlock()
	if at && !stopped {
		if err := d.Stop(); err != nil {
			d.cfg.Log.Error("stopping a machine that cannot be disarmed", "error", err)
		}
	}
}

// Hold switches the tool off and lets the carriage rest on its path.
func (d *Driver) Hold() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if err := d.broken(); err != nil {
		return err
	}
	if err := d.urgent(d.lang.hold); err != nil {
		return err
	}
	if !d.held {
		d.heldOff = nil
	}
	d.held = true
	d.holds++
	if d.renewed != nil {
		d.renewed.held = true
	}
	d.wake()
	return nil
}

// GoOn lets the carriage go on: with a run-in to where the tool went off, where the machine tells where that was. It is
// refused while the machine says that its lid is open.
func (d *Driver) GoOn() error {
	d.mu.Lock()
	if err := d.broken(); err != nil {
		d.mu.Unlock()
		return err
	}
	if d.here.lid {
		d.mu.Unlock()
		return fmt.Errorf("%w: the lid is open", driver.ErrRefused)
	}
	if d.again != nil { // it found its place again meanwhile
		err := d.urgent(d.lang.goOn) // of whatever held it since
		d.held, d.heldOff, d.renewed = false, nil, &renewal{}
		d.mu.Unlock()
		if err != nil {
			return err
		}
		ctx, cancel := context.WithTimeout(context.Background(), rejoinWithin)
		defer cancel()
		return d.renew(ctx)
	}
	if d.lang.tellsOff && d.armed && d.held {
		d.mu.Unlock()
		if gone, err := d.rejoin(); gone || err != nil {
			return err
		}
		d.mu.Lock()
	}
	defer d.mu.Unlock()
	if err := d.urgent(d.lang.goOn); err != nil {
		return err
	}
	d.held = false
	d.need = d.asks + 1
	d.wake()
	return nil
}

// urgent sends a command that waits behind no line; one that cannot be sent is contact lost. The
// caller holds mu.
func (d *Driver) urgent(command []byte) error {
	if len(command) == 0 {
		return nil
	}
	if err := d.session.cable.Urgent(command); err != nil {
		d.lose(fmt.Sprintf("a command could not be sent: %v", err))
		return errors.Join(driver.ErrLost, err)
	}
	return nil
}

// Stop switches the tool off and forgets all lines; the leave to switch it on goes with them. A
// machine that does not answer is told all the same, and cut off when it stays silent.
func (d *Driver) Stop() error {
	d.mu.Lock()
	d.armed = false
	if !d.opened || d.closed {
		d.mu.Unlock()
		return nil
	}
	s := d.session
	d.stopped, d.held, d.lit, d.could = true, false, false, false
	if s == nil || s.gone {
		d.wake()
		d.mu.Unlock()
		return fmt.Errorf("%w: there is no way to it", driver.ErrLost)
	}
	if d.stopAt.IsZero() {
		d.stopAt, d.stopHeard = time.Now(), false
	}
	d.need = d.asks + 2
	d.wake()
	d.mu.Unlock()
	return d.sendStop(s)
}

// sendStop sends the stop and asks anew: the stop may have dropped a question on its way. The answer to
// an earlier question may be taken for that to the next one, so it takes two to know what came of it.
func (d *Driver) sendStop(s *session) error {
	err := s.cable.Stop(d.lang.stop)
	d.mu.Lock()
	defer d.mu.Unlock()
	d.asked, d.sent, d.stopSent = false, false, time.Now()
	d.need = d.asks + 2
	if !s.gone {
		d.question(s, time.Now())
	}
	if err != nil {
		return errors.Join(driver.ErrLost, err)
	}
	return nil
}

// Reset makes the machine ready after a stop, an alarm or lost contact, once the carriage rests and
// the tool is off. A machine with which contact was lost is reached anew, and has no place.
func (d *Driver) Reset(ctx context.Context) error {
	d.mu.Lock()
	if !d.opened || d.closed {
		d.mu.Unlock()
		return fmt.Errorf("%w: not open", driver.ErrLost)
	}
	s := d.session
	broken := s == nil || s.gone || d.lost != ""
	work := !d.stopped && (d.busy() || d.could || d.waiting)
	untouched := !d.stopped && d.alarm == "" && !work
	d.mu.Unlock()
	if broken {
		if s != nil {
			if err := s.cable.Close(); err != nil {
				d.cfg.Log.Info("closing a broken cable", "error", err)
			}
			<-s.ended
		}
		return d.connect(ctx)
	}
	if work {
		if err := d.Stop(); err != nil {
			return err
		}
	}
	if err := d.settle(ctx, s); err != nil {
		return err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	homed, here, span := d.homed && untouched, d.here, d.span
	d.forgetAll()
	d.homed, d.here, d.span = homed, here, span
	d.wake()
	return nil
}

var errFit = errors.New("the tool can be changed only while the machine rests and is not armed")

// Fit says which tool a person has put on the carriage.
func (d *Driver) Fit(tool string) error {
	t, ok := d.cfg.Profile.Tool(tool)
	if !ok {
		return fmt.Errorf("machine %q: no tool named %q", d.cfg.Profile.Name, tool)
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.armed || d.busy() {
		return errFit
	}
	d.tool = t
	return nil
}
