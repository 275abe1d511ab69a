package db_test

import (
	"errors"
	"testing"

	"kerfgate/checklist"
	"kerfgate/db"
)

// A server that stands still in the middle of a change does not hold up the others for ever.
func TestStandingStillGivesTheHeadBack(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	var timeout string
	if err := w.Pool.QueryRow(t.Context(), `SHOW idle_in_transaction_session_timeout`).Scan(&timeout); err != nil || timeout != "10s" {
		t.Errorf("timeout is %q, %v", timeout, err)
	}
	conn, err := w.Pool.Acquire(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Release()
	for _, sql := range []string{`SET idle_in_transaction_session_timeout = '100ms'`, `BEGIN`, `SELECT 1 FROM log_head FOR UPDATE`} {
		if _, err := conn.Exec(t.Context(), sql); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.NoteStop(t.Context(), w.Operator, w.Machine.ID, "station"); err != nil {
		t.Error(err)
	}
}

// A text that Postgres cannot keep is refused with what to do, not an inner error.
func TestTextThatCannotBeKept(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	job := w.Submit(t, 1)
	var refused *db.Refused
	if _, err := w.SetLockout(t.Context(), w.Officer, w.Machine.ID, "belt\x00"); !errors.As(err, &refused) {
		t.Errorf("lockout: %v", err)
	}
	if _, err := w.SubmitJob(t.Context(), w.Member, db.NewJob{Title: "sign\x00", Plan: job.Plan, Copies: 1}); !errors.As(err, &refused) {
		t.Errorf("job: %v", err)
	}
	w.atTheGate(t, job.Runs[0].ID)
	if _, err := w.Answer(t.Context(), w.Operator, job.Runs[0].ID, checklist.ItemEyewear, checklist.Values{"marking": "a\x00"}); !errors.As(err, &refused) {
		t.Errorf("answer: %v", err)
	}
}
