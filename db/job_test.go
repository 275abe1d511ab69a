package db_test

import (
	"errors"
	"testing"

	"kerfgate/db"
)

// What no answer at the gate could cure is refused when the job is submitted; letters count, not bytes.
func TestSubmitRefusesWhatCannotRun(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	job := w.Submit(t, 1)
	long := ""
	for range 120 {
		long += "ü"
	}
	if _, err := w.SubmitJob(t.Context(), w.Member, db.NewJob{Title: long, Plan: job.Plan, Copies: 1}); err != nil {
		t.Errorf("120 letters: %v", err)
	}
	if _, err := w.SetLockout(t.Context(), w.Officer, w.Machine.ID, long+long+long+long); err != nil {
		t.Errorf("480 letters: %v", err)
	}
	if err := w.SetVerdict(t.Context(), w.Officer, w.Material.ID, "forbidden"); err != nil {
		t.Fatal(err)
	}
	var refused *db.Refused
	if _, err := w.SubmitJob(t.Context(), w.Member, db.NewJob{Title: "sign", Plan: job.Plan, Copies: 1}); !errors.As(err, &refused) {
		t.Errorf("submitted in a forbidden material: %v", err)
	}
}
