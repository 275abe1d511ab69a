package db_test

import (
	"errors"
	"testing"
	"time"

	"github.com/google/uuid"

	"kerfgate/db"
	"kerfgate/queue"
	"kerfgate/queue/broker"
)

// stoppedBeforeMotion brings a run to its inspection without it ever having moved.
func (w *worker) stoppedBeforeMotion(t *testing.T, run uuid.UUID) {
	t.Helper()
	p := w.signed(t, run)
	if !w.taken(t, p).Granted {
		t.Fatal("no go")
	}
	w.says(t, broker.Report{Kind: broker.ReportStopped, Run: run, Permit: p.Digest, NeverMoved: true, Reason: "stop"})
}

// A flame or glow asks for the watch of an hour and the lockout whatever ran, or did not (F39).
func TestF39_FlameWithoutMotion(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	run := w.Submit(t, 1).Runs[0].ID
	w.stoppedBeforeMotion(t, run)
	if _, err := w.Inspect(t.Context(), w.Operator, run, db.Inspection{Fate: db.SheetScrapped, FlameOrGlow: true, SupplyOff: true}); err != nil {
		t.Fatal(err)
	}
	m, err := w.Store.Machine(t.Context(), w.Machine.ID)
	if err != nil || m.Watch == nil || m.Lockout == nil {
		t.Errorf("watch %v, lockout %v, %v", m.Watch, m.Lockout, err)
	}
}

