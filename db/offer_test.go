package db_test

import (
	"slices"
	"testing"

	"github.com/google/uuid"

	"kerfgate/db/dbtest"
	"kerfgate/queue/broker"
)

// What is offered of single runs is what is offered of the whole queue, whether it fits into what a machine
// prepares ahead or not; and whether it does is told.
func TestOffersOf(t *testing.T) {
	t.Parallel()
	w := dbtest.NewWorkshop(t)
	const ahead = 8
	job := w.Submit(t, ahead+2)
	ids := make([]uuid.UUID, len(job.Runs))
	for i, r := range job.Runs {
		ids[i] = r.ID
	}
	same := func(want int, more bool) {
		t.Helper()
		all, err := w.Offers(t.Context(), w.Machine.ID)
		if err != nil || len(all) != want {
			t.Fatalf("%d runs are offered, want %d: %v", len(all), want, err)
		}
		for _, id := range ids {
			got, told, err := w.OffersOf(t.Context(), w.Machine.ID, []uuid.UUID{id})
			if err != nil {
				t.Fatal(err)
			}
			only := slices.DeleteFunc(slices.Clone(all), func(o broker.Offer) bool { return o.Run != id })
			if told != more || !slices.Equal(got, only) {
				t.Errorf("run %s: %+v, more %v; of all it is %+v, more %v", id, got, told, only, more)
			}
		}
	}
	same(ahead, true)
	// Another machine's run is nobody else's to offer.
	if got, more, err := w.OffersOf(t.Context(), uuid.New(), ids); err != nil || len(got) != 0 || more {
		t.Errorf("a machine that is not there is offered %+v, more %v, %v", got, more, err)
	}
	// What is left after a withdrawal fits.
	if _, err := w.WithdrawJob(t.Context(), w.Member, job.ID, 0); err != nil {
		t.Fatal(err)
	}
	same(0, false)
	ids = append(ids, w.Submit(t, ahead).Runs[0].ID)
	same(ahead, false)
}
