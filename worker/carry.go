package worker

import (
	"context"
	"errors"
	"fmt"
	"time"

	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/queue/broker"
	"kerfgate/worker/driver"
)

const (
	// carryLine is the motion of one line of a hold, in real time also on a machine whose motion is sped up:
	// no more than two of them are ever on their way, so that the carriage rests soon after a release.
	carryLine = 40 * time.Millisecond
	carryLook = 5 * time.Millisecond
	// restWithin is how long what was sent may take to be carried out; a machine that is slower, or holds,
	// is stopped, so that the rest of a hold never comes later.
	restWithin = time.Second
)

// grip makes the machine ready for a hold: usable, disarmed, and with a place.
func (w *Worker) grip(ctx context.Context, a doGrip, stops int64) evGripped {
	r := broker.SetupResult{Leave: a.leave, Number: a.command.Number}
	if way := a.command.By; max(way.X, -way.X)+max(way.Y, -way.Y) != 1 {
		r.Problem = phraseCommand
		return evGripped{result: r}
	}
	status, problem := w.ready(ctx)
	if r.Position, r.Homed, r.Problem = status.Position, status.Homed, problem; problem == "" {
		switch edge := edgeFrom(status.Position, a.command.By, a.profile); {
		case w.stops.Load() != stops:
			r.Problem = phraseStop
		case !status.Homed:
			r.Problem = phraseNotHomed
		case edge == status.Position:
			r.Problem = phraseEdge
		}
	}
	return evGripped{result: r}
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
// if it will have been carried out while the hold still counts.
func (w *Worker) carry(ctx context.Context, a doCarry, stops int64) evCarried {
	problem := w.carrying(ctx, a, stops)
	r := broker.SetupResult{Problem: problem}
	if status, err := w.where(); err == nil {
		r.Position, r.Homed = status.Position, status.Homed
	} else if r.Problem == "" {
		r.Problem = phraseLost
	}
	return evCarried{result: r}
}

func (w *Worker) carrying(ctx context.Context, a doCarry, stops int64) string {
	h := w.held.Load()
	if h == nil {
		return phraseLost
	}
	status, err := w.where()
	if err != nil {
		return phraseLost
	}
	speed := a.profile.Bounded(machine.HandUMPerS)
	if a.fine {
		speed = a.profile.Bounded(machine.FineUMPerS)
	}
	step := max(1, speed*carryLine.Milliseconds()/1000)
	at, edge := status.Position, edgeFrom(status.Position, a.way, a.profile)
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
			return w.carryStopped(err)
		}
	}
	problem := ""
	for problem == "" {
		now := w.cfg.Clock.Boot()
		done = max(done, now)
		until := time.Duration(w.holdUntil.Load())
		if now >= until {
			break
		}
		if done-now > carryLine || done+carryLine > until {
			w.pause(ctx, carryLook)
			if w.stops.Load() != stops {
				return phraseStop
			}
			continue
		}
		next := nearer(at, edge, step)
		if next == at {
			problem = phraseEdge
			break
		}
		if err := send(fmt.Sprintf("G1 X%s Y%s F%s", millimetres(next.X), millimetres(next.Y), millimetres(speed*60))); err != nil {
			return w.carryStopped(err)
		}
		at, done = next, done+carryLine
		w.carried.Store(&next) // of this line alone: at goes on
	}
	resting, cancel := context.WithTimeout(ctx, restWithin)
	defer cancel()
	if err := h.driver.Drain(resting); err != nil {
		return w.carryStopped(err)
	}
	return problem
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

// nearer is a step along an axis towards a place, or the place itself.
func nearer(at, to geom.Point, step int64) geom.Point {
	move := func(a, b int64) int64 { return a + min(step, max(-step, b-a)) }
	return geom.Pt(move(at.X, to.X), move(at.Y, to.Y))
}
