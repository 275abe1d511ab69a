package db_test

import (
	"errors"
	"strings"
	"testing"

	"github.com/google/uuid"

	"kerfgate/db"
	"kerfgate/db/dbtest"
	"kerfgate/db/logbook"
	"kerfgate/plan"
	"kerfgate/plan/canon"
)

// into hands in the workshop's square as copies that belong to a set.
func into(t *testing.T, w *dbtest.Workshop, set uuid.UUID, copies int64) (db.Job, error) {
	t.Helper()
	d, err := w.ReceiveDrawing(t.Context(), w.Member, "square.svg", []byte(dbtest.Square))
	if err != nil {
		t.Fatal(err)
	}
	row, err := w.MakePlan(t.Context(), w.Member, db.PlanChoice{Drawing: d.ID, Machine: w.Machine.ID, Tool: "beam", Stock: w.Stock.ID, Default: plan.Cut})
	if err != nil {
		t.Fatal(err)
	}
	return w.SubmitJob(t.Context(), w.Member, db.NewJob{Title: "shelf", Plan: row.Digest, Copies: copies, Set: set})
}

// closed moves a run through its phases to its inspection.
func closed(t *testing.T, w *dbtest.Workshop, run uuid.UUID, fate db.SheetFate) {
	t.Helper()
	for _, move := range []struct{ event, to, outcome string }{{"opened", "checking", ""}, {"signed", "permitted", ""}, {"burned", "starting", ""},
		{"moved", "running", ""}, {"completed", "purging", "completed"}, {"purged", "inspecting", "completed"}, {"inspected", "closed", "completed"}} {
		if _, err := w.Pool.Exec(t.Context(), `UPDATE run SET phase = $2, last_event = $3, outcome = $4, sheet_fate = CASE WHEN $2 = 'closed' THEN $5 ELSE '' END WHERE id = $1`,
			run, move.to, move.event, move.outcome, fate); err != nil {
			t.Fatal(move.event, err)
		}
	}
}

// TestSet: what belongs to one object is counted together: done is what came out and was kept.
func TestSet(t *testing.T) {
	t.Parallel()
	w := dbtest.NewWorkshop(t)
	ctx := t.Context()
	for _, name := range []string{"", "  ", strings.Repeat("x", db.MaxTitle+1)} {
		var no *db.Refused
		if _, err := w.MakeSet(ctx, w.Member, name); !errors.As(err, &no) {
			t.Errorf("a set named %q: %v", name, err)
		}
	}
	set, err := w.MakeSet(ctx, w.Member, " garden shed ")
	if err != nil || set.Name != "garden shed" || set.JobCount != 0 || set.Sheets != 0 {
		t.Fatalf("%+v %v", set, err)
	}
	first, err := into(t, w, set.ID, 3)
	if err != nil || first.Set == nil || *first.Set != set.ID || first.SetName != "garden shed" {
		t.Fatalf("%+v %v", first, err)
	}
	second, err := into(t, w, set.ID, 2)
	if err != nil {
		t.Fatal(err)
	}
	closed(t, w, first.Runs[0].ID, db.SheetKept)
	closed(t, w, first.Runs[1].ID, db.SheetScrapped)
	closed(t, w, second.Runs[0].ID, db.SheetKept)
	check := func(what string, sheets, done, waiting int64) {
		t.Helper()
		got, err := w.Set(ctx, w.Member, set.ID)
		if err != nil || got.Sheets != sheets || got.Done != done || got.Waiting != waiting || got.JobCount != 2 || len(got.Jobs) != 2 || got.Lots[w.Stock.ID].Lot != "P118" {
			t.Errorf("%s: %+v %v", what, got, err)
		}
		if got.Jobs[0].ID != first.ID || got.Jobs[0].Done() != 1 {
			t.Errorf("%s: the first job is %s with %d done", what, got.Jobs[0].ID, got.Jobs[0].Done())
		}
		list, err := w.Sets(ctx, w.Member, uuid.Nil, 5)
		if err != nil || len(list) != 1 || list[0].Sheets != sheets || list[0].Done != done || list[0].Waiting != waiting {
			t.Errorf("%s: the list has %+v %v", what, list, err)
		}
	}
	check("one was scrapped", 5, 2, 2)
	if _, err := w.WithdrawJob(ctx, w.Member, second.ID, 0); err != nil {
		t.Fatal(err)
	}
	check("of what was withdrawn counts what was done", 4, 2, 1)

	// Others' sets are not there, and nobody hands in to them.
	theirs, err := w.MakeSet(ctx, w.Officer, "tool wall")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.Set(ctx, w.Member, theirs.ID); !errors.Is(err, db.ErrNotFound) {
		t.Errorf("another's set: %v", err)
	}
	if _, err := w.Set(ctx, w.Officer, set.ID); err != nil {
		t.Errorf("an officer: %v", err)
	}
	if _, err := into(t, w, theirs.ID, 1); !errors.Is(err, db.ErrNotFound) {
		t.Errorf("a job for another's set: %v", err)
	}
	var made int
	if err := w.Pool.QueryRow(ctx, `SELECT count(*) FROM log_entry e JOIN log_subject s ON s.index = e.index WHERE e.kind = $1 AND s.subject = $2`, logbook.SetMade, set.ID).Scan(&made); err != nil || made != 1 {
		t.Errorf("%d entries tell that the set was made, %v", made, err)
	}
}

