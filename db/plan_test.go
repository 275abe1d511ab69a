package db_test

import (
	"testing"

	"kerfgate/db"
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
	before := size(t, w)
	if _, err := w.MakePlan(t.Context(), w.Member, row.PlanChoice); err != nil || size(t, w) != before {
		t.Errorf("the same choice again wrote an entry (%v)", err)
	}
}
