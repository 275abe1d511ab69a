package talk

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"kerfgate/plan/geom"
	"kerfgate/worker/driver"
)

// renewal is one line that is told anew while the worker's own lines wait.
type renewal struct {
	line     string
	waiting  bool
	answered bool
	err      error
	held     bool // held again meanwhile
}

// hear takes the answer to a line that is told anew; one that comes unasked belongs to a line that was forgotten.
func (r *renewal) hear(l *language, text string) {
	if !r.waiting {
		return
	}
	r.waiting, r.answered = false, true
	if !l.taken.MatchString(text) {
		r.err = fmt.Errorf("%w: %s", driver.ErrRefused, l.words(text))
	} else if bad := l.arrived(text, r.line); bad != nil {
		r.err = fmt.Errorf("%w: a line was garbled on its way: %w", driver.ErrLost, bad)
	}
}

// rejoinWithin bounds how long the machine may take to be told its lines anew, beside what they last.
const rejoinWithin = 30 * time.Second

var errHeldAgain = errors.New("the machine was held again before it had gone on")

// pending are lines that the machine is to be told anew, and whether the last of them is the one that the worker
// waits for.
type pending struct {
	lines  []string
	waited bool
}

// rejoin has the machine forget its lines and tells them anew from where the tool went off. gone is false where that
// place is not known: the machine then goes on as it can by itself.
func (d *Driver) rejoin() (gone bool, err error) {
	ctx, cancel := context.WithTimeout(context.Background(), rejoinWithin)
	defer cancel()
	d.mu.Lock()
	holds := d.holds
	d.mu.Unlock()
	if err := d.atRest(ctx); err != nil {
		return false, err
	}
	d.mu.Lock()
	if d.holds != holds { // nothing is lost yet: the machine is held as it was
		d.mu.Unlock()
		return false, fmt.Errorf("%w: %w", driver.ErrRefused, errHeldAgain)
	}
	if !d.here.placed || !d.setAside(d.here.off) {
		d.mu.Unlock()
		return false, nil
	}
	d.mu.Unlock()
	if err := d.forgotten(ctx, true); err != nil {
		return true, d.stranded(err)
	}
	return true, d.renew(ctx)
}

// HomeAgain lets the axes of a held machine find the place that they lost, tool off. GoOn then tells its lines anew from
// where the tool went off when the place was last known. Errors: ErrRefused where that is not known, and the machine
// stays held as it is.
func (d *Driver) HomeAgain(ctx context.Context) error {
	d.mu.Lock()
	err := d.broken()
	if err == nil && (!d.lang.tellsOff || !d.armed || !d.held || d.again != nil || !d.setAside(d.heldOff)) {
		err = fmt.Errorf("%w: it cannot be told its lines anew", driver.ErrRefused)
	}
	d.mu.Unlock()
	if err != nil {
		return err
	}
	if err := d.forgotten(ctx, false); err != nil {
		return d.stranded(err)
	}
	for _, line := range d.lang.home {
		if driver.SwitchesOn(line) {
			return d.stranded(fmt.Errorf("%w: the profile's line %q switches the tool on", driver.ErrNotArmed, line))
		}
		if err := d.tellAnew(ctx, line, true); err != nil {
			return d.stranded(err)
		}
	}
	err = d.wait(ctx, func() bool { return d.renewed.held || d.answered >= d.need && !d.here.moving })
	d.mu.Lock()
	if err == nil && (d.renewed.held || !d.here.placed) {
		err = errors.New("its axes found no place")
	}
	d.mu.Unlock()
	if err != nil {
		return d.stranded(err)
	}
	return nil
}

// setAside keeps the lines from a place on, to be told anew, and makes everybody wait who has another. False where
// nobody knows from where. The caller holds mu.
func (d *Driver) setAside(off *geom.Point) bool {
	lines := d.anew(off)
	if len(lines) == 0 {
		return false
	}
	d.again = &pending{lines: lines, waited: d.waiting}
	d.rejoining, d.renewed, d.waiting = true, &renewal{}, false
	return true
}

// renew tells the lines that were set aside, and gives the worker's own line back to who waits for it.
func (d *Driver) renew(ctx context.Context) error {
	d.mu.Lock()
	p := d.again
	d.memory = memory{last: told{to: d.here.at}, known: true}
	d.mu.Unlock()
	last := len(p.lines)
	if p.waited {
		last--
	}
	for _, line := range p.lines[:last] {
		if err := d.tellAnew(ctx, line, false); err != nil {
			return d.stranded(err)
		}
	}
	d.mu.Lock()
	d.again, d.rejoining, d.renewed = nil, false, nil
	cable := d.session.cable
	if p.waited {
		d.line, d.waiting, d.answer = p.lines[last], true, nil
	}
	d.wake()
	d.mu.Unlock()
	if !p.waited {
		return nil
	}
	// A stop or a lost leave since then is the machine's to refuse, as with any line.
	return d.write(ctx, cable, append([]byte(p.lines[last]), d.lang.end...))
}

