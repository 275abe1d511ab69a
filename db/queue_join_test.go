package db_test

import (
	"errors"
	"testing"
	"time"

	"github.com/google/uuid"

	"kerfgate/db"
	"kerfgate/db/cluster"
	"kerfgate/db/dbtest"
)

// TestIfJoined: what is told before handing in is what the queue says afterwards, also behind others and where runs
// of the site tell how long a sheet takes to be laid.
func TestIfJoined(t *testing.T) {
	t.Parallel()
	w := dbtest.NewWorkshop(t)
	ctx := t.Context()
	ahead := w.Submit(t, 2)
	for round, history := range []bool{false, true} {
		if history {
			laidBefore(t, w, ahead.Runs[0].ID)
		}
		before, err := w.Queue(ctx, w.Machine.ID)
		if err != nil {
			t.Fatal(err)
		}
		due := time.Now().Add(3 * time.Hour).Truncate(time.Second)
		join := db.Joining{Machine: w.Machine.ID, Stock: w.Stock.ID, TotalMS: ahead.Runs[0].PlanTotalMS, Copies: 3, Due: &due}
		_, first, last, ok, err := w.IfJoined(ctx, w.Member, join)
		if err != nil || !ok || len(before.Places) != 2+3*round {
			t.Fatalf("%v %v, %d wait", ok, err, len(before.Places))
		}
		job, err := w.SubmitJob(ctx, w.Member, db.NewJob{Title: "three", Plan: ahead.Plan, Copies: 3, Due: &due})
		if err != nil {
			t.Fatal(err)
		}
		q, err := w.Queue(ctx, w.Machine.ID)
		if err != nil {
			t.Fatal(err)
		}
		same := func(what string, told, is *time.Time) {
			t.Helper()
			if told == nil || is == nil || told.Sub(*is).Abs() > 30*time.Second { // the clock went on between
				t.Errorf("round %d: %s was told as %v and is %v", round, what, told, is)
			}
		}
		begins, _ := q.ByRun(job.Runs[0].ID)
		ends, _ := q.ByRun(job.Runs[2].ID)
		same("the start", first.Start, begins.Start)
		same("the end", last.End, ends.End)
		same("the slowest end", last.Slowest, ends.Slowest)
		if took, known := q.Lane.Pace.Laying(true); known != history || history && took != 6*time.Minute {
			t.Errorf("round %d: laying takes %s, known %v", round, took, known)
		}
	}
	if _, _, _, ok, err := w.IfJoined(ctx, w.Member, db.Joining{Machine: w.Machine.ID, Stock: w.Stock.ID, Copies: 0}); ok || err != nil {
		t.Errorf("no copies have a place: %v", err)
	}
	if _, _, _, _, err := w.IfJoined(ctx, w.Member, db.Joining{Machine: uuid.New(), Copies: 1}); !errors.Is(err, db.ErrNotFound) {
		t.Errorf("no machine: %v", err)
	}
	run, err := w.OpenChecklist(ctx, w.Operator, ahead.Runs[0].ID)
	var opened *time.Time
	if err == nil {
		err = w.Pool.QueryRow(ctx, `SELECT taken_up_at FROM run WHERE id = $1`, run.ID).Scan(&opened)
	}
	if err != nil || opened == nil {
		t.Errorf("when it was taken up is not kept: %v", err)
	}
}

// laidBefore puts seven runs of an hour's distance into the past, each taken up six minutes before it moved.
func laidBefore(t *testing.T, w *dbtest.Workshop, like uuid.UUID) {
	t.Helper()
	for _, sql := range []string{`ALTER TABLE run DISABLE TRIGGER run_begin`,
		`INSERT INTO run (id, job, copy, machine, plan, stock, phase, outcome, last_event, sheet_fate, real_ms, proposed_at, taken_up_at, started_at, ended_at)
			SELECT gen_random_uuid(), job, copy, machine, plan, stock, 'closed', 'completed', 'inspected', 'kept', 60000, now() - n * interval '1 hour' - interval '9 minutes',
				now() - n * interval '1 hour' - interval '6 minutes', now() - n * interval '1 hour', now() - n * interval '1 hour' + interval '3 minutes'
			FROM run, generate_series(1, 7) n WHERE id = '` + like.String() + `'`,
		`ALTER TABLE run ENABLE ALWAYS TRIGGER run_begin`} {
		if err := as(t, &worker{Workshop: w}, cluster.Owner, sql); err != nil {
			t.Fatal(err)
		}
	}
}

// TestChooseSet: a job goes from set to set of its member, its sheets count there, and a full or foreign set
// refuses it.
func TestChooseSet(t *testing.T) {
	t.Parallel()
	w := dbtest.NewWorkshop(t)
	ctx := t.Context()
	job := w.Submit(t, 2)
	shed, err := w.MakeSet(ctx, w.Member, "garden shed")
	if err != nil {
		t.Fatal(err)
	}
	labels, err := w.MakeSet(ctx, w.Member, "plant labels")
	if err != nil {
		t.Fatal(err)
	}
	foreign, err := w.MakeSet(ctx, w.Operator, "another's")
	if err != nil {
		t.Fatal(err)
	}
	sheets := func(set uuid.UUID) int64 {
		t.Helper()
		s, err := w.Set(ctx, w.Member, set)
		if err != nil {
			t.Fatal(err)
		}
		return s.Sheets
	}
	got, err := w.ChooseSet(ctx, w.Member, job.ID, shed.ID, job.Rev)
	if err != nil || got.SetName != "garden shed" || sheets(shed.ID) != 2 {
		t.Fatalf("%+v, %v", got, err)
	}
	if _, err := w.ChooseSet(ctx, w.Member, job.ID, labels.ID, job.Rev); !errors.Is(err, db.ErrConflict) {
		t.Errorf("a stale rev: %v", err)
	}
	if got, err = w.ChooseSet(ctx, w.Member, job.ID, labels.ID, got.Rev); err != nil || sheets(shed.ID) != 0 || sheets(labels.ID) != 2 {
		t.Errorf("%+v, %v", got, err)
	}
	var no *db.Refused
	if _, err := w.ChooseSet(ctx, w.Member, job.ID, labels.ID, 0); !errors.As(err, &no) {
		t.Errorf("where it is already: %v", err)
	}
	for name, try := range map[string]func() error{
		"somebody else's set": func() error { _, err := w.ChooseSet(ctx, w.Member, job.ID, foreign.ID, 0); return err },
		"somebody else's job": func() error { _, err := w.ChooseSet(ctx, w.Officer, job.ID, shed.ID, 0); return err },
	} {
		if err := try(); !errors.Is(err, db.ErrNotFound) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if got, err = w.ChooseSet(ctx, w.Member, job.ID, uuid.Nil, 0); err != nil || got.Set != nil || sheets(labels.ID) != 0 {
		t.Errorf("of none: %+v, %v", got, err)
	}
	if _, err := w.CheckLog(ctx); err != nil {
		t.Error(err)
	}
}