// TestDraft: what was begun is kept until it is handed in or thrown away, the newest first, one's own.
func TestDraft(t *testing.T) {
	t.Parallel()
	w := dbtest.NewWorkshop(t)
	ctx := t.Context()
	job := w.Submit(t, 1)
	keep := func(who db.Actor, d db.Draft) {
		t.Helper()
		d.Machine, d.Tool, d.Stock = w.Machine.ID, "beam", w.Stock.ID
		if err := w.KeepDraft(ctx, who, d); err != nil {
			t.Fatal(err)
		}
	}
	keep(w.Member, db.Draft{Drawing: job.Drawing, Title: "shelf", Copies: 999, Due: "2027-01-01T10:00"})
	keep(w.Member, db.Draft{Drawing: job.Drawing, Title: "shelf, left", Copies: 2, Plan: job.Plan})
	keep(w.Member, db.Draft{Drawing: job.Drawing, Title: "shelf, left", Copies: 2}) // the plan stays
	keep(w.Officer, db.Draft{Drawing: job.Drawing, Title: "not theirs"})
	list, err := w.Drafts(ctx, w.Member)
	if err != nil || len(list) != 1 || list[0].Title != "shelf, left" || list[0].Copies != 2 || list[0].Due != "" || list[0].Plan != job.Plan || list[0].FileName != "square.svg" {
		t.Errorf("%+v %v", list, err)
	}
	if _, err := w.Draft(ctx, w.Officer, job.Drawing); !errors.Is(err, db.ErrNotFound) {
		t.Errorf("another's draft: %v", err)
	}
	if err := w.DropDraft(ctx, w.Officer, job.Drawing); err != nil {
		t.Error(err)
	}
	if d, err := w.Draft(ctx, w.Member, job.Drawing); err != nil || d.Drawing != job.Drawing {
		t.Errorf("somebody else threw it away: %+v %v", d, err)
	}
	keep(w.Member, db.Draft{Drawing: job.Drawing, Plan: canon.Digest{1}}) // a plan that is kept no longer
	if d, err := w.Draft(ctx, w.Member, job.Drawing); err != nil || d.Plan != (canon.Digest{}) {
		t.Errorf("%+v %v", d, err)
	}
	if err := w.DropDraft(ctx, w.Member, job.Drawing); err != nil {
		t.Error(err)
	}
	if list, err := w.Drafts(ctx, w.Member); err != nil || len(list) != 0 {
		t.Errorf("%+v %v", list, err)
	}
}
