package talk

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"time"

	"kerfgate/worker/driver"
)

// tick looks at the time until Close: it puts the question, misses answers, counts what was done, and
// cuts a machine that does not stop.
func (d *Driver) tick() {
	ticker := time.NewTicker(look)
	defer ticker.Stop()
	last := time.Now()
	for {
		select {
		case <-d.quit:
			return
		case now := <-ticker.C:
			d.mu.Lock()
			if d.lost != "" && !d.told && now.Sub(d.lostAt) > tellAfterStop {
				d.told = true
				d.report(driver.EventLost, d.lost)
			}
			if s := d.session; s != nil && !s.gone {
				d.watchStop(s, now)
				d.watchAnswers(s, now)
				if d.armed && (d.here.moving || d.answered < d.need) && !d.held && !d.here.held {
					d.doneMS += now.Sub(last).Seconds() * 1000
				}
			}
			d.mu.Unlock()
			last = now
		}
	}
}

// watchAnswers puts the question again and misses the answer. The caller holds mu.
func (d *Driver) watchAnswers(s *session, now time.Time) {
	switch {
	case d.asked && !d.sent:
		d.putQuestion(s)
		fallthrough
	case d.asked:
		if now.Sub(d.askedAt) <= d.lang.answerWithin {
			return
		}
		if s.waking {
			d.asked, d.sent = false, false // asked again
			return
		}
		d.lose(fmt.Sprintf("it does not say where it is within %v", d.lang.answerWithin))
	case now.Sub(d.askedAt) >= d.lang.askEvery && d.lost == "" && !s.waking:
		d.question(s, now)
	}
}

// question puts the question once; an answer that is on its way is as good. The caller holds mu.
func (d *Driver) question(s *session, now time.Time) {
	if d.asked {
		return
	}
	d.asked, d.sent, d.askedAt = true, false, now
	d.asks++
	d.putQuestion(s)
}

// putQuestion sends it, if it goes out now. One that is a line waits for the line that is being
// written.
func (d *Driver) putQuestion(s *session) {
	if !d.lang.askIsLine {
		d.sent = s.cable.Urgent(d.lang.ask) == nil
		return
	}
	select {
	case d.writing <- struct{}{}:
	default:
		return
	}
	defer func() { <-d.writing }()
	n, err := s.cable.Write(d.lang.ask)
	if n > 0 && n < len(d.lang.ask) {
		d.lose("a question was cut off on its way")
	}
	d.sent = err == nil && n == len(d.lang.ask)
}

// watchStop cuts the cable of a machine that answers no stop, or whose tool does not go off. The caller
// holds mu.
func (d *Driver) watchStop(s *session, now time.Time) {
	if d.stopAt.IsZero() {
		return
	}
	off := StopAnswer
	for _, t := range d.cfg.Profile.Tools {
		off = max(off, StopAnswer+time.Duration(t.Switch.OffDelayMS+t.Switch.JitterMS)*time.Millisecond)
	}
	late := now.Sub(d.stopAt)
	switch {
	case d.stopHeard && !d.here.toolOn && d.answered >= d.need:
		d.stopAt = time.Time{}
		return
	case !d.stopHeard && late > StopAnswer, late > off && d.here.toolOn && d.answered >= d.need, late > off+d.lang.answerWithin:
	default:
		d.question(s, now)
		return
	}
	d.stopAt = time.Time{}
	d.cfg.Log.Error("the machine did not stop and is cut off", "answered", d.stopHeard, "tool on", d.here.toolOn)
	if err := s.cable.Cut(); err != nil {
		d.cfg.Log.Error("cutting the machine off", "error", err)
	}
	d.lose("it did not stop and was cut off")
}

// fresh asks and waits for an answer that is younger than the call.
func (d *Driver) fresh(ctx context.Context) error {
	d.mu.Lock()
	want := d.asks + 1
	d.mu.Unlock()
	ctx, cancel := context.WithTimeoutCause(ctx, 4*d.lang.answerWithin, errors.New("no answer"))
	defer cancel()
	err := d.await(ctx, func() bool {
		if d.answered >= want {
			return true
		}
		if s := d.session; s != nil && !s.gone {
			d.question(s, time.Now())
		}
		return false
	})
	if err != nil && errors.Is(err, context.DeadlineExceeded) {
		return fmt.Errorf("%w: it does not say where it is within %v", driver.ErrLost, d.lang.answerWithin)
	}
	return err
}

// await waits until something has become true, whatever stands in the way of lines; it ends early
// when ctx ends or the machine has gone. until is called with mu held.
func (d *Driver) await(ctx context.Context, until func() bool) error {
	return d.watch(ctx, look, func() (bool, error) {
		if until() {
			return true, nil
		}
		if s := d.session; d.closed || s == nil || s.gone || d.lost != "" {
			return false, fmt.Errorf("%w: %s", driver.ErrLost, cmp.Or(d.lost, "not open"))
		}
		return false, nil
	})
}

// watch asks see at each change, and at least every so often, until it says that it is done or what is wrong. see is
// called with mu held.
func (d *Driver) watch(ctx context.Context, every time.Duration, see func() (done bool, err error)) error {
	timer := time.NewTimer(every)
	defer timer.Stop()
	for {
		d.mu.Lock()
		done, err := see()
		changed := d.changed
		d.mu.Unlock()
		if done || err != nil {
			return err
		}
		timer.Reset(every)
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-changed:
		case <-timer.C:
		}
	}
}

// Where asks the machine where it is. It is no sign of life: a worker that only looks has stopped
// working.
func (d *Driver) Where() (driver.Status, error) {
	if err := d.fresh(context.Background()); err != nil {
		return driver.Status{}, err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	s := driver.Status{Position: d.here.at, Homed: d.hasPlace(), ToolOn: d.here.toolOn, Moving: d.here.moving && !d.here.held,
		DoneMS: int64(d.doneMS), Span: d.span}
	if d.here.tellsDone {
		s.DoneMS = d.here.doneMS - d.doneFrom
	}
	return s, nil
}

// hasPlace says whether the axes have found their place. The caller holds mu.
func (d *Driver) hasPlace() bool {
	if d.lang.placed != nil {
		return d.here.placed
	}
	return d.homed
}

// Sheet is nil: such a machine keeps none.
func (d *Driver) Sheet() (*driver.Sheet, error) { return nil, nil }
