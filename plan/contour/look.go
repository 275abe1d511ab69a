package contour

import (
	"runtime"
	"slices"
	"sync"
	"sync/atomic"

	"kerfgate/plan/geom"
)

// chunk is how many segments are looked at by themselves, mostCores how many goroutines share them: what
// is found does not depend on how many there are.
const (
	chunk     = 4096
	mostCores = 4
)

// look is how one goroutine looks at segments.
type look[T any] struct {
	searches []*geom.SegmentSearch            // that it asks; their visits are its work
	at       func(segment int, found []T) []T // appends what it finds at a segment
}

// lookAtAll looks at the segments from 0 to n, a chunk of them at a time, by a look of its own for each
// goroutine. It gives what was found in the order of the segments, a slice for each chunk. The error is
// ErrTangled, where it is more than most or the work more than mostVisits.
func lookAtAll[T any](n, most int, begin func() look[T]) ([][]T, error) {
	chunks := (n + chunk - 1) / chunk
	found := make([][]T, chunks)
	var next, visits, count atomic.Int64
	over := func() bool { return visits.Load() > mostVisits || count.Load() > int64(most) }
	var wait sync.WaitGroup
	for range min(chunks, runtime.GOMAXPROCS(0), mostCores) {
		wait.Go(func() {
			l := begin()
			var room []T
			for c := int(next.Add(1)) - 1; c < chunks && !over(); c = int(next.Add(1)) - 1 {
				room = l.chunk(c*chunk, min((c+1)*chunk, n), room[:0], func(work, some int64) bool {
					visits.Add(work)
					count.Add(some)
					return !over()
				})
				found[c] = slices.Clone(room)
			}
		})
	}
	wait.Wait()
	// Work that was broken off has counted more than a bound, whoever did it.
	if over() {
		return nil, ErrTangled
	}
	return found, nil
}

// told is after how many visits or finds a look says how many they were.
const told = 1 << 14

// chunk looks at the segments from first to before end, and ends early where spend says so.
func (l look[T]) chunk(first, end int, found []T, spend func(work, some int64) bool) []T {
	for _, s := range l.searches {
		s.Forget()
	}
	before, had := l.visits(), 0
	for s := first; s < end; s++ {
		found = l.at(s, found)
		work, some := l.visits()-before, len(found)-had
		if work+int64(some) < told && s+1 < end {
			continue
		}
		if before, had = before+work, len(found); !spend(work, int64(some)) {
			break
		}
	}
	return found
}

func (l look[T]) visits() int64 {
	var sum int64
	for _, s := range l.searches {
		sum += s.Visits
	}
	return sum
}
