package db_test

import (
	"strings"
	"testing"

	"kerfgate/db/logbook"
	"kerfgate/queue"
	"kerfgate/queue/broker"
)

// The worker burned a permit while a stop voided it here. The worker takes no other permit for that
// run, so another run stands in its place, with the same reservation, and the stop cost one sign-off.
func TestBurnedWhileVoided(t *testing.T) {
	t.Parallel()
	for _, kind := range []broker.ReportKind{broker.ReportInterrupted, broker.ReportStopped, broker.ReportFailed} {
		t.Run(string(kind), func(t *testing.T) {
			t.Parallel()
			w := newWorker(t)
			job := w.Submit(t, 1)
			p := w.signed(t, job.Runs[0].ID)
			if err := w.NoteStop(t.Context(), w.Operator, w.Machine.ID, "station"); err != nil {
				t.Fatal(err)
			}
			if w.taken(t, p).Granted {
				t.Fatal("go for a voided permit")
			}
			w.says(t, broker.Report{Kind: kind, Run: p.Run.ID, Permit: p.Digest, NeverMoved: true, Reason: "go refused"})
			if r := w.phase(t, p.Run.ID, queue.Closed); r.Outcome != queue.OutcomeWithdrawn || !r.NeverMoved {
				t.Errorf("outcome %s, never moved %v", r.Outcome, r.NeverMoved)
			}
			got, err := w.Job(t.Context(), w.Member, job.ID)
			if err != nil || len(got.Runs) != 2 || got.Runs[1].Phase != queue.Proposed || got.Runs[1].Copy != 1 || got.State != queue.JobQueued {
				t.Fatalf("job %s with runs %+v, %v", got.State, got.Runs, err)
			}
			w.stockIs(t, 10, 1)
			w.finish(t, got.Runs[1].ID)
			if _, err := w.CheckLog(t.Context()); err != nil {
				t.Error(err)
			}
		})
	}
}

func (w *worker) stockIs(t *testing.T, count, reserved int64) {
	t.Helper()
	var c, r int64
	if err := w.Pool.QueryRow(t.Context(), `SELECT count, reserved FROM stock WHERE id = $1`, w.Stock.ID).Scan(&c, &r); err != nil {
		t.Fatal(err)
	}
	if c != count || r != reserved {
		t.Errorf("stock %d, reserved %d; want %d and %d", c, r, count, reserved)
	}
}

// finish brings a waiting run to its inspection.
func (w *worker) finish(t *testing.T, run [16]byte) {
	t.Helper()
	p := w.signed(t, run)
	if !w.taken(t, p).Granted {
		t.Fatal("no go")
	}
	w.says(t, broker.Report{Kind: broker.ReportMoved, Run: run})
	w.says(t, broker.Report{Kind: broker.ReportCompleted, Run: run, RealMS: 5})
	w.says(t, broker.Report{Kind: broker.ReportPurged, Run: run})
}

// Of a withdrawn job nothing is proposed anew, and a run that did move is never withdrawn by a report.
func TestEndsThatFitNothingAreRejected(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	job := w.Submit(t, 1)
	p := w.signed(t, job.Runs[0].ID)
	if err := w.NoteStop(t.Context(), w.Operator, w.Machine.ID, "station"); err != nil {
		t.Fatal(err)
	}
	w.says(t, broker.Report{Kind: broker.ReportInterrupted, Run: p.Run.ID, Permit: p.Digest})
	w.says(t, broker.Report{Kind: broker.ReportInterrupted, Run: p.Run.ID, NeverMoved: true}) // of no permit of ours
	w.phase(t, p.Run.ID, queue.Checking)
	if _, err := w.WithdrawJob(t.Context(), w.Member, job.ID, 0); err != nil {
		t.Fatal(err)
	}
	w.says(t, broker.Report{Kind: broker.ReportInterrupted, Run: p.Run.ID, Permit: p.Digest, NeverMoved: true})
	got, err := w.Job(t.Context(), w.Member, job.ID)
	if err != nil || len(got.Runs) != 1 {
		t.Errorf("%d runs, %v", len(got.Runs), err)
	}
	w.stockIs(t, 10, 0)
	if _, err := w.CheckLog(t.Context()); err != nil {
		t.Error(err)
	}
}

