package queue

import (
	"testing"
	"time"
)

// TestLaying: what laying a sheet takes is the middle of what it took here, each kind by itself, and assumed where
// fewer than PaceRuns of that kind are known.
func TestLaying(t *testing.T) {
	t.Parallel()
	laid := func(same bool, minutes ...int) (all []Laid) {
		for _, m := range minutes {
			all = append(all, Laid{Took: time.Duration(m) * time.Minute, SameLot: same})
		}
		return all
	}
	var p Pace
	p.Lay(append(laid(false, 9, 7, 5, 30, 8), laid(true, 2, 3, 2, 2)...))
	if took, known := p.Laying(false); took != 8*time.Minute || !known {
		t.Errorf("another lot takes %s, known %v", took, known)
	}
	if took, known := p.Laying(true); took != usualSameLot || known {
		t.Errorf("four are too few to know, and it takes %s", took)
	}
	l := Lane{Pace: p, Loaded: id(3, 1), Now: noon, Waiting: []Waiting{waits(1, 1, 2, 10*time.Minute)}}
	if end := Order(l)[0].End.Sub(noon); end != 8*time.Minute+10*time.Minute+usualPace.Around {
		t.Errorf("it ends after %s", end)
	}
}
