package bench

import (
	"context"
	"sync"
	"testing"
	"time"

	"kerfgate/db"
	"kerfgate/queue"
)

// starts is how long after the press of Sign and start the first line goes to the machine, countdown
// left out.
func (w *workshop) starts(f *floorWorker, n int) measured {
	w.b.Helper()
	var took []time.Duration
	began := time.Now()
	for range n {
		run := w.submit().Runs[0].ID
		w.toTheGate(run)
		pressed := time.Now()
		w.signAndStart(run)
		select {
		case moved := <-f.moved:
			took = append(took, moved.Sub(pressed))
		case <-time.After(time.Minute):
			w.b.Fatal("no motion within a minute of Sign and start")
		}
		_, err := w.stop(f)
		w.must(err)
		w.finish(run)
	}
	return of(took, time.Since(began))
}

// stopsUnderLoad presses Stop run while a run moves and clients write all that they can. The first
// press of each round meets a moving machine; the others are as urgent to whoever presses.
func (w *workshop) stopsUnderLoad(b *testing.B, f *floorWorker, rounds int) measured {
	b.Helper()
	ctx, end := context.WithCancel(b.Context())
	idle := make(chan struct{})
	go func() {
		defer close(idle)
		w.pressUntil(ctx, clients)
	}()
	defer func() { end(); <-idle }()
	var took []time.Duration
	began := time.Now()
	for range rounds {
		run := w.submit().Runs[0].ID
		w.toTheGate(run)
		w.signAndStart(run)
		select {
		case <-f.moved:
		case <-time.After(time.Minute):
			b.Fatal("no motion within a minute of Sign and start")
		}
		for range 40 {
			d, err := w.stop(f)
			w.must(err)
			took = append(took, d)
		}
		w.waitFor(run, "it to end", func(r db.Run) bool { return r.Phase == queue.Inspecting })
		w.finish(run)
	}
	return of(took, time.Since(began))
}

// pressUntil lets callers change state, one after the other each, until ctx ends.
func (w *workshop) pressUntil(ctx context.Context, callers int) {
	var wait sync.WaitGroup
	for range callers {
		wait.Go(func() {
			for ctx.Err() == nil {
				_ = w.store.NoteStop(ctx, w.officer, w.other.ID, "load") // the load may fail, as long as it loads
			}
		})
	}
	wait.Wait()
}
