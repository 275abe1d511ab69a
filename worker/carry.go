package worker

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/queue/broker"
	"kerfgate/worker/driver"
)

const (
	// carryLine and traceLine are the longest motion of one line of a hold, in real time also on a machine whose
	// motion is sped up.
	carryLine = machine.HandLineMS * time.Millisecond
	traceLine = machine.TraceLineMS * time.Millisecond
	carryLook = 5 * time.Millisecond
	// restWithin is how long what was sent may take to be carried out; a machine that is slower, or holds,
	// is stopped, so that the rest of a hold never comes later.
	restWithin = time.Second
)

// grip makes the machine ready for a hold: usable, disarmed, and with a place.
func (w *Worker) grip(ctx context.Context, a doGrip, stops int64) evGripped {
	r := broker.SetupResult{Leave: a.leave, Number: a.command.Number}
	around := a.command.Around
	if way := a.command.By; len(around) == 0 && max(way.X, -way.X)+max(way.Y, -way.Y) != 1 || len(around) > broker.MostAround {
		r.Problem = phraseCommand
		return evGripped{command: a.command, result: r}
	}
	status, problem := w.ready(ctx)
	if r.Position, r.Homed, r.Problem = status.Position, status.Homed, problem; problem == "" {
		switch edge := edgeFrom(status.Position, a.command.By, a.profile); {
		case w.stops.Load() != stops:
			r.Problem = phraseStop
		case !status.Homed:
			r.Problem = phraseNotHomed
		case len(around) > 0 && !a.profile.WithinStops(moved(around, a.command.Origin)...):
			r.Problem = phraseTravel
		case len(around) == 0 && edge == status.Position:
			r.Problem = phraseEdge
		}
	}
	return evGripped{command: a.command, result: r}
}

// edgeFrom is where the travel ends on the way from a place.
func edgeFrom(at, way geom.Point, p machine.Profile) geom.Point {
	end := func(at, way, least, most int64) int64 {
		switch {
		case way > 0:
			return max(at, most)
		case way < 0:
			return min(at, least)
		}
		return at
	}
	return geom.Pt(end(at.X, way.X, p.TravelUM.Min.X, p.TravelUM.Max.X), end(at.Y, way.Y, p.TravelUM.Min.Y, p.TravelUM.Max.Y))
}

// carry sends the lines of one hold: short ones at a speed that a hand can follow, tool off, each only
// if it will have been carried out while the hold still counts, and only when the machine says that it has no
// more than one of them left.
func (w *Worker) carry(ctx context.Context, a doCarry, stops int64) evCarried {
	left, problem := w.carrying(ctx, a, stops)
	r := broker.SetupResult{Problem: problem}
	if status, err := w.where(); err == nil {
		r.Position, r.Homed = status.Position, status.Homed
	} else if r.Problem == "" {
		r.Problem = phraseLost
	}
	return evCarried{result: r, left: left}
}

// carrying gives the corners that were not reached, and why the hold ended if no hand let go.
func (w *Worker) carrying(ctx context.Context, a doCarry, stops int64) (left []geom.Point, problem string) {
	h := w.held.Load()
	if h == nil {
		return nil, phraseLost
	}
	status, err := w.where()
	if err != nil {
		return nil, phraseLost
	}
	at := status.Position
	speed, each := a.profile.Bounded(machine.HandUMPerS), carryLine
	left = []geom.Point{edgeFrom(at, a.way, a.profile)}
	switch {
	case len(a.around) > 0:
		speed, each, left = a.profile.TraceSpeed(), traceLine, a.around
	case a.fine:
		speed = a.profile.Bounded(machine.FineUMPerS)
	}
	step := max(1, speed*each.Milliseconds()/1000)
	done := w.cfg.Clock.Boot() // when what was sent will have been carried out
	send := func(line string) error {
		if err := w.leashed(ctx, stops); err != nil {
			return err
		}
		ctx, cancel := context.WithTimeout(ctx, restWithin)
		defer cancel()
		return h.driver.Send(ctx, line)
	}
	for _, line := range []string{"G21", "G90", "M5"} {
		if err := send(line); err != nil {
			return left, w.carryStopped(err)
		}
	}
	for len(left) > 0 {
		if status, err = w.where(); err != nil {
			return left, w.carryStopped(err)
		}
		now := w.cfg.Clock.Boot()
		done = max(done, now)
		until := time.Duration(w.holdUntil.Load())
		if now >= until {
			break
		}
		if done-now > each || done+each > until || geom.Distance(status.Position, at) > float64(step) {
			w.pause(ctx, carryLook)
			if w.stops.Load() != stops {
				return left, phraseStop
			}
			continue
		}
		next := nearer(at, left[0], step)
		if next == at {
			left = left[1:]
			continue
		}
		if err := send(fmt.Sprintf("G1 X%s Y%s F%s", millimetres(next.X), millimetres(next.Y), millimetres(speed*60))); err != nil {
			return left, w.carryStopped(err)
		}
		took := min(each, time.Duration(geom.Distance(at, next)*float64(time.Second)/float64(speed)))
		at, done = next, done+took
		w.carried.Store(&next) // of this line alone: at goes on
	}
	resting, cancel := context.WithTimeout(ctx, restWithin)
	defer cancel()
	if err := h.driver.Drain(resting); err != nil {
		return left, w.carryStopped(err)
	}
	if len(left) == 0 && len(a.around) == 0 {
		problem = phraseEdge
	}
	return left, problem
}

// carryStopped ends a hold whose lines did not go as they should: off is sent, so that nothing that the
// machine still owes comes later.
func (w *Worker) carryStopped(err error) string {
	if errors.Is(err, driver.ErrStopped) {
		return phraseStop
	}
	if halted := w.halt(); halted != nil {
		w.cfg.Log.Error("stopping after a hold", "error", halted)
	}
	w.cfg.Log.Warn("the lines of a hold ended", "error", err)
	return movePhrase(err)
}

func (w *Worker) pause(ctx context.Context, d time.Duration) {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
	case <-timer.C:
	}
}

// nearer is a step straight towards a place, or the place itself.
func nearer(at, to geom.Point, step int64) geom.Point {
	way := geom.Distance(at, to)
	if way <= float64(step) {
		return to
	}
	part := func(a, b int64) int64 { return a + int64(math.Round(float64(b-a)*float64(step)/way)) }
	return geom.Pt(part(at.X, to.X), part(at.Y, to.Y))
}
