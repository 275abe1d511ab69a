package db_test

import (
	"crypto/sha256"
	"errors"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nkeys"

	"kerfgate/db"
	"kerfgate/db/dbtest"
	"kerfgate/plan/material"
	"kerfgate/queue"
	"kerfgate/queue/broker"
)

// beside is the worker of one more machine of the same workshop, with the same operator.
func (w *worker) beside(t *testing.T, bay string) *worker {
	t.Helper()
	ctx := t.Context()
	key, err := nkeys.CreateUser()
	if err != nil {
		t.Fatal(err)
	}
	public, err := key.PublicKey()
	if err != nil {
		t.Fatal(err)
	}
	shop := *w.Workshop
	if shop.Machine, err = w.AddMachine(ctx, w.Admin, db.NewMachine{Name: "cutter of " + bay, Bay: bay, Profile: dbtest.Profile(), Tool: "beam", WorkerKey: public,
		WorkerURL: "http://127.0.0.1:1"}); err != nil {
		t.Fatal(err)
	}
	if _, err := w.Authorise(ctx, w.Admin, db.NewAuthorisation{Person: w.Operator.Person, Machine: shop.Machine.ID, Until: time.Now().Add(time.Hour), Evidence: "supervised run"}); err != nil {
		t.Fatal(err)
	}
	if _, err := w.ProveSetting(ctx, w.Admin, db.Setting{Machine: shop.Machine.ID, Tool: "beam", Material: w.Material.ID, ThicknessUM: 3000,
		Setting: material.Setting{Operation: "cut", SpeedUMPerS: 12_000, PowerPermille: 900, Passes: 1, KerfUM: 150, Evidence: "settings grid"}}); err != nil {
		t.Fatal(err)
	}
	return &worker{Workshop: &shop}
}

// answered brings a run to where only the signature is missing.
func (w *worker) answered(t *testing.T) uuid.UUID {
	t.Helper()
	run := w.Submit(t, 1).Runs[0].ID
	w.atTheGate(t, run)
	w.AnswerAll(t, run)
	return run
}

func (w *worker) signs(t *testing.T, run uuid.UUID) (db.Permit, error) {
	return w.SignOff(t.Context(), w.Operator, run, [32]byte{1, 2, 3}, sha256.Sum256([]byte("token")))
}

func wantAttended(t *testing.T, what string, err error, words string) {
	t.Helper()
	var refused *db.Refused
	if !errors.As(err, &refused) || !strings.Contains(err.Error(), words) {
		t.Errorf("%s: %v", what, err)
	}
}

// I9: nobody signs, or takes over, a second run with a beam while a first is attended, until its purge is
// over; on two machines that the officer named in one view one person may, and on a third nobody.
func TestI9_OneOperatorOneBeam(t *testing.T) {
	t.Parallel()
	first := newWorker(t)
	ctx := t.Context()
	second, third := first.beside(t, "Bay 2"), first.beside(t, "Bay 3")
	a := first.signed(t, first.Submit(t, 1).Runs[0].ID)
	b, c := second.answered(t), third.answered(t)
	_, err := second.signs(t, b)
	wantAttended(t, "a second beam", err, "one operator attends one run with a beam")
	if g, err := second.Gate(ctx, second.Operator, b); err != nil || len(g.Reasons) != 1 {
		t.Errorf("the gate says %+v, %v", g.Reasons, err)
	}

	if err := first.NameView(ctx, first.Officer, first.Machine.ID, second.Machine.ID); err != nil {
		t.Fatal(err)
	}
	wantAttended(t, "with itself", first.NameView(ctx, first.Officer, third.Machine.ID, third.Machine.ID), "not with itself")
	wantAttended(t, "in two views", first.NameView(ctx, first.Officer, third.Machine.ID, first.Machine.ID), "in one view with another already")
	if v, err := first.View(ctx, second.Machine.ID); err != nil || v.Other != first.Machine.ID {
		t.Errorf("%+v %v", v, err)
	}
	_, err = third.signs(t, c)
	wantAttended(t, "a machine out of view", err, "one operator attends one run with a beam")
	if _, err := second.signs(t, b); err != nil {
		t.Fatalf("in one view: %v", err)
	}
	_, err = third.signs(t, c)
	wantAttended(t, "a third beam", err, "nobody attends three beams")

	// What is named in one view may be taken back; the runs that are attended go on.
	if err := first.EndView(ctx, first.Officer, second.Machine.ID); err != nil {
		t.Fatal(err)
	}
	wantAttended(t, "taken back twice", first.EndView(ctx, first.Officer, first.Machine.ID), "in no view")
	second.phase(t, b, queue.Permitted)

	// Attendance ends with the purge: then the next one may be signed.
	if !first.taken(t, a).Granted {
		t.Fatal("no go")
	}
	first.says(t, broker.Report{Kind: broker.ReportMoved, Run: a.Run.ID})
	first.says(t, broker.Report{Kind: broker.ReportCompleted, Run: a.Run.ID})
	if _, err := second.Void(ctx, second.Operator, b, "not today"); err != nil {
		t.Fatal(err)
	}
	_, err = third.signs(t, c)
	wantAttended(t, "while the first one purges", err, "one operator attends one run with a beam")
	first.says(t, broker.Report{Kind: broker.ReportPurged, Run: a.Run.ID})
	if _, err := third.signs(t, c); err != nil {
		t.Errorf("after the purge: %v", err)
	}
	if first.entries(t, "machine.view_named") != 1 || first.entries(t, "machine.view_ended") != 1 {
		t.Error("not one entry each")
	}
}

// I9: who attends a beam takes over no other.
func TestI9_HandOverToWhoAttends(t *testing.T) {
	t.Parallel()
	first := newWorker(t)
	second := first.beside(t, "Bay 2")
	r := first.started(t)
	held, err := first.attendanceOf(t, r.ID)
	if err != nil {
		t.Fatal(err)
	}
	other := first.operator(t, "second")
	if _, err := first.Authorise(t.Context(), first.Officer, db.NewAuthorisation{Person: other.Person, Machine: second.Machine.ID, Until: time.Now().Add(time.Hour), Evidence: "supervised run"}); err != nil {
		t.Fatal(err)
	}
	second.Operator = other
	second.signed(t, second.Submit(t, 1).Runs[0].ID)
	_, err = first.Handover(t.Context(), other, r.ID, held, [32]byte{9})
	wantAttended(t, "taking over", err, "one operator attends one run with a beam")
}

// I9: of two signatures of one operator at the same moment, one is refused.
func TestI9_TwoBeamsSignedAtOnce(t *testing.T) {
	t.Parallel()
	first := newWorker(t)
	second := first.beside(t, "Bay 2")
	runs := []uuid.UUID{first.answered(t), second.answered(t)}
	var all sync.WaitGroup
	results := make([]error, 2)
	for i, w := range []*worker{first, second} {
		all.Go(func() { _, results[i] = w.signs(t, runs[i]) })
	}
	all.Wait()
	if (results[0] == nil) == (results[1] == nil) {
		t.Fatalf("%v, %v", results[0], results[1])
	}
	for _, err := range results {
		if err != nil {
			wantAttended(t, "the second", err, "one operator attends one run with a beam")
		}
	}
}
