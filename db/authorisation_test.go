package db_test

import (
	"crypto/sha256"
	"testing"
	"time"

	"github.com/google/uuid"

	"kerfgate/db"
	"kerfgate/plan/material"
	"kerfgate/queue/broker"
)

// only leaves the operator one authorisation, for these groups.
func (w *worker) only(t *testing.T, who db.Actor, groups ...material.Group) db.Authorisation {
	t.Helper()
	if _, err := w.Pool.Exec(t.Context(), `UPDATE authorisation SET withdrawn_at = now() WHERE person = $1`, who.Person); err != nil {
		t.Fatal(err)
	}
	a, err := w.Authorise(t.Context(), w.Officer, db.NewAuthorisation{Person: who.Person, Machine: w.Machine.ID, Until: time.Now().AddDate(1, 0, 0),
		Evidence: "supervised run", IdleMonths: 6, Groups: groups})
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// TestI1_MaterialGroups: who is authorised for plastic alone opens, takes ahead, signs, takes over and resumes
// nothing of wood, and is told so; an authorisation for wood is enough. A sign-off binds the one that covers
// its sheet: withdrawn, it is void (I10), whatever else its operator holds.
func TestI1_MaterialGroups(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	ctx := t.Context()
	job := w.Submit(t, 2)
	run, later := job.Runs[0].ID, job.Runs[1].ID
	if _, err := w.Authorise(ctx, w.Officer, db.NewAuthorisation{Person: w.Operator.Person, Machine: w.Machine.ID, Until: time.Now().Add(time.Hour), Evidence: "course",
		Groups: []material.Group{"wood"}}); err == nil {
		t.Error("a group that is none was granted")
	}
	plastic := w.only(t, w.Operator, "plastic", "metal", "plastic")
	if len(plastic.Groups) != 2 || plastic.Groups[0] != "plastic" {
		t.Errorf("granted for %v", plastic.Groups)
	}
	const why = "not for wood and board"
	w.says(t, broker.Report{Kind: broker.ReportReady, Run: run, Revision: 1})
	_, err := w.OpenChecklist(ctx, w.Operator, run)
	refused(t, err, why)
	refused(t, w.TakeRun(ctx, w.Operator, later, "the class ends at one"), why)

	wood := w.only(t, w.Operator, "wood and board")
	if _, err := w.Authorise(ctx, w.Officer, db.NewAuthorisation{Person: w.Operator.Person, Machine: w.Machine.ID, Until: time.Now().AddDate(2, 0, 0), Evidence: "course",
		Groups: []material.Group{"plastic"}}); err != nil {
		t.Fatal(err)
	}
	p := w.signed(t, run)
	so, err := w.SignOffs(ctx, run)
	if err != nil || so[run].Authorisation != wood.ID {
		t.Fatalf("the sign-off binds %v, want %v: %v", so[run].Authorisation, wood.ID, err)
	}
	if !w.taken(t, p).Granted {
		t.Fatal("no go")
	}
	w.says(t, broker.Report{Kind: broker.ReportMoved, Run: run})
	held, err := w.attendanceOf(t, run)
	if err != nil {
		t.Fatal(err)
	}
	second := w.operator(t, "second")
	w.only(t, second, "plastic")
	_, err = w.Handover(ctx, second, run, held, sha256.Sum256([]byte("next")))
	refused(t, err, why)
	w.only(t, second, "plastic", "wood and board")
	if _, err := w.Handover(ctx, second, run, held, sha256.Sum256([]byte("next"))); err != nil {
		t.Fatal(err)
	}

	// A paused run is resumed by who is still authorised for its sheet.
	w.says(t, broker.Report{Kind: broker.ReportPaused, Run: run, Reason: "pressed", PauseToken: [32]byte{9}})
	w.only(t, second, "plastic")
	_, err = w.Resume(ctx, second, run, sawNothing)
	refused(t, err, why)
}

// TestRefresherByRuns: a run puts the refresher of those authorisations off that cover its material (the months
// without a run), and no others.
func TestRefresherByRuns(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	ctx := t.Context()
	wood := w.only(t, w.Operator, "wood and board")
	every, err := w.Authorise(ctx, w.Officer, db.NewAuthorisation{Person: w.Operator.Person, Machine: w.Machine.ID, Until: time.Now().AddDate(1, 0, 0), Evidence: "course", IdleMonths: 6})
	if err != nil {
		t.Fatal(err)
	}
	plastic, err := w.Authorise(ctx, w.Officer, db.NewAuthorisation{Person: w.Operator.Person, Machine: w.Machine.ID, Until: time.Now().AddDate(1, 0, 0), Evidence: "course", IdleMonths: 6,
		Groups: []material.Group{"plastic"}})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.Pool.Exec(ctx, `UPDATE authorisation SET granted_at = now() - interval '5 months 20 days'`); err != nil {
		t.Fatal(err)
	}
	ends := func() map[uuid.UUID]time.Time {
		t.Helper()
		list, err := w.Authorisations(ctx, w.Operator.Person)
		if err != nil || len(list) != 3 {
			t.Fatal(list, err)
		}
		m := map[uuid.UUID]time.Time{}
		for _, a := range list {
			m[a.ID] = a.ExpiresAt
		}
		return m
	}
	soon := time.Now().AddDate(0, 1, 0)
	for id, at := range ends() {
		if at.After(soon) {
			t.Errorf("%v ends %v before its run", id, at)
		}
	}
	w.worked(t, w.Submit(t, 1).Runs[0].ID, broker.Report{Kind: broker.ReportCompleted, RealMS: 60_000}, db.Inspection{Fate: db.SheetKept, SupplyOff: true})
	after := ends()
	if !after[wood.ID].After(soon) || !after[every.ID].After(soon) || after[plastic.ID].After(soon) {
		t.Errorf("after a run of wood: wood until %v, every material until %v, plastic until %v", after[wood.ID], after[every.ID], after[plastic.ID])
	}
	// What ends soon is told but where another outlasts it that covers as much.
	list, err := w.EndingAuthorisations(ctx, w.Operator.Person, 30*24*time.Hour, 5)
	if err != nil || len(list) != 0 {
		t.Errorf("told: %v, %v", list, err)
	}
	if err := w.WithdrawAuthorisation(ctx, w.Officer, every.ID); err != nil {
		t.Fatal(err)
	}
	if list, err = w.EndingAuthorisations(ctx, w.Operator.Person, 30*24*time.Hour, 5); err != nil || len(list) != 1 {
		t.Errorf("told: %v, %v", list, err)
	}
}
