package dose

import "sync"

// What watches for hot places is half of a dose's work and needs nothing of the other half: it follows on a
// core of its own, in the order in which it is fed, so that what it finds does not depend on how far behind it is.

// batch is how many entries are handed over at a time, and ahead how many batches may wait.
const (
	batch = 1024
	ahead = 4
)

// feed hands entries to heat.
type feed struct {
	now  []entry
	full chan []entry
	free chan []entry
	done sync.WaitGroup
}

func newFeed(h *heat) *feed {
	f := &feed{now: make([]entry, 0, batch), full: make(chan []entry, ahead), free: make(chan []entry, ahead+1)}
	f.done.Go(func() {
		for entries := range f.full {
			for i := range entries {
				h.put(&entries[i])
			}
			select {
			case f.free <- entries:
			default:
			}
		}
	})
	return f
}

// next is room for an entry, which is handed over with those before it.
func (f *feed) next() *entry {
	if len(f.now) == batch {
		f.full <- f.now
		select {
		case old := <-f.free:
			f.now = old[:0]
		default:
			f.now = make([]entry, 0, batch)
		}
	}
	f.now = f.now[:len(f.now)+1]
	return &f.now[len(f.now)-1]
}

// close hands over the rest and waits until all is taken.
func (f *feed) close() {
	f.full <- f.now
	close(f.full)
	f.done.Wait()
}
