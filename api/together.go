package api

import (
	"context"
	"sync"
	"time"
)

// together reads something once for all who ask while it is being read: many screens that one entry wakes ask
// at one moment. Whoever asks gets what was wholly read after they asked, so nobody sees less than they would
// have by themselves. What comes back is shared: it is not changed.
type together[T any] struct {
	read func(ctx context.Context) (T, error)

	mu      sync.Mutex
	running bool
	next    *reading[T] // not begun: whoever asks now joins it
}

type reading[T any] struct {
	turn  chan struct{} // one of those who wait takes it and reads
	done  chan struct{}
	value T
	err   error
}

// readPatience is how long one reading may take; it does not end with the request that happened to begin it.
const readPatience = 20 * time.Second

func (t *together[T]) get(ctx context.Context) (T, error) {
	t.mu.Lock()
	r := t.next
	if r == nil {
		r = &reading[T]{turn: make(chan struct{}, 1), done: make(chan struct{})}
		t.next = r
		if !t.running {
			r.turn <- struct{}{}
		}
	}
	t.mu.Unlock()
	select {
	case <-r.turn:
		t.lead(ctx, r)
	case <-r.done:
	case <-ctx.Done(): // the turn stays for whoever joins next
		var none T
		return none, ctx.Err()
	}
	return r.value, r.err
}

func (t *together[T]) lead(ctx context.Context, r *reading[T]) {
	t.mu.Lock()
	t.running, t.next = true, nil
	t.mu.Unlock()
	defer func() {
		t.mu.Lock()
		t.running = false
		if t.next != nil {
			t.next.turn <- struct{}{}
		}
		t.mu.Unlock()
		close(r.done)
	}()
	r.err = errBusy // for who waits, should reading panic
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), readPatience)
	defer cancel()
	r.value, r.err = t.read(ctx)
}
