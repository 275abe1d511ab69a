package db_test

import (
	"errors"
	"strings"
	"testing"

	"kerfgate/db"
	"kerfgate/db/dbtest"
	"kerfgate/db/logbook"
	"kerfgate/queue"
	"kerfgate/queue/broker"
)

// restored is the workshop on the backup of yesterday, with the same worker at the machine.
func (w *worker) restored(t *testing.T) *worker {
	t.Helper()
	shop := *w.Workshop
	shop.Env = w.Backup(t)
	return &worker{Workshop: &shop, n: w.n}
}

// inspected brings a waiting run to its end.
func (w *worker) inspected(t *testing.T, run [16]byte) {
	t.Helper()
	w.finish(t, run)
	if _, err := w.Inspect(t.Context(), w.Operator, run, db.Inspection{Fate: db.SheetKept, SupplyOff: true}); err != nil {
		t.Fatal(err)
	}
}

// I14: yesterday's backup is restored. Nothing of today revives: the runs that burned since then are
// known from the worker's journal alone, and until it was heard nothing is signed.
func TestI14_RestoreOfYesterday(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	job := w.Submit(t, 4)
	w.inspected(t, job.Runs[0].ID)
	w.atTheGate(t, job.Runs[1].ID) // answers were given when the backup was made
	y := w.restored(t)
	// Today: two more runs, the second still under way when the disk died.
	second, third, fourth := job.Runs[1].ID, job.Runs[2].ID, job.Runs[3].ID
	if _, err := w.ReleaseChecklist(t.Context(), w.Operator, second); err != nil {
		t.Fatal(err)
	}
	w.inspected(t, second)
	p := w.signed(t, third)
	if !w.taken(t, p).Granted {
		t.Fatal("no go")
	}
	w.says(t, broker.Report{Kind: broker.ReportMoved, Run: third})
	outside, size, err := w.LogHead(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	before, restoredSize, err := y.LogHead(t.Context())
	if err != nil || restoredSize >= size {
		t.Fatalf("the backup holds %d of %d entries, %v", restoredSize, size, err)
	}

	if _, err := y.Restored(t.Context(), []byte("a head of somebody else")); !errors.Is(err, db.ErrOtherLog) {
		t.Errorf("any text was taken for a head: %v", err)
	}
	done, err := y.Restored(t.Context(), before, outside)
	if err != nil {
		t.Fatal(err)
	}
	if done.LostFrom != restoredSize || done.LostTo != size-1 || done.Awaited != 1 || done.Epoch == [16]byte{} {
		t.Errorf("restoration %+v; lost are %d to %d", done, restoredSize, size-1)
	}
	y.phase(t, second, queue.Proposed) // the checklist fell
	entries, err := y.LogFrom(t.Context(), restoredSize, 1)
	if err != nil || len(entries) != 1 || entries[0].Entry.Kind != logbook.SiteRestored || entries[0].Entry.Body["lost_to"] != size-1 {
		t.Errorf("the next entry is %+v, %v", entries, err)
	}
	after, _, err := y.LogHead(t.Context())
	if err != nil || strings.SplitN(string(after), "\n", 2)[0] == strings.SplitN(string(before), "\n", 2)[0] {
		t.Errorf("the log goes on under the old origin: %s, %v", after, err)
	}

	var no *db.Refused
	if err := y.TakeRun(t.Context(), y.Operator, fourth, "the others were burned, as their worker will tell"); err != nil {
		t.Fatal(err)
	}
	y.atTheGate(t, fourth)
	if _, err := y.SignOff(t.Context(), y.Operator, fourth, [32]byte{1}, [32]byte{2}); !errors.As(err, &no) ||
		!strings.Contains(no.Error(), "has not told its journal") {
		t.Fatalf("signed before the journal was heard: %v", err)
	}
	if _, err := y.ReleaseChecklist(t.Context(), y.Operator, fourth); err != nil {
		t.Fatal(err)
	}
	// The worker goes on with its own numbers, which the backup does not know.
	y.n = w.n + 3
	y.says(t, broker.Report{Kind: broker.ReportJournal, Run: job.Runs[0].ID, Later: true})
	y.phase(t, job.Runs[0].ID, queue.Closed)
	y.says(t, broker.Report{Kind: broker.ReportJournal, Run: second, Later: true})
	if r := y.phase(t, second, queue.Closed); r.Outcome != queue.OutcomeInterrupted || r.SheetFate != db.SheetScrapped {
		t.Errorf("the lost run ended as %s, sheet %s", r.Outcome, r.SheetFate)
	}
	y.says(t, broker.Report{Kind: broker.ReportJournal, Run: third})
	if r := y.phase(t, third, queue.Inspecting); r.Outcome != queue.OutcomeInterrupted || r.NeverMoved {
		t.Errorf("the run under way ended as %s, never moved %v", r.Outcome, r.NeverMoved)
	}
	y.stockIs(t, 10-3, 1)
	if left, err := y.AwaitedJournals(t.Context()); err != nil || len(left) != 1 {
		t.Fatalf("awaited: %v, %v", left, err)
	}
	y.says(t, broker.Report{Kind: broker.ReportJournal, Epoch: done.Epoch})
	if left, err := y.AwaitedJournals(t.Context()); err != nil || len(left) != 0 {
		t.Fatalf("awaited: %v, %v", left, err)
	}
	if _, err := y.Inspect(t.Context(), y.Operator, third, db.Inspection{Fate: db.SheetScrapped, SupplyOff: true}); err != nil {
		t.Fatal(err)
	}
	y.inspected(t, fourth)
	if _, err := y.CheckLog(t.Context()); err != nil {
		t.Error(err)
	}
}

// A journal that is lost is written off by an admin with a reason; what stood as active is looked at.
func TestI14_JournalWrittenOff(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	job := w.Submit(t, 2)
	p := w.signed(t, job.Runs[0].ID)
	if !w.taken(t, p).Granted {
		t.Fatal("no go")
	}
	w.says(t, broker.Report{Kind: broker.ReportMoved, Run: job.Runs[0].ID})
	if _, err := w.Restored(t.Context()); err != nil {
		t.Fatal(err)
	}
	w.phase(t, job.Runs[0].ID, queue.Running)
	if err := w.WriteOffJournal(t.Context(), w.Officer, w.Machine.ID, "the card is lost"); !errors.Is(err, db.ErrNotAllowed) {
		t.Errorf("an officer wrote a journal off: %v", err)
	}
	var no *db.Refused
	if err := w.WriteOffJournal(t.Context(), db.System, w.Machine.ID, " "); !errors.As(err, &no) {
		t.Errorf("written off without a reason: %v", err)
	}
	if err := w.WriteOffJournal(t.Context(), db.System, w.Machine.ID, "the card is lost"); err != nil {
		t.Fatal(err)
	}
	w.phase(t, job.Runs[0].ID, queue.Inspecting)
	if err := w.WriteOffJournal(t.Context(), db.System, w.Machine.ID, "again"); !errors.Is(err, db.ErrNotFound) {
		t.Errorf("written off twice: %v", err)
	}
	if _, err := w.Inspect(t.Context(), w.Operator, job.Runs[0].ID, db.Inspection{Fate: db.SheetScrapped, SupplyOff: true}); err != nil {
		t.Fatal(err)
	}
	w.inspected(t, job.Runs[1].ID)
	if _, err := w.CheckLog(t.Context()); err != nil {
		t.Error(err)
	}
}

// I14: a worker that begins with an empty folder in the place of one that burned cannot tell what that
// one did. It keeps the site closed until a person writes the journal off.
func TestI14_EmptyFolderTellsNothing(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	w.inspected(t, w.Submit(t, 1).Runs[0].ID)
	done, err := w.Restored(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	_, public := newKey(t)
	if _, err := w.EnrolWorker(t.Context(), w.code(t, db.EnrolsWorker, "another card"), public, 0); err != nil {
		t.Fatal(err)
	}
	w.n = 0
	w.says(t, broker.Report{Kind: broker.ReportJournal, Epoch: done.Epoch})
	if left, err := w.AwaitedJournals(t.Context()); err != nil || len(left) != 1 {
		t.Fatalf("awaited: %v, %v, want the machine still", left, err)
	}
	if n := w.entries(t, string(logbook.JournalHeard)); n != 0 {
		t.Errorf("the logbook says %d times that the journal was heard", n)
	}
	if err := w.WriteOffJournal(t.Context(), db.System, w.Machine.ID, "the card is lost"); err != nil {
		t.Fatal(err)
	}
	w.inspected(t, w.Submit(t, 1).Runs[0].ID)
	if _, err := w.CheckLog(t.Context()); err != nil {
		t.Error(err)
	}
}

// I14: a worker whose key was taken away may have burned all the same, so its journal is awaited; a
// machine that never had a worker has none.
func TestI14_WhoIsAwaited(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	if _, err := w.AddMachine(t.Context(), w.Officer, db.NewMachine{Name: "new cutter", Bay: "Bay 2", Profile: dbtest.Profile(), Tool: "beam",
		WorkerURL: "http://127.0.0.1:1"}); err != nil {
		t.Fatal(err)
	}
	if err := w.RevokeWorker(t.Context(), w.Officer, w.Machine.ID); err != nil {
		t.Fatal(err)
	}
	done, err := w.Restored(t.Context())
	if err != nil || done.Awaited != 1 {
		t.Fatalf("%d awaited, %v", done.Awaited, err)
	}
	left, err := w.AwaitedJournals(t.Context())
	if err != nil || len(left) != 1 || left[0].Machine != w.Machine.ID {
		t.Errorf("awaited: %v, %v, want the worker whose key was taken away", left, err)
	}
}

// A database that runs on another Postgres than yesterday was restored, also when nobody says so.
func TestI14_RestoreIsNoticed(t *testing.T) {
	t.Parallel()
	e := dbtest.New(t)
	for range 2 {
		if done, err := e.NoticeRestore(t.Context()); err != nil || done.Epoch != [16]byte{} {
			t.Fatalf("a restore was noticed where none was: %+v, %v", done, err)
		}
	}
	if _, err := e.Pool.Exec(t.Context(), `UPDATE site SET database_id = '42/1'`); err != nil {
		t.Fatal(err)
	}
	before, err := e.Site(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if done, err := e.NoticeRestore(t.Context()); err != nil || done.Epoch == before.Epoch || done.Epoch == [16]byte{} {
		t.Errorf("another Postgres was not noticed: %+v, %v", done, err)
	}
	if done, err := e.NoticeRestore(t.Context()); err != nil || done.Epoch != [16]byte{} {
		t.Errorf("noticed twice: %+v, %v", done, err)
	}
}
