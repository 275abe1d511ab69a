package db_test

import (
	"errors"
	"sync"
	"testing"

	"kerfgate/db"
	"kerfgate/queue"
)

// Two runs of one machine, complete and signed at the same moment: one is active, the other is
// refused with a reason (I3, F25).
func TestI3_OneActiveRun(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	job := w.Submit(t, 2)
	for _, r := range job.Runs {
		w.atTheGate(t, r.ID)
		w.AnswerAll(t, r.ID)
	}
	var wg sync.WaitGroup
	results := make([]error, len(job.Runs))
	for i, r := range job.Runs {
		wg.Go(func() { _, results[i] = w.SignOff(t.Context(), w.Operator, r.ID, [32]byte{byte(i + 1)}, [32]byte{1}) })
	}
	wg.Wait()
	won := 0
	for _, err := range results {
		var refused *db.Refused
		switch {
		case err == nil:
			won++
		case !errors.As(err, &refused) && !errors.Is(err, db.ErrConflict):
			t.Errorf("the other was answered %v", err)
		}
	}
	if won != 1 {
		t.Errorf("%d runs of one machine are active", won)
	}
	if _, err := w.CheckLog(t.Context()); err != nil {
		t.Error(err)
	}
}

// A change whose entry cannot be written does not happen (I6).
func TestI6_NoChangeWithoutItsEntry(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	job := w.Submit(t, 1)
	before := size(t, w)
	ownerEdits(t, w, `CREATE FUNCTION no_entry() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN RAISE EXCEPTION 'no room'; END $$;
		CREATE TRIGGER no_entry BEFORE INSERT ON log_entry FOR EACH ROW EXECUTE FUNCTION no_entry()`)
	if _, err := w.OpenChecklist(t.Context(), w.Operator, job.Runs[0].ID); err == nil {
		t.Error("the checklist was opened without an entry")
	}
	if _, err := w.WithdrawJob(t.Context(), w.Member, job.ID, 0); err == nil {
		t.Error("the job was withdrawn without an entry")
	}
	ownerEdits(t, w, `DROP TRIGGER no_entry ON log_entry`)
	w.phase(t, job.Runs[0].ID, queue.Proposed)
	if got, err := w.Job(t.Context(), w.Member, job.ID); err != nil || got.State != queue.JobQueued || got.Rev != job.Rev {
		t.Errorf("the job is %s, rev %d (%v)", got.State, got.Rev, err)
	}
	if after := size(t, w); after != before {
		t.Errorf("%d entries became %d", before, after)
	}
	w.atTheGate(t, job.Runs[0].ID) // and it goes on as if nothing had been tried
}

// An authorisation that runs out between sign-off and start voids the start (I10, F27).
func TestF27_AuthorisationExpires(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	p := w.signed(t, w.Submit(t, 1).Runs[0].ID)
	if _, err := w.Pool.Exec(t.Context(), `UPDATE authorisation SET expires_at = now() WHERE person = $1`, w.Operator.Person); err != nil {
		t.Fatal(err)
	}
	if w.taken(t, p).Granted {
		t.Error("go was granted to an operator whose authorisation ran out")
	}
	var burns int
	if err := w.Pool.QueryRow(t.Context(), `SELECT count(*) FROM burn WHERE run = $1`, p.Run.ID).Scan(&burns); err != nil || burns != 0 {
		t.Errorf("%d burns, %v", burns, err)
	}
}
