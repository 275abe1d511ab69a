package db_test

import (
	"errors"
	"testing"
	"time"

	"github.com/google/uuid"

	"kerfgate/checklist/permit"
	"kerfgate/db"
	"kerfgate/db/dbtest"
	"kerfgate/plan/geom"
	"kerfgate/plan/material"
	"kerfgate/queue"
	"kerfgate/queue/broker"
)

// whileBlocked lets change run into a shared lock on a row, does meanwhile, and only then lets it on:
// change has read, but not written.
func whileBlocked(t *testing.T, w *worker, table string, id uuid.UUID, change func() error, meanwhile func()) {
	t.Helper()
	tx, err := w.Pool.Begin(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = tx.Rollback(t.Context()) }()
	if _, err := tx.Exec(t.Context(), `SELECT 1 FROM `+table+` WHERE id = $1 FOR SHARE`, id); err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- change() }()
	for waiting := 0; waiting == 0; {
		if err := w.Pool.QueryRow(t.Context(), `SELECT count(*) FROM pg_stat_activity, pg_sleep(0.005)
			WHERE datname = current_database() AND wait_event_type = 'Lock'`).Scan(&waiting); err != nil {
			t.Fatal(err)
		}
	}
	meanwhile()
	if err := tx.Commit(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := <-done; err != nil {
		t.Fatal(err)
	}
}

// A run that comes to the gate and is signed after a lockout, a verdict or a withdrawn authorisation has
// looked for open checklists and before it writes is voided all the same (I8, I10).
func TestI8_SignedWhileLockedOut(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		table string
		id    func(t *testing.T, w *worker) uuid.UUID
		do    func(w *worker, id uuid.UUID) error
	}{
		"lockout": {"machine", func(_ *testing.T, w *worker) uuid.UUID { return w.Machine.ID }, func(w *worker, id uuid.UUID) error {
			_, err := w.SetLockout(t.Context(), w.Officer, id, "belt slipped")
			return err
		}},
		"verdict": {"material", func(_ *testing.T, w *worker) uuid.UUID { return w.Material.ID }, func(w *worker, id uuid.UUID) error {
			return w.SetVerdict(t.Context(), w.Officer, id, material.Forbidden)
		}},
		"authorisation": {"authorisation", authorisationOf, func(w *worker, id uuid.UUID) error {
			return w.WithdrawAuthorisation(t.Context(), w.Officer, id)
		}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := newWorker(t)
			run := w.Submit(t, 1).Runs[0].ID
			w.says(t, broker.Report{Kind: broker.ReportReady, Run: run, Revision: 1})
			id := c.id(t, w)
			whileBlocked(t, w, c.table, id, func() error { return c.do(w, id) }, func() {
				if _, err := w.OpenChecklist(t.Context(), w.Operator, run); err != nil {
					t.Error(err)
				}
				if _, err := w.Place(t.Context(), w.Operator, run, db.Placement{Origin: geom.Pt(20_000, 20_000), Homed: true}); err != nil {
					t.Error(err)
				}
				w.AnswerAll(t, run)
				if _, err := w.SignOff(t.Context(), w.Operator, run, [32]byte{1, 2, 3}, [32]byte{1}); err != nil {
					t.Error(err)
				}
			})
			r, err := w.Run(t.Context(), w.Officer, run)
			if err != nil || r.Phase != queue.Checking {
				t.Errorf("run is %s (%v), want its permit voided", r.Phase, err)
			}
			if _, err := w.CheckLog(t.Context()); err != nil {
				t.Error(err)
			}
		})
	}
}

func authorisationOf(t *testing.T, w *worker) uuid.UUID {
	list, err := w.Authorisations(t.Context(), w.Operator.Person)
	if err != nil {
		t.Fatal(err)
	}
	return list[0].ID
}

// operator makes another operator of the workshop's machine.
func (w *worker) operator(t *testing.T, signIn string) db.Actor {
	t.Helper()
	p, err := w.AddPerson(t.Context(), db.System, db.NewPerson{SignInName: signIn, Name: signIn, Role: db.RoleMember, PasswordHash: "x"})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.Authorise(t.Context(), w.Officer, db.NewAuthorisation{Person: p.ID, Machine: w.Machine.ID, Until: time.Now().Add(time.Hour), Evidence: "supervised run"}); err != nil {
		t.Fatal(err)
	}
	return db.Actor{Person: p.ID, Role: p.Role}
}

// A checklist that a lockout released belongs to nobody: another operator opens it afterwards.
func TestReleasedByLockoutIsFree(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	run := w.Submit(t, 1).Runs[0].ID
	w.atTheGate(t, run)
	if _, err := w.SetLockout(t.Context(), w.Officer, w.Machine.ID, "belt slipped"); err != nil {
		t.Fatal(err)
	}
	if r := w.phase(t, run, queue.Proposed); r.Operator != uuid.Nil {
		t.Errorf("a waiting run has operator %s", r.OperatorName)
	}
	if err := w.LiftLockout(t.Context(), w.Officer, w.Machine.ID, "belt tightened"); err != nil {
		t.Fatal(err)
	}
	if _, err := w.OpenChecklist(t.Context(), w.operator(t, "second"), run); err != nil {
		t.Error(err)
	}
}

