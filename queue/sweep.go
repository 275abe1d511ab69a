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
	// ForgetKeys deletes the idempotency keys that are too old to bind anything.
	ForgetKeys(ctx context.Context) (int, error)
	// KeepHead signs a head of the logbook where one is due.
	KeepHead(ctx context.Context) (int, error)
	// ForgetPlans deletes the plans of which nothing came in 30 days.
	ForgetPlans(ctx context.Context) (int, error)
}

// sweepEvery is how often time alone may change something. Nothing depends on it being exact: a
// worker judges a permit's age by its own clock.
const sweepEvery = 5 * time.Second

// Sweep does what the passing of time asks for until ctx ends. Any number of servers may sweep.
func Sweep(ctx context.Context, store Expirer, log *slog.Logger) error {
	tick := time.NewTicker(sweepEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
		for name, expire := range map[string]func(context.Context) (int, error){
			"checklists": store.ExpireChecklists, "permits": store.ExpirePermits, "idempotency keys": store.ForgetKeys,
			"heads": store.KeepHead, "plans": store.ForgetPlans,
		} {
			if n, err := expire(ctx); err != nil && ctx.Err() == nil {
				log.Error("sweep", "what", name, "error", err)
			} else if n > 0 {
				log.Info("swept", "what", name, "count", n)
			}
		}
	}
}
