package worker

import (
	"context"
	"errors"
	"time"

	"kerfgate/worker/driver"
)

// leashLook is how often lines that have run ahead look whether the core goes on.
const leashLook = 20 * time.Millisecond

var errPlanGone = errors.New("the plan can no longer be read")

// stream hands the plan's motion lines to the machine. Before each one it makes sure that no stop
// came since the permit was taken and that the core is alive.
func (w *Worker) stream(ctx context.Context, a doStream, stops int64) {
	ended := evStreamEnded{run: a.run}
	defer func() {
		w.inbox.post(ended)
		if ended.err != nil {
			w.cfg.Log.Warn("the lines ended early", "run", a.run, "error", ended.err)
		}
	}()
	h := w.held.Load()
	v := w.view.Load()
	if h == nil {
		ended.err = driver.ErrLost
		return
	}
	first := true
	send := func(text string) bool {
		if ended.err = w.leashed(ctx, stops); ended.err != nil {
			return false
		}
		if first {
			w.cfg.Failpoint("first line")
		}
		if ended.err = h.driver.Send(ctx, text); ended.err != nil {
			return false
		}
		if first {
			first = false
			w.cfg.Failpoint("after first line")
		}
		return true
	}
	// The plan's lines begin where the carriage stands on the origin; it gets there disarmed.
	status, err := h.driver.Where()
	if ended.err = err; err != nil {
		return
	}
	if ended.err = h.driver.Fit(a.plan.Tool); ended.err != nil {
		return
	}
	for text := range travelLines(status.Position, a.origin, v.profile) {
		if !send(text) {
			return
		}
	}
	if ended.err = h.driver.Arm([16]byte(a.run)); ended.err != nil {
		return
	}
	on := false
	for line := range w.cfg.lines(a.plan, v.profile, a.origin) {
		if line.On && !on {
			on = true
			w.inbox.post(evToolOn{run: a.run})
		}
		if !send(line.Text) {
			return
		}
	}
	if err := a.plan.Err(); err != nil { // the lines ended where the disk did
		ended.err = errors.Join(errPlanGone, err)
		return
	}
	if ended.err = h.driver.Drain(ctx); ended.err != nil {
		return
	}
	status, err = h.driver.Where()
	ended.err, ended.stillOn = err, status.ToolOn
}

// leashed returns when a line may go out.
func (w *Worker) leashed(ctx context.Context, stops int64) error {
	for {
		if w.stops.Load() != stops {
			return driver.ErrStopped
		}
		if int64(w.cfg.Clock.Boot()) <= w.leash.Load() {
			return ctx.Err()
		}
		timer := time.NewTimer(leashLook)
		select {
		case <-ctx.Done():
			timer.Stop()
			return ctx.Err()
		case <-timer.C:
		}
	}
}