// A refusal of an earlier permit that comes late leaves the one that is out alone.
func TestLateRefusalOfAnotherPermit(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	first := w.signed(t, w.Submit(t, 1).Runs[0].ID)
	if _, err := w.Void(t.Context(), w.Operator, first.Run.ID, "the permit could not be sent"); err != nil {
		t.Fatal(err)
	}
	w.AnswerAll(t, first.Run.ID)
	second, err := w.SignOff(t.Context(), w.Operator, first.Run.ID, [32]byte{4}, [32]byte{5})
	if err != nil {
		t.Fatal(err)
	}
	w.says(t, broker.Report{Kind: broker.ReportRefused, Run: first.Run.ID, Permit: first.Digest, Reason: "voided"})
	w.phase(t, first.Run.ID, queue.Permitted)
	w.says(t, broker.Report{Kind: broker.ReportRefused, Run: first.Run.ID, Permit: second.Digest})
	if r := w.phase(t, first.Run.ID, queue.Checking); r.Reason != "refused by the worker" {
		t.Errorf("reason %q", r.Reason)
	}
}

// Whatever a worker says as a reason, its report is applied: one that is not holds up all after it.
func TestOddReasonsAreApplied(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	run := w.Submit(t, 1).Runs[0].ID
	for _, reason := range []string{strings.Repeat("ä", 80) + "x" + strings.Repeat("ü", 40), "x" + strings.Repeat("ä", 100), "a\x00b", "two\nlines ", "\xff\xfe", " "} {
		w.says(t, broker.Report{Kind: broker.ReportUnready, Run: run, Revision: 1, Reason: reason})
	}
	p := w.signed(t, run)
	for _, reason := range []string{"", "line\nbreak ", "nul\x00", strings.Repeat("ß", 119)} {
		w.says(t, broker.Report{Kind: broker.ReportRefused, Run: run, Permit: p.Digest, Reason: reason})
		w.phase(t, run, queue.Checking)
		w.AnswerAll(t, run)
		var err error
		if p, err = w.SignOff(t.Context(), w.Operator, run, [32]byte{1, 2, 3}, [32]byte{1}); err != nil {
			t.Fatal(err)
		}
	}
	w.says(t, broker.Report{Kind: broker.ReportKind("\x00" + strings.Repeat("k", 70_000)), Run: run})
	if _, err := w.CheckLog(t.Context()); err != nil {
		t.Error(err)
	}
}

// Taps and misses in a report are those of the run so far: the summary at the end repeats them and
// is no further miss (I9).
func TestI9_AttendanceIsCountedOnce(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	p := w.signed(t, w.Submit(t, 1).Runs[0].ID)
	w.taken(t, p)
	w.says(t, broker.Report{Kind: broker.ReportMoved, Run: p.Run.ID})
	w.says(t, broker.Report{Kind: broker.ReportAttendance, Run: p.Run.ID, Taps: 3, Misses: 1, Reason: "attendance missed"})
	w.says(t, broker.Report{Kind: broker.ReportPaused, Run: p.Run.ID, PauseToken: [32]byte{9}})
	w.says(t, broker.Report{Kind: broker.ReportResumed, Run: p.Run.ID})
	w.says(t, broker.Report{Kind: broker.ReportAttendance, Run: p.Run.ID, Taps: 5, Misses: 1})
	w.says(t, broker.Report{Kind: broker.ReportCompleted, Run: p.Run.ID})
	r := w.phase(t, p.Run.ID, queue.Purging)
	if r.Taps != 5 || r.Misses != 1 {
		t.Errorf("%d taps, %d misses; want 5 and 1", r.Taps, r.Misses)
	}
	var missed int
	if err := w.Pool.QueryRow(t.Context(), `SELECT count(*) FROM log_entry WHERE kind = $1`, logbook.AttendanceMissed).Scan(&missed); err != nil || missed != 1 {
		t.Errorf("%d misses in the logbook, %v", missed, err)
	}
	if _, err := w.CheckLog(t.Context()); err != nil {
		t.Error(err)
	}
}

