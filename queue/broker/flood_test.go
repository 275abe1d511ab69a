package broker_test

import (
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"

	"kerfgate/queue/broker"
)

// F35: readings flood the server by more than it may owe its reader, who takes none of them. Stops that are
// pressed meanwhile go by a connection of their own and pass: half of them within 250 ms on whatever
// computer this is.
func TestF35_FloodOfReadings(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.serve()
	stops := make(chan time.Time, 64)
	w := s.worker(mill, broker.Handlers{Stop: func(broker.Stop) { stops <- time.Now() }})
	stuck, free := make(chan struct{}, 1), make(chan struct{})
	cancel := s.server.OnReading(func(uuid.UUID, broker.Reading) {
		select {
		case stuck <- struct{}{}:
		default:
		}
		<-free
	})
	defer cancel()
	defer close(free)
	if err := w.Reading(broker.Reading{Stroke: 1}); err != nil {
		t.Fatal(err)
	}
	receive(t, stuck, "the reading that nobody takes")
	admin := s.admin()
	const piece, pieces = 16 << 10, 80 << 20 / (16 << 10)
	flooded := make(chan error, 1)
	go func() {
		flood := make([]byte, piece)
		for range pieces {
			if err := admin.Publish("reading."+broker.Token(mill), flood); err != nil {
				flooded <- err
				return
			}
		}
		flooded <- admin.FlushTimeout(long)
	}()
	const presses = 15
	var took []time.Duration
	for range presses {
		began := time.Now()
		if err := s.server.Stop(mill, broker.Stop{Reason: "smoke"}); err != nil {
			t.Fatal(err)
		}
		took = append(took, receive(t, stops, "a stop under the flood").Sub(began))
	}
	if err := receive(t, flooded, "the end of the flood"); err != nil {
		t.Fatal(err)
	}
	slices.Sort(took)
	t.Logf("stops took %s to %s", took[0], took[presses-1])
	if took[presses/2] > 250*time.Millisecond {
		t.Errorf("stops took %v", took)
	}
	if at := s.server.Counts(); at.Invalid != 0 {
		t.Errorf("%d readings taken by a reader that is stuck", at.Invalid)
	}
}