// A lockout for another reason that is lifted while the inspector's flame is on its way leaves the
// machine locked out for the flame.
func TestF39_FlameWhileLockoutIsLifted(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	run := w.Submit(t, 1).Runs[0].ID
	w.finish(t, run)
	if _, err := w.SetLockout(t.Context(), w.Officer, w.Machine.ID, "belt slipped"); err != nil {
		t.Fatal(err)
	}
	tx, err := w.Pool.Begin(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = tx.Rollback(t.Context()) }()
	// What an officer's lifting does, held open until the inspection has read.
	for _, sql := range []string{`UPDATE machine SET rev = rev + 1 WHERE id = $1`,
		`UPDATE lockout SET lifted_at = now(), lifted_by = set_by WHERE machine = $1`, `UPDATE run SET homed = homed WHERE machine = $1 AND phase = 'closed'`} {
		if _, err := tx.Exec(t.Context(), sql, w.Machine.ID); err != nil {
			t.Fatal(err)
		}
	}
	done := make(chan error, 1)
	go func() {
		_, err := w.Inspect(t.Context(), w.Operator, run, db.Inspection{Fate: db.SheetScrapped, FlameOrGlow: true, SupplyOff: true})
		done <- err
	}()
	for waiting := 0; waiting == 0 && len(done) == 0; {
		if err := w.Pool.QueryRow(t.Context(), `SELECT count(*) FROM pg_stat_activity, pg_sleep(0.005)
			WHERE datname = current_database() AND wait_event_type = 'Lock'`).Scan(&waiting); err != nil {
			t.Fatal(err)
		}
	}
	if err := tx.Commit(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	if m, err := w.Store.Machine(t.Context(), w.Machine.ID); err != nil || m.Lockout == nil {
		t.Errorf("the machine is in use after a flame (%v)", err)
	}
}

// A second run before the watch is over carries the same watch on, and the logbook names that one.
func TestWatchIsCarriedOn(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	job := w.Submit(t, 2)
	var first uuid.UUID
	for i, r := range job.Runs {
		w.finish(t, r.ID)
		if _, err := w.Inspect(t.Context(), w.Operator, r.ID, db.Inspection{Fate: db.SheetKept, SupplyOff: true}); err != nil {
			t.Fatal(err)
		}
		m, err := w.Store.Machine(t.Context(), w.Machine.ID)
		if err != nil || m.Watch == nil || m.Watch.Run != r.ID {
			t.Fatalf("watch %+v, %v", m.Watch, err)
		}
		if i == 0 {
			first = m.Watch.ID
		} else if m.Watch.ID != first {
			t.Error("another watch was opened beside the first")
		}
	}
	list, err := w.LogEntries(t.Context(), db.LogFilter{Before: -1, Limit: 10, Kind: "watch.opened"})
	if err != nil || len(list) != 2 {
		t.Fatalf("%d entries, %v", len(list), err)
	}
	for _, e := range list {
		if id, _ := e.Entry.Subject("watch"); uuid.UUID(id) != first {
			t.Errorf("entry %d names watch %s, which is not there", e.Index, id)
		}
	}
}

// Whoever only operates other machines closes no watch here.
func TestWatchIsClosedByWhoMayKnow(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	run := w.Submit(t, 1).Runs[0].ID
	w.finish(t, run)
	if _, err := w.Inspect(t.Context(), w.Operator, run, db.Inspection{Fate: db.SheetKept, SupplyOff: true}); err != nil {
		t.Fatal(err)
	}
	if _, err := w.Pool.Exec(t.Context(), `UPDATE watch SET until = now() - interval '1 s'`); err != nil {
		t.Fatal(err)
	}
	var refused *db.Refused
	if err := w.CloseWatch(t.Context(), w.Member, w.Machine.ID); !errors.As(err, &refused) {
		t.Errorf("a member closed the watch: %v", err)
	}
	if err := w.CloseWatch(t.Context(), w.Operator, w.Machine.ID); err != nil {
		t.Error(err)
	}
}

// A sheet under a run that never moved is whole: it goes back on the shelf, and the last sheet of a
// lot can be used for the repeat. One that was worked does not come back.
func TestSheetOfRunThatNeverMoved(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	if _, err := w.Pool.Exec(t.Context(), `UPDATE stock SET count = 1 WHERE id = $1`, w.Stock.ID); err != nil {
		t.Fatal(err)
	}
	job := w.Submit(t, 1)
	w.stoppedBeforeMotion(t, job.Runs[0].ID)
	w.stockIs(t, 0, 0)
	if _, err := w.Inspect(t.Context(), w.Operator, job.Runs[0].ID, db.Inspection{Fate: db.SheetRepeat, SupplyOff: true}); err != nil {
		t.Fatal(err)
	}
	w.stockIs(t, 1, 1)
	got, err := w.Job(t.Context(), w.Member, job.ID)
	if err != nil || len(got.Runs) != 2 {
		t.Fatal(len(got.Runs), err)
	}
	w.finish(t, got.Runs[1].ID)
	var refused *db.Refused
	if _, err := w.Inspect(t.Context(), w.Operator, got.Runs[1].ID, db.Inspection{Fate: db.SheetRepeat, SupplyOff: true}); !errors.As(err, &refused) {
		t.Fatalf("repeated without a sheet: %v", err)
	}
	if _, err := w.Inspect(t.Context(), w.Operator, got.Runs[1].ID, db.Inspection{Fate: db.SheetScrapped, SupplyOff: true}); err != nil {
		t.Fatal(err)
	}
	w.stockIs(t, 0, 0)
	if _, err := w.CheckLog(t.Context()); err != nil {
		t.Error(err)
	}
}

// The journal says that a run moved which the database held as permitted: its sheet is gone.
func TestSheetOfRunThatMovedUnheard(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	p := w.signed(t, w.Submit(t, 1).Runs[0].ID)
	w.says(t, broker.Report{Kind: broker.ReportInterrupted, Run: p.Run.ID, Permit: p.Digest})
	w.phase(t, p.Run.ID, queue.Inspecting)
	w.stockIs(t, 9, 0)
}

// Of a withdrawn job nothing is repeated, and a repeat that comes in between is withdrawn with it.
func TestRepeatOfWithdrawnJob(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	job := w.Submit(t, 1)
	w.finish(t, job.Runs[0].ID)
	if _, err := w.WithdrawJob(t.Context(), w.Member, job.ID, 0); err != nil {
		t.Fatal(err)
	}
	var refused *db.Refused
	if _, err := w.Inspect(t.Context(), w.Operator, job.Runs[0].ID, db.Inspection{Fate: db.SheetRepeat, SupplyOff: true}); !errors.As(err, &refused) {
		t.Errorf("repeated a withdrawn job: %v", err)
	}

	w = newWorker(t)
	job = w.Submit(t, 1)
	w.finish(t, job.Runs[0].ID)
	if _, err := w.Pool.Exec(t.Context(), `UPDATE stock SET reserved = reserved + 1`); err != nil { // what the repeat reserves
		t.Fatal(err)
	}
	whileBlocked(t, w, "stock", w.Stock.ID, func() error {
		_, err := w.WithdrawJob(t.Context(), w.Member, job.ID, 0)
		return err
	}, func() {
		if _, err := w.Pool.Exec(t.Context(), `UPDATE job SET rev = rev + 1 WHERE id = $1`, job.ID); err != nil {
			t.Error(err)
		}
		if _, err := w.Pool.Exec(t.Context(), `INSERT INTO run (id, job, copy, machine, plan, stock) SELECT $2, job, copy, machine, plan, stock FROM run WHERE job = $1`,
			job.ID, uuid.New()); err != nil {
			t.Error(err)
		}
	})
	got, err := w.Job(t.Context(), w.Member, job.ID)
	if err != nil || len(got.Runs) != 2 || got.Runs[1].Phase != queue.Closed {
		t.Errorf("runs %+v, %v", got.Runs, err)
	}
}

// Signing and withdrawing at once never wait for each other for ever: locks are taken in one order.
func TestWithdrawAndSignLockInOrder(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	job := w.Submit(t, 1)
	w.atTheGate(t, job.Runs[0].ID)
	w.AnswerAll(t, job.Runs[0].ID)
	tx, err := w.Pool.Begin(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = tx.Rollback(t.Context()) }()
	// The first half of a sign-off: what it binds is shared.
	if _, err := tx.Exec(t.Context(), `SELECT 1 FROM stock WHERE id = $1 FOR SHARE`, w.Stock.ID); err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() {
		_, err := w.WithdrawJob(t.Context(), w.Member, job.ID, 0)
		done <- err
	}()
	for waiting := 0; waiting == 0; {
		if err := w.Pool.QueryRow(t.Context(), `SELECT count(*) FROM pg_stat_activity, pg_sleep(0.005)
			WHERE datname = current_database() AND wait_event_type = 'Lock'`).Scan(&waiting); err != nil {
			t.Fatal(err)
		}
	}
	// The second half: the run itself, which the withdrawal must not hold yet.
	if _, err := tx.Exec(t.Context(), `SELECT 1 FROM run WHERE id = $1 FOR UPDATE NOWAIT`, job.Runs[0].ID); err != nil {
		t.Errorf("a withdrawal that waits for the stock holds the run: %v", err)
	}
	if err := tx.Commit(t.Context()); err != nil {
		_ = tx.Rollback(t.Context())
	}
	select {
	case err := <-done:
		if err != nil {
			t.Error(err)
		}
	case <-time.After(30 * time.Second):
		t.Error("withdrawing never ended")
	}
}