// Why a run ended stays with it through purge and inspection.
func TestReasonStays(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	p := w.signed(t, w.Submit(t, 1).Runs[0].ID)
	w.taken(t, p)
	w.says(t, broker.Report{Kind: broker.ReportMoved, Run: p.Run.ID})
	w.says(t, broker.Report{Kind: broker.ReportStopped, Run: p.Run.ID, Reason: "attendance missed again"})
	w.says(t, broker.Report{Kind: broker.ReportPurged, Run: p.Run.ID})
	if r := w.phase(t, p.Run.ID, queue.Inspecting); r.Reason != "attendance missed again" {
		t.Errorf("reason %q", r.Reason)
	}
}

// A worker whose journal takes nothing any more has no number to give, and locks the machine out once.
func TestOutOfUseHasNoNumber(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	for range 2 {
		n, _, err := w.Apply(t.Context(), w.Machine.ID, broker.Report{Kind: broker.ReportOutOfUse, Reason: "out of use"})
		if err != nil || n != 0 {
			t.Fatalf("applied %d, %v", n, err)
		}
	}
	m, err := w.Store.Machine(t.Context(), w.Machine.ID)
	if err != nil || m.Lockout == nil {
		t.Fatalf("lockout %v, %v", m.Lockout, err)
	}
	var set int
	if err := w.Pool.QueryRow(t.Context(), `SELECT count(*) FROM log_entry WHERE kind LIKE 'lockout.%' OR kind = 'report.rejected'`).Scan(&set); err != nil || set != 1 {
		t.Errorf("%d entries, %v", set, err)
	}
}

// The database's own clock says when a checklist was opened and a run began to move: a server whose
// clock is wrong releases nothing early (F19).
func TestF19_InstantsAreTheDatabases(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	run := w.Submit(t, 1).Runs[0].ID
	same := func(column string) {
		t.Helper()
		var is bool
		if err := w.Pool.QueryRow(t.Context(), `SELECT `+column+` = phase_at FROM run WHERE id = $1`, run).Scan(&is); err != nil || !is {
			t.Errorf("%s is not the change's own time (%v)", column, err)
		}
	}
	if _, err := w.OpenChecklist(t.Context(), w.Operator, run); err != nil {
		t.Fatal(err)
	}
	same("opened_at")
	if _, err := w.ReleaseChecklist(t.Context(), w.Operator, run); err != nil {
		t.Fatal(err)
	}
	w.signed(t, run)
	if _, err := w.Void(t.Context(), w.Operator, run, "expired"); err != nil {
		t.Fatal(err)
	}
	same("opened_at")
	w.AnswerAll(t, run)
	p, err := w.SignOff(t.Context(), w.Operator, run, [32]byte{1, 2, 3}, [32]byte{1})
	if err != nil {
		t.Fatal(err)
	}
	w.taken(t, p)
	w.says(t, broker.Report{Kind: broker.ReportMoved, Run: run})
	same("started_at")
}

// A worker leaves out a picture that is too large to send; its report is applied all the same.
func TestPictureLeftOut(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	run := w.Submit(t, 1).Runs[0].ID
	w.says(t, broker.Report{Kind: broker.ReportPicture, Run: run, BurnedUM: 7})
	if r := w.phase(t, run, queue.Proposed); r.HasPicture {
		t.Error("a picture was kept that nobody sent")
	}
}
