package db

import (
	"testing"
	"time"
)

// Callers go together where the flush is what takes time, and in halves where their statements are; one batch that
// was held up does not change that for long.
func TestWriterPace(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name          string
		change, flush time.Duration
		callers       int
		halves        bool
	}{
		{"a spinning disk", 40 * time.Microsecond, 8 * time.Millisecond, 16, false},
		{"a solid-state disk of the cheaper kind", 40 * time.Microsecond, time.Millisecond, 16, false},
		{"the same with a crowd", 40 * time.Microsecond, time.Millisecond, 100, true},
		{"one that keeps what it has on a battery", 40 * time.Microsecond, 200 * time.Microsecond, 16, true},
	} {
		var p pace
		for range 50 {
			p.note(8, 8*c.change, c.flush)
		}
		if got := p.overlap(c.callers); got != c.halves {
			t.Errorf("%s: %d callers in halves is %v after batches of %+v", c.name, c.callers, got, p)
		}
		p.note(8, 8*c.change+patience, c.flush) // a row was waited for
		for range 40 {
			p.note(8, 8*c.change, c.flush)
		}
		if got := p.overlap(c.callers); got != c.halves {
			t.Errorf("%s: a batch that waited long ago still tells: %+v", c.name, p)
		}
	}
}
