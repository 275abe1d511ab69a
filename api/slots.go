package api

import (
	"context"
	"time"
)

// slots bounds how many of something go on at once.
type slots chan struct{}

func newSlots(n int) slots { return make(slots, n) }

// slotPatience is how long a request waits for a slot.
const slotPatience = 20 * time.Second

// take waits for a slot and gives the function that returns it; errBusy when none came free.
func (s slots) take(ctx context.Context) (release func(), err error) {
	patience := time.NewTimer(slotPatience)
	defer patience.Stop()
	select {
	case s <- struct{}{}:
		return func() { <-s }, nil
	case <-patience.C:
		return nil, errBusy
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}
