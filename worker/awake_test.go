package worker

import (
	"context"
	"errors"
	"log/slog"
	"sync/atomic"
	"testing"
	"testing/synctest"
)

// TestRunKeepsHostAwake: one lock a run, held from its first step to its last, let go at the worker's end,
// and a host that has no such lock is no hindrance.
func TestRunKeepsHostAwake(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		var held, taken atomic.Int64
		w := &Worker{cfg: Config{Log: slog.New(slog.DiscardHandler)}}
		v := vigil{stay: func(context.Context) (func(), error) {
			taken.Add(1)
			held.Add(1)
			return func() { held.Add(-1) }, nil
		}}
		ctx, cancel := context.WithCancel(t.Context())
		want := func(when string, n, of int64) {
			t.Helper()
			synctest.Wait()
			if held.Load() != n || taken.Load() != of {
				t.Errorf("%s: %d held, %d taken; want %d, %d", when, held.Load(), taken.Load(), n, of)
			}
		}
		v.watch(ctx, w, false)
		want("idle", 0, 0)
		for range 3 {
			v.watch(ctx, w, true)
		}
		want("in a run", 1, 1)
		v.watch(ctx, w, false)
		v.watch(ctx, w, true)
		want("in the next run", 1, 2)
		cancel()
		w.group.Wait()
		want("at the end", 0, 2)

		none := vigil{stay: func(context.Context) (func(), error) { return nil, errors.New("no bus") }}
		none.watch(t.Context(), w, true)
		none.watch(t.Context(), w, false)
		w.group.Wait()
	})
}

// TestStayAwake tries the host's own service where there is one that answers.
func TestStayAwake(t *testing.T) {
	t.Parallel()
	release, err := StayAwake(t.Context())
	if err != nil {
		t.Skipf("SKIPPED: this host cannot be kept awake: %v", err)
	}
	release()
}