// stranded stops a machine whose lines are forgotten and could not be told anew: nobody must take the rest of them for
// the whole.
func (d *Driver) stranded(err error) error {
	if stopped := d.Stop(); stopped != nil {
		d.cfg.Log.Error("stopping a machine that could not go on", "error", stopped)
	}
	d.mu.Lock()
	d.again, d.rejoining, d.renewed = nil, false, nil
	d.wake()
	d.mu.Unlock()
	if errors.Is(err, driver.ErrRefused) { // it cannot be tried again
		err = fmt.Errorf("going on after a pause: %s", err.Error())
	}
	return err
}

// atRest returns when a held machine says twice in a row that it stands in the same place with its tool off.
func (d *Driver) atRest(ctx context.Context) error {
	var before *geom.Point
	for {
		if err := d.fresh(ctx); err != nil {
			return err
		}
		d.mu.Lock()
		at, rests := d.here.at, d.here.held && !d.here.toolOn
		err := d.broken()
		d.mu.Unlock()
		switch {
		case err != nil:
			return err
		case rests && before != nil && *before == at:
			return nil
		}
		before = nil
		if rests {
			before = &at
		}
		timer := time.NewTimer(look)
		select {
		case <-ctx.Done():
			timer.Stop()
			return fmt.Errorf("%w: it does not come to rest", driver.ErrLost)
		case <-timer.C:
		}
	}
}

// anew are the lines from a place on, the one that waits for its answer with them; none where that is not known. The
// caller holds mu.
func (d *Driver) anew(off *geom.Point) []string {
	if off == nil {
		return nil
	}
	m := memory{lines: slices.Clone(d.memory.since(d.cfg.Profile.Driver.OwedBytes)), last: d.memory.last, known: d.memory.known}
	if d.waiting {
		m.add(d.line)
	}
	j, ok := find(m.lines, *off)
	if !ok || j.atEnd && j.line == len(m.lines)-1 { // nobody knows yet whether the tool stays on
		d.cfg.Log.Info("the machine goes on from rest: where its tool went off is on none of the last lines, or on more than one", "at", *off)
		return nil
	}
	return rejoin(d.cfg.Profile, d.tool, m.lines, j)
}

// tellAnew tells one line while the worker waits; placing lets it be one of those by which the axes find their place.
func (d *Driver) tellAnew(ctx context.Context, line string, placing bool) error {
	d.mu.Lock()
	err := d.mayTell(line, placing)
	if d.renewed == nil || d.renewed.held {
		err = errHeldAgain
	}
	if err != nil {
		d.mu.Unlock()
		return err
	}
	r := &renewal{line: line, waiting: true}
	d.renewed = r
	cable := d.session.cable
	d.mu.Unlock()
	if err := d.write(ctx, cable, append([]byte(line), d.lang.end...)); err != nil {
		return err
	}
	begun := time.Now()
	err = d.wait(ctx, func() bool { return r.answered || r.held || time.Since(begun) > d.lang.takenWithin })
	d.mu.Lock()
	defer d.mu.Unlock()
	switch {
	case err != nil:
		return err
	case r.held:
		return errHeldAgain
	case !r.answered:
		d.lose(fmt.Sprintf("it neither took nor refused a line within %v", d.lang.takenWithin))
		return d.broken()
	case r.err != nil:
		return r.err
	}
	d.need = d.asks + 1
	d.took(line)
	return nil
}

// forgotten has the machine forget its lines, as a stop does that it answers in time; it keeps its place and its leave,
// and is made ready for lines.
func (d *Driver) forgotten(ctx context.Context, placed bool) error {
	d.mu.Lock()
	err := d.broken()
	if err == nil {
		err = d.urgent(d.lang.stop)
	}
	d.held, d.lit, d.could = false, false, false
	d.stopAt, d.stopHeard = time.Now(), false
	d.need = d.asks + 2
	d.mu.Unlock()
	if err != nil {
		return err
	}
	if err := d.await(ctx, func() bool { return d.stopped || d.stopAt.IsZero() && d.answered >= d.need && !d.busy() }); err != nil {
		return err
	}
	d.mu.Lock()
	if err = d.broken(); err == nil && placed && !d.here.placed {
		err = fmt.Errorf("%w: it lost its place when its lines were forgotten", driver.ErrLost)
	}
	if err == nil {
		err = d.urgent(d.lang.forget)
	}
	d.mu.Unlock()
	if err != nil {
		return err
	}
	return d.fresh(ctx)
}
