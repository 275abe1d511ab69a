package worker

import (
	"context"
	"errors"
	"iter"
	"strconv"
	"time"

	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/plan/motion"
	"kerfgate/queue/broker"
	"kerfgate/worker/driver"
)

// moveWait bounds one set-up command.
const moveWait = 5 * time.Minute

// move carries out one set-up command. The driver is disarmed and no line made here has a word that
// switches a tool.
func (w *Worker) move(ctx context.Context, a doSetup, stops int64) broker.SetupResult {
	ctx, cancel := context.WithTimeout(ctx, moveWait)
	defer cancel()
	result := broker.SetupResult{Leave: a.leave, Number: a.command.Number}
	if a.command.Kind == broker.SetupMeasure {
		result.Numbers, result.Problem = w.measure(ctx, a, stops)
	} else {
		result.Problem = w.moving(ctx, a, stops)
	}
	if status, err := w.where(); err == nil {
		result.Position, result.Homed, result.Span = status.Position, status.Homed, status.Span
	} else if result.Problem == "" {
		result.Problem = phraseLost
	}
	return result
}

func (w *Worker) moving(ctx context.Context, a doSetup, stops int64) string {
	if a.command.Kind == broker.SetupWhere {
		if w.held.Load() == nil {
			return phraseLost
		}
		return ""
	}
	status, problem := w.ready(ctx)
	if problem != "" {
		return problem
	}
	to := status.Position.Add(a.command.By)
	switch {
	case a.command.Kind == broker.SetupHome:
		return w.home(ctx, a, stops)
	case a.command.Kind != broker.SetupJog:
		return phraseCommand
	case !status.Homed:
		return phraseNotHomed
	case !a.profile.WithinStops(to):
		return phraseTravel
	}
	h := w.held.Load()
	if h == nil {
		return phraseLost
	}
	for line := range setupLines(status.Position, to, a.profile.Bounded(machine.HandUMPerS)) {
		if err := w.leashed(ctx, stops); err != nil {
			return movePhrase(err)
		}
		if err := h.driver.Send(ctx, line); err != nil {
			return movePhrase(err)
		}
	}
	return movePhrase(h.driver.Drain(ctx))
}

// ready makes the driver usable and takes from it the leave to switch the tool on, which nothing under
// a set-up leave gives back.
func (w *Worker) ready(ctx context.Context) (driver.Status, string) {
	if err := w.makeUsable(ctx); err != nil {
		if errors.Is(err, errNoMachine) {
			return driver.Status{}, phraseLost
		}
		w.cfg.Log.Error("set-up", "error", err)
		return driver.Status{}, phraseDriverFailed
	}
	if err := w.onMachine(func(d driver.Driver) error { d.Disarm(); return nil }); err != nil {
		return driver.Status{}, phraseLost
	}
	status, err := w.where()
	if err != nil {
		return driver.Status{}, phraseLost
	}
	return status, ""
}

// home lets each axis find its place as the profile says: at its end switch, in the middle of a span that
// is compared with the profile, or on the mark to which a person says to have carried it.
func (w *Worker) home(ctx context.Context, a doSetup, stops int64) string {
	if len(a.profile.ByHand()) > 0 && !a.command.OnMark {
		return phraseByHand
	}
	if w.stops.Load() != stops {
		return phraseStop
	}
	if err := w.onMachine(func(d driver.Driver) error { return d.Home(ctx) }); err != nil {
		return movePhrase(err)
	}
	status, err := w.where()
	switch {
	case err != nil:
		return phraseLost
	case len(a.profile.SpanProblems(status.Span)) > 0:
		return phraseSpan
	case !status.Homed:
		return phraseNotHomed
	}
	return ""
}

// told is what is answered: with where the carriage is, where the answer is to say that.
func (w *Worker) told(a doSetupTell) broker.SetupResult {
	r := a.result
	if at := w.carried.Load(); a.moving && at != nil {
		r.Position, r.Homed = *at, true
	}
	if a.where {
		if status, err := w.where(); err == nil {
			r.Position, r.Homed = status.Position, status.Homed
		}
	}
	return r
}

func movePhrase(err error) string {
	switch {
	case err == nil:
		return ""
	case errors.Is(err, driver.ErrStopped):
		return phraseStop
	case errors.Is(err, driver.ErrRefused):
		return phraseRefusedLine
	}
	return phraseLost
}

// setupLines renders a move at a speed that hands and eyes can follow: G1 with a feed (ISO 6983-1).
func setupLines(from, to geom.Point, speed int64) iter.Seq[string] {
	return offLines("G1", from, to, speed, " F"+millimetres(speed*60))
}

// travelLines renders a move as fast as the machine travels: G0 (ISO 6983-1).
func travelLines(from, to geom.Point, p machine.Profile) iter.Seq[string] {
	return offLines("G0", from, to, p.TravelSpeedUMPerS, "")
}

// offLines renders a move with the tool off: G21 (mm), G90 (absolute) and no word that could switch anything on, each
// line short enough that a stop leaves little to run.
func offLines(word string, from, to geom.Point, speed int64, feed string) iter.Seq[string] {
	return func(yield func(string) bool) {
		if !yield("G21") || !yield("G90") || !yield("M5") {
			return
		}
		for q := range parts(from, to, max(1, speed*motion.LongestLineMS/1000)) {
			if !yield(word + " X" + millimetres(q.X) + " Y" + millimetres(q.Y) + feed) {
				return
			}
		}
	}
}

// parts cuts a way into pieces that are no longer than step along either axis.
func parts(from, to geom.Point, step int64) iter.Seq[geom.Point] {
	return func(yield func(geom.Point) bool) {
		way := to.Sub(from)
		n := (max(way.X, -way.X, way.Y, -way.Y) + step - 1) / step
		for i := int64(1); i <= n; i++ {
			if !yield(from.Add(geom.Pt(way.X*i/n, way.Y*i/n))) {
				return
			}
		}
	}
}

// millimetres prints whole micrometres as millimetres with three decimals.
func millimetres(um int64) string {
	sign := ""
	if um < 0 {
		sign, um = "-", -um
	}
	frac := strconv.FormatInt(um%1000+1000, 10)[1:]
	return sign + strconv.FormatInt(um/1000, 10) + "." + frac
}