// The go of a burned permit is not said again once the machine is locked out (I8).
func TestI8_NoSecondGoUnderLockout(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	p := w.signed(t, w.Submit(t, 1).Runs[0].ID)
	if !w.taken(t, p).Granted {
		t.Fatal("no go")
	}
	if _, err := w.SetLockout(t.Context(), w.Officer, w.Machine.ID, "smoke"); err != nil {
		t.Fatal(err)
	}
	if w.taken(t, p).Granted {
		t.Error("go said again on a machine that is locked out")
	}
}

// With the last sheet of a lot, the same taken from many deliveries gets one answer (I2).
func TestI2_LastSheetBurnsOnce(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	if _, err := w.Pool.Exec(t.Context(), `UPDATE stock SET count = 1 WHERE id = $1`, w.Stock.ID); err != nil {
		t.Fatal(err)
	}
	p := w.signed(t, w.Submit(t, 1).Runs[0].ID)
	granted := make(chan bool, 8)
	for range cap(granted) {
		go func() {
			text, err := w.Take(t.Context(), w.Machine.ID, broker.Taken{Run: p.Run.ID, Permit: p.Digest, Challenge: [32]byte{1, 2, 3}})
			granted <- err == nil && len(text) > 0
		}()
	}
	for range cap(granted) {
		if !<-granted {
			t.Error("a delivery got no answer")
		}
	}
}

// Whoever lost the authorisation meanwhile does not resume, though the run is theirs (I1).
func TestResumeNeedsAuthorisation(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	p := w.signed(t, w.Submit(t, 1).Runs[0].ID)
	w.taken(t, p)
	w.says(t, broker.Report{Kind: broker.ReportMoved, Run: p.Run.ID})
	w.says(t, broker.Report{Kind: broker.ReportPaused, Run: p.Run.ID, PauseToken: [32]byte{9}})
	// They still see the run: it is their own authorisation for another machine that shows it.
	keepsSight(t, w)
	if err := w.WithdrawAuthorisation(t.Context(), w.Officer, authorisationOf(t, w)); err != nil {
		t.Fatal(err)
	}
	var refused *db.Refused
	if _, err := w.Resume(t.Context(), w.Operator, p.Run.ID, sawNothing); !errors.As(err, &refused) {
		t.Errorf("resumed without an authorisation: %v", err)
	}
}

// keepsSight adds a second machine and authorises the operator for it.
func keepsSight(t *testing.T, w *worker) db.Machine {
	t.Helper()
	m, err := w.AddMachine(t.Context(), w.Officer, db.NewMachine{Name: "second cutter", Bay: "Bay 2", Profile: dbtest.Profile(), Tool: "beam",
		WorkerKey: "another key", WorkerURL: "http://127.0.0.1:2"})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.Authorise(t.Context(), w.Officer, db.NewAuthorisation{Person: w.Operator.Person, Machine: m.ID, Until: time.Now().Add(time.Hour), Evidence: "supervised run"}); err != nil {
		t.Fatal(err)
	}
	return m
}

// A stop on a machine that there is not writes nothing: entries are for ever.
func TestStopOfNoMachineIsNotLogged(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	before := size(t, w)
	if err := w.NoteStop(t.Context(), w.Member, uuid.New(), "server"); !errors.Is(err, db.ErrNotFound) {
		t.Errorf("noted: %v", err)
	}
	if after := size(t, w); after != before {
		t.Errorf("%d entries for a machine of somebody's own making", after-before)
	}
}

func (w *worker) lockoutSaid(t *testing.T, machine uuid.UUID, locked bool) {
	t.Helper()
	text, err := w.LockoutNote(t.Context(), machine)
	if err != nil {
		t.Fatal(err)
	}
	if l, err := permit.OpenLockout(text, w.PermitVerify); err != nil || l.Locked != locked {
		t.Errorf("statement %+v, %v; want locked %v", l, err, locked)
	}
}

// The newest lockout statement is found though the machine is subject of every other entry.
func TestLockoutNoteIsTheNewest(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	if text, err := w.LockoutNote(t.Context(), w.Machine.ID); err != nil || text != nil {
		t.Errorf("%q, %v before any lockout", text, err)
	}
	for range 2 {
		if _, err := w.SetLockout(t.Context(), w.Officer, w.Machine.ID, "belt"); err != nil {
			t.Fatal(err)
		}
		w.lockoutSaid(t, w.Machine.ID, true)
		if err := w.LiftLockout(t.Context(), w.Officer, w.Machine.ID, "mended"); err != nil {
			t.Fatal(err)
		}
		w.Submit(t, 1)
		w.lockoutSaid(t, w.Machine.ID, false)
	}
	if jobs, err := w.Jobs(t.Context(), w.Member, uuid.Nil, 1); err != nil || jobs[0].State != queue.JobQueued {
		t.Error(jobs, err)
	}
}
