package broker_test

import (
	"testing"

	"github.com/google/uuid"

	"kerfgate/queue/broker"
)

// A pause reaches its own machine's worker and no other; a run that was withdrawn is told as an offer
// that will never start.
func TestPauseAndWithdrawn(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.serve()
	millPaused, penPaused := make(chan broker.Pause, 4), make(chan broker.Pause, 4)
	k := newTaker()
	s.worker(mill, broker.Handlers{Offer: k.take, Pause: func(p broker.Pause) { millPaused <- p }})
	s.worker(pen, broker.Handlers{Pause: func(p broker.Pause) { penPaused <- p }})
	by := uuid.UUID{15: 3}
	if err := s.server.Pause(mill, broker.Pause{By: by}); err != nil {
		t.Fatal(err)
	}
	if p := receive(t, millPaused, "pause"); p.By != by {
		t.Errorf("%+v", p)
	}
	gone := offerOf(mill, 4)
	gone.Withdrawn = true
	s.desk.mu.Lock()
	s.desk.withdrawn = append(s.desk.withdrawn, gone)
	s.desk.entries = append(s.desk.entries, broker.Followed{Index: int64(len(s.desk.entries)), Kind: "run.withdrawn", Machine: mill, Run: gone.Run})
	s.desk.mu.Unlock()
	s.server.Nudge()
	if o := receive(t, k.c, "withdrawn offer"); o != gone {
		t.Errorf("%+v", o)
	}
	if len(penPaused) != 0 {
		t.Error("the pen was paused with the mill")
	}
}
