package db_test

import (
	"strings"
	"testing"

	"kerfgate/db"
	"kerfgate/db/dbtest"
)

// TestS21_Quota: what one member hands in within a day and has waiting is bounded, in files, bytes and
// runs; another member goes on, and a day later so does the first.
func TestS21_Quota(t *testing.T) {
	t.Parallel()
	w := dbtest.NewWorkshop(t)
	job := w.Submit(t, 1) // one drawing, one plan, one run that waits
	limit := func(set string) {
		t.Helper()
		if _, err := w.Pool.Exec(t.Context(), `UPDATE site SET `+set); err != nil {
			t.Fatal(err)
		}
	}
	drawing := []byte(strings.Replace(dbtest.Square, "<svg", "<svg id=\"another\"", 1))
	handIn := func(who db.Actor, data []byte) error {
		_, err := w.ReceiveDrawing(t.Context(), who, "label.svg", data)
		return err
	}
	submit := func(copies int64) error {
		_, err := w.SubmitJob(t.Context(), w.Member, db.NewJob{Title: "label", Plan: job.Plan, Machine: job.Machine, Stock: job.Stock, Copies: copies})
		return err
	}

	limit(`member_files = 2`)
	if err := handIn(w.Member, drawing); err != nil {
		t.Fatal(err)
	}
	refused(t, handIn(w.Member, drawing), "handed in 2 drawings within a day")
	if err := handIn(w.Officer, drawing); err != nil {
		t.Errorf("somebody else: %v", err)
	}
	if _, err := w.Pool.Exec(t.Context(), `UPDATE drawing SET received_at = received_at - interval '25 hours'`); err != nil {
		t.Fatal(err)
	}
	if err := handIn(w.Member, drawing); err != nil {
		t.Errorf("a day later: %v", err)
	}

	limit(`member_files = 300, member_mib = 1`)
	refused(t, handIn(w.Member, make([]byte, 1<<20)), "over 1 MiB")
	if err := handIn(w.Member, make([]byte, 1<<19)); err != nil {
		t.Errorf("half a MiB: %v", err)
	}
	refused(t, handIn(w.Member, make([]byte, 1<<19)), "over 1 MiB")

	limit(`member_runs = 3`)
	refused(t, submit(3), "1 of your runs are not over yet")
	if err := submit(2); err != nil {
		t.Errorf("up to the limit: %v", err)
	}
	refused(t, submit(1), "3 of your runs are not over yet")
	if _, err := w.WithdrawJob(t.Context(), w.Member, job.ID, 0); err != nil {
		t.Fatal(err)
	}
	if err := submit(1); err != nil {
		t.Errorf("after a withdrawal: %v", err)
	}
}
