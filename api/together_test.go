package api

import (
	"context"
	"errors"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"
)

// TestTogether: of a hundred who ask at once few read, and nobody gets what was begun before they asked.
func TestTogether(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		var readings atomic.Int64
		s := together[time.Time]{read: func(context.Context) (time.Time, error) {
			readings.Add(1)
			began := time.Now()
			time.Sleep(time.Second)
			return began, nil
		}}
		var wait sync.WaitGroup
		for i := range 100 {
			wait.Go(func() {
				time.Sleep(time.Duration(i) * 20 * time.Millisecond)
				asked := time.Now()
				began, err := s.get(t.Context())
				if err != nil || began.Before(asked) {
					t.Errorf("asked at %s, got what was begun at %s (%v)", asked, began, err)
				}
				if took := time.Since(asked); took > 2*time.Second {
					t.Errorf("waited %s, longer than for the reading under way and the next", took)
				}
			})
		}
		wait.Wait()
		if n := readings.Load(); n != 3 { // at 0 s, 1 s and 2 s
			t.Errorf("%d readings", n)
		}
	})
}

// TestTogetherAlone: who leaves takes nothing from the others, neither while waiting nor while reading, and a
// failure is told and not kept.
func TestTogetherAlone(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		broken := errors.New("broken")
		fails := true
		s := together[int]{read: func(ctx context.Context) (int, error) {
			time.Sleep(time.Second)
			if ctx.Err() != nil {
				return 0, ctx.Err()
			}
			if fails {
				return 0, broken
			}
			return 7, nil
		}}
		leaves, leave := context.WithCancel(t.Context())
		go func() { _, _ = s.get(leaves) }() // begins to read
		synctest.Wait()
		go func() { // waits for the next reading, and goes
			if _, err := s.get(leaves); !errors.Is(err, context.Canceled) {
				t.Error(err)
			}
		}()
		synctest.Wait()
		leave()
		synctest.Wait()
		if _, err := s.get(t.Context()); !errors.Is(err, broken) {
			t.Errorf("the failure: %v", err)
		}
		fails = false
		if n, err := s.get(t.Context()); n != 7 || err != nil {
			t.Errorf("%d %v after a failure", n, err)
		}
	})
}
