package queue

import (
	"context"
	"log/slog"
	"time"
)

// Expirer is what the sweeper calls; the store is one.
type Expirer interface {
	// ExpireChecklists releases the checklists that nobody touched for ten minutes.
	ExpireChecklists(ctx context.Context) (int, error)
	// ExpirePermits voids the permits that no worker took in time.
	ExpirePermits(ctx context.Context) (int, error)
	// MissWatches writes down the looks of a fire watch that were due and not taken.
	MissWatches(ctx context.Context) (int, error)
	// ForgetKeys deletes the idempotency keys that are too old to bind anything.
	ForgetKeys(ctx context.Context) (int, error)
	// KeepHead signs a head of the logbook where one is due.
	KeepHead(ctx context.Context) (int, error)
	// LockUncalibrated locks out the machines whose calibration is badly overdue.
	LockUncalibrated(ctx context.Context) (int, error)
	// LockNeglected locks out the machines on which work for safety is overdue.
	LockNeglected(ctx context.Context) (int, error)
	// ForgetPlans deletes the plans of which nothing came in 30 days.
	ForgetPlans(ctx context.Context) (int, error)
}

// sweepEvery is how often time alone may change something. Nothing depends on it being exact: a
// worker judges a permit's age by its own clock.
const sweepEvery = 5 * time.Second

// tidyEvery is how often what nobody waits for is done: finding it means looking at all that is old.
const tidyEvery = time.Hour

// Sweep does what the passing of time asks for until ctx ends. Any number of servers may sweep.
func Sweep(ctx context.Context, store Expirer, log *slog.Logger) error {
	tasks := []struct {
		what  string
		every time.Duration // 0: at each sweep
		do    func(context.Context) (int, error)
		last  time.Time // when nothing was left to do
	}{
		{what: "checklists", do: store.ExpireChecklists},
		{what: "permits", do: store.ExpirePermits},
		{what: "fire watches", do: store.MissWatches},
		{what: "heads", do: store.KeepHead},
		{what: "uncalibrated machines", every: tidyEvery, do: store.LockUncalibrated},
		{what: "neglected machines", every: tidyEvery, do: store.LockNeglected},
		{what: "idempotency keys", every: tidyEvery, do: store.ForgetKeys},
		{what: "plans", every: tidyEvery, do: store.ForgetPlans},
	}
	tick := time.NewTicker(sweepEvery)
	defer tick.Stop()
	for {
		var now time.Time
		select {
		case <-ctx.Done():
			return nil
		case now = <-tick.C:
		}
		for i := range tasks {
			t := &tasks[i]
			if now.Sub(t.last) < t.every {
				continue
			}
			n, err := t.do(ctx)
			switch {
			case err != nil && ctx.Err() == nil:
				log.Error("sweep", "what", t.what, "error", err)
			case n > 0:
				log.Info("swept", "what", t.what, "count", n)
			}
			if err == nil && n == 0 { // else there may be more
				t.last = now
			}
		}
	}
}
