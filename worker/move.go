package worker

import (
	"context"
	"errors"
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
	result.Problem = w.moving(ctx, a, stops)
	if status, err := w.where(); err == nil {
		result.Position, result.Homed = status.Position, status.Homed
	} else if result.Problem == "" {
		result.Problem = phraseLost
	}
	return result
}

func (w *Worker) moving(ctx context.Context, a doSetup, stops int64) string {
	h := w.held.Load()
	if h == nil {
		return phraseLost
	}
	if a.command.Kind == broker.SetupWhere {
		return ""
	}
	if err := w.makeUsable(ctx); err != nil {
		w.cfg.Log.Error("set-up", "error", err)
		return phraseDriverFailed
	}
	h.driver.Disarm()
	status, err := h.driver.Where()
	if err != nil {
		return phraseLost
	}
	var path []geom.Point
	switch a.command.Kind {
	case broker.SetupHome:
		if w.stops.Load() != stops {
			return phraseStop
		}
		return movePhrase(h.driver.Home(ctx))
	case broker.SetupJog:
		path = []geom.Point{status.Position.Add(a.command.By)}
	case broker.SetupTrace:
		path = outline(a.command.Extents.Move(a.command.Origin))
	default:
		return phraseCommand
	}
	if !status.Homed {
		return phraseNotHomed
	}
	for _, p := range path {
		if !(geom.Box{Min: p, Max: p}).Inside(a.profile.TravelUM) {
			return phraseTravel
		}
	}
	for line := range travelLines(status.Position, path, a.profile) {
		if err := w.leashed(ctx, stops); err != nil {
			return movePhrase(err)
		}
		if err := h.driver.Send(ctx, line); err != nil {
			return movePhrase(err)
		}
	}
	return movePhrase(h.driver.Drain(ctx))
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

// outline is the way around a box and back to its first corner.
func outline(b geom.Box) []geom.Point {
	return []geom.Point{b.Min, geom.Pt(b.Max.X, b.Min.Y), b.Max, geom.Pt(b.Min.X, b.Max.Y), b.Min}
}

// travelLines renders moves with the tool off, each line short enough that a stop leaves little to
// run: G21 (mm), G90 (absolute), then G0 (ISO 6983-1).
func travelLines(from geom.Point, path []geom.Point, p machine.Profile) func(func(string) bool) {
	return func(yield func(string) bool) {
		if !yield("G21") || !yield("G90") || !yield("M5") {
			return
		}
		step := max(1, p.TravelSpeedUMPerS*motion.LongestLineMS/1000)
		for _, to := range path {
			way := to.Sub(from)
			parts := (max(way.X, -way.X, way.Y, -way.Y) + step - 1) / step
			for i := int64(1); i <= parts; i++ {
				q := from.Add(geom.Pt(way.X*i/parts, way.Y*i/parts))
				if !yield("G0 X" + millimetres(q.X) + " Y" + millimetres(q.Y)) {
					return
				}
			}
			from = to
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
