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
	anew := d.anew()
	if len(anew) == 0 {
		d.mu.Unlock()
		return false, nil
	}
	s, waited := d.session, d.waiting
	d.rejoining, d.renewed, d.waiting = true, &renewal{}, false
	d.memory = memory{last: told{to: d.here.at}, known: true}
	d.mu.Unlock()
	first := anew
	if waited { // the last one is the line that the worker waits for
		first = anew[:len(anew)-1]
	}
	if err = d.renew(ctx, s, first); err != nil {
		// The lines are forgotten and not told anew: nobody must take the rest of them for the whole.
		if stopped := d.Stop(); stopped != nil {
			d.cfg.Log.Error("stopping a machine that could not go on", "error", stopped)
		}
	}
	d.mu.Lock()
	d.rejoining, d.renewed = false, nil
	if waited && err == nil {
		d.line, d.waiting, d.answer = anew[len(anew)-1], true, nil
	}
	d.wake()
	d.mu.Unlock()
	if waited && err == nil { // a stop or a lost leave since then is the machine's to refuse, as with any line
		err = d.write(ctx, s.cable, append([]byte(anew[len(anew)-1]), d.lang.end...))
	}
	if errors.Is(err, driver.ErrRefused) { // it cannot be tried again: the lines are forgotten
		err = fmt.Errorf("going on after a run-in: %s", err.Error())
	}
	return true, err
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

// anew are the lines from where the tool went off, the one that waits for its answer with them; none where that place
// is not known. The caller holds mu.
func (d *Driver) anew() []string {
	if d.here.off == nil || !d.here.placed {
		return nil
	}
	m := memory{lines: slices.Clone(d.memory.since(d.cfg.Profile.Driver.OwedBytes)), last: d.memory.last, known: d.memory.known}
	if d.waiting {
		m.add(d.line)
	}
	j, ok := find(m.lines, *d.here.off)
	if !ok || j.atEnd && j.line == len(m.lines)-1 { // nobody knows yet whether the tool stays on
		d.cfg.Log.Info("the machine goes on from rest: where its tool went off is on none of the last lines, or on more than one", "at", *d.here.off)
		return nil
	}
	return rejoin(d.cfg.Profile, d.tool, m.lines, j)
}

// mayRenew is the rule for a line that is told anew. The caller holds mu.
func (d *Driver) mayRenew(line string) error {
	if d.renewed != nil && d.renewed.held {
		return errHeldAgain
	}
	return d.mayTell(line, false)
}

// renew lets the machine forget, and gives it lines while the worker waits.
func (d *Driver) renew(ctx context.Context, s *session, lines []string) error {
	if err := d.forgotten(ctx); err != nil {
		return err
	}
	for _, line := range lines {
		d.mu.Lock()
		if err := d.mayRenew(line); err != nil {
			d.mu.Unlock()
			return err
		}
		r := &renewal{line: line, waiting: true}
		d.renewed = r
		d.mu.Unlock()
		if err := d.write(ctx, s.cable, append([]byte(line), d.lang.end...)); err != nil {
			return err
		}
		begun := time.Now()
		err := d.wait(ctx, func() bool { return r.answered || r.held || time.Since(begun) > d.lang.takenWithin })
		d.mu.Lock()
		switch {
		case err != nil:
		case r.held:
			err = errHeldAgain
		case !r.answered:
			d.lose(fmt.Sprintf("it neither took nor refused a line within %v", d.lang.takenWithin))
			err = d.broken()
		case r.err != nil:
			err = r.err
		default:
			d.need = d.asks + 1
			d.took(line)
		}
		d.mu.Unlock()
		if err != nil {
			return err
		}
	}
	return nil
}

// forgotten has the machine forget its lines, as a stop does that it answers in time; it keeps its place and its leave,
// and is made ready for lines.
func (d *Driver) forgotten(ctx context.Context) error {
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
	if err = d.broken(); err == nil && !d.here.placed {
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
