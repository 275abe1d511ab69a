package dose

import "sync"

// What watches for hot places is half of a dose's work and needs nothing of the other half: it follows on a
// core of its own, in the order in which it is fed, so that what it finds does not depend on how far behind it is.

// batch is how many shares are handed over at a time, and ahead how many batches may wait.
const (
	batch = 1024
	ahead = 4
)

// feed hands shares to heat.
type feed struct {
	now  []share
	full chan []share
	free chan []share
	done sync.WaitGroup
}

func newFeed(h *heat) *feed {
	f := &feed{now: make([]share, 0, batch), full: make(chan []share, ahead), free: make(chan []share, ahead+1)}
	f.done.Go(func() {
		for shares := range f.full {
			for i := range shares {
				h.add(&shares[i])
			}
			select {
			case f.free <- shares:
			default:
			}
		}
	})
	return f
}

func (f *feed) add(s *share) {
	if f.now = append(f.now, *s); len(f.now) < batch {
		return
	}
	f.full <- f.now
	select {
	case old := <-f.free:
		f.now = old[:0]
	default:
		f.now = make([]share, 0, batch)
	}
}

// close hands over the rest and waits until all is taken.
func (f *feed) close() {
	f.full <- f.now
	close(f.full)
	f.done.Wait()
}
