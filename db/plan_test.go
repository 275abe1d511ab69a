package db_test

import (
	"errors"
	"testing"

	"github.com/google/uuid"

	"kerfgate/db"
	"kerfgate/db/dbtest"
	"kerfgate/plan"
)

// Two machines of one profile get the same plan bytes; the job goes to the one that was chosen.
func TestPlanForTheChosenMachine(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	second := keepsSight(t, w)
	for _, op := range []string{"cut", "mark"} {
		settings, err := w.Settings(t.Context(), w.Machine.ID)
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range settings {
			if s.Operation == op {
				s.Machine = second.ID
				if _, err := w.ProveSetting(t.Context(), w.Officer, s); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	first := w.Submit(t, 1)
	row, err := w.MakePlan(t.Context(), w.Member, db.PlanChoice{Drawing: first.Drawing, Machine: second.ID, Tool: "beam", Stock: w.Stock.ID, Default: "cut"})
	if err != nil {
		t.Fatal(err)
	}
	if row.Machine != second.ID {
		t.Errorf("the plan is for machine %s, chosen was %s", row.Machine, second.ID)
	}
	job, err := w.SubmitJob(t.Context(), w.Member, db.NewJob{Title: "on the second", Plan: row.Digest, Copies: 1})
	if err != nil || job.Machine != second.ID {
		t.Errorf("the job went to %s, %v", job.MachineName, err)
	}
	if again, err := w.Job(t.Context(), w.Member, first.ID); err != nil || again.Machine != w.Machine.ID {
		t.Errorf("the first job moved to %s, %v", again.MachineName, err)
	}
	// From the tab that still shows the first machine the job goes to the first; to a machine or with a
	// lot that nobody chose it goes nowhere.
	job, err = w.SubmitJob(t.Context(), w.Member, db.NewJob{Title: "on the first", Plan: row.Digest, Machine: w.Machine.ID, Stock: w.Stock.ID, Copies: 1})
	if err != nil || job.Machine != w.Machine.ID || job.Runs[0].PlanTotalMS == 0 || len(job.Runs) != 1 {
		t.Errorf("the job went to %s with %d runs, %v", job.MachineName, len(job.Runs), err)
	}
	var refused *db.Refused
	for _, n := range []db.NewJob{{Machine: uuid.New()}, {Machine: w.Machine.ID, Stock: uuid.New()}} {
		n.Title, n.Plan, n.Copies = "nowhere", row.Digest, 1
		if _, err := w.SubmitJob(t.Context(), w.Member, n); !errors.As(err, &refused) {
			t.Errorf("submitted for what was never chosen: %v", err)
		}
	}
	before := size(t, w)
	if _, err := w.MakePlan(t.Context(), w.Member, row.PlanChoice); err != nil || size(t, w) != before {
		t.Errorf("the same choice again wrote an entry (%v)", err)
	}
}

// What was chosen last for a drawing is remembered for its bytes, by machine and by member; going
// back to an earlier choice makes that one the last.
func TestLastChoice(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	ctx := t.Context()
	hand := func() db.Drawing {
		d, err := w.ReceiveDrawing(ctx, w.Member, "bed.svg", []byte(dbtest.Square))
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	choose := func(d db.Drawing, op plan.Operation, columns int64) {
		if _, err := w.MakePlan(ctx, w.Member, db.PlanChoice{Drawing: d.ID, Machine: w.Machine.ID, Tool: "beam", Stock: w.Stock.ID, Default: plan.Cut,
			Operations: map[string]plan.Operation{"A": op}, Choices: plan.Choices{Array: plan.Array{Columns: columns, GapUM: 2_000}}}); err != nil {
			t.Fatal(err)
		}
	}
	first := hand()
	if _, err := w.LastChoice(ctx, w.Member, first.Digest, w.Machine.ID); !errors.Is(err, db.ErrNotFound) {
		t.Errorf("before any choice: %v", err)
	}
	choose(first, plan.Mark, 1)
	choose(first, plan.Cut, 1)
	choose(first, plan.Mark, 1)
	again := hand()
	got, err := w.LastChoice(ctx, w.Member, again.Digest, w.Machine.ID)
	if err != nil || got.Operations["A"] != plan.Mark || got.Choices.Array.GapUM != 2_000 {
		t.Errorf("%+v, %v", got, err)
	}
	if _, err := w.LastChoice(ctx, w.Officer, again.Digest, w.Machine.ID); !errors.Is(err, db.ErrNotFound) {
		t.Errorf("another person: %v", err)
	}
	other, err := w.ReceiveDrawing(ctx, w.Member, "bed.svg", []byte(dbtest.Square+" "))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.LastChoice(ctx, w.Member, other.Digest, w.Machine.ID); !errors.Is(err, db.ErrNotFound) {
		t.Errorf("another drawing of the same name: %v", err)
	}
}
