package db_test

import (
	"errors"
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"

	"kerfgate/db"
	"kerfgate/db/dbtest"
	"kerfgate/queue"
)

// TestHistory: what is over, newest first, everyone their own, page by page without a gap, each filter.
func TestHistory(t *testing.T) {
	t.Parallel()
	w := dbtest.NewWorkshop(t)
	ctx := t.Context()
	job := w.Submit(t, 6)
	for i, r := range job.Runs {
		event, outcome := "stopped", "stopped"
		if i == 5 {
			event, outcome = "completed", "completed"
		}
		// The phases' guard wants every move; this is the shortest way to an end at a time of ours.
		for _, sql := range []string{
			`UPDATE run SET phase = 'checking', last_event = 'opened', operator = $2 WHERE id = $1`,
			`UPDATE run SET phase = 'permitted', last_event = 'signed', operator = $2 WHERE id = $1`,
			`UPDATE run SET phase = 'starting', last_event = 'burned', operator = $2 WHERE id = $1`,
			`UPDATE run SET phase = 'running', last_event = 'moved', operator = $2 WHERE id = $1`,
			`UPDATE run SET phase = 'purging', last_event = '` + event + `', outcome = '` + outcome + `', operator = $2 WHERE id = $1`,
			`UPDATE run SET phase = 'inspecting', last_event = 'purged', operator = $2 WHERE id = $1`,
			`UPDATE run SET phase = 'closed', last_event = 'inspected', ended_at = now() - interval '` + string(rune('9'-i)) + ` hours', operator = $2 WHERE id = $1`,
		} {
			owner(t, w, sql, r.ID, w.Operator.Person)
		}
	}
	other := w.Submit(t, 1)
	if _, err := w.WithdrawJob(ctx, w.Member, other.ID, 0); err != nil {
		t.Fatal(err)
	}
	read := func(actor db.Actor, f db.HistoryFilter) (numbers []int64) {
		t.Helper()
		list, err := w.History(ctx, actor, f)
		if err != nil {
			t.Fatal(err)
		}
		for _, o := range list {
			if o.MachineBay != "Bay 1" || o.MachineName != "lidded cutter" {
				t.Errorf("ran on %q, %q", o.MachineBay, o.MachineName)
			}
			numbers = append(numbers, o.Number)
		}
		return numbers
	}
	all := read(w.Officer, db.HistoryFilter{})
	if len(all) != 6 || !slices.IsSortedFunc(all, func(a, b int64) int { return int(b - a) }) {
		t.Fatalf("all: %v", all)
	}
	var paged []int64
	for f := (db.HistoryFilter{Limit: 4}); ; {
		list, err := w.History(ctx, w.Officer, f)
		if err != nil {
			t.Fatal(err)
		}
		for _, o := range list {
			paged = append(paged, o.Number)
		}
		if len(list) < f.Limit {
			break
		}
		f.After = list[len(list)-1].ID
	}
	if !slices.Equal(paged, all) {
		t.Errorf("page by page %v, at once %v", paged, all)
	}
	for name, x := range map[string]struct {
		as   db.Actor
		f    db.HistoryFilter
		want int
	}{
		"the member's own":         {w.Member, db.HistoryFilter{}, 6},
		"the operator attended":    {w.Operator, db.HistoryFilter{}, 6},
		"a stranger's":             {db.Actor{Person: w.Admin.Person, Role: db.RoleMember}, db.HistoryFilter{}, 0},
		"machine":                  {w.Officer, db.HistoryFilter{Machine: w.Machine.ID}, 6},
		"another machine":          {w.Officer, db.HistoryFilter{Machine: uuid.New()}, 0},
		"material":                 {w.Officer, db.HistoryFilter{Material: w.Material.ID}, 6},
		"outcome":                  {w.Officer, db.HistoryFilter{Outcome: queue.OutcomeCompleted}, 1},
		"withdrawn":                {w.Officer, db.HistoryFilter{Outcome: queue.OutcomeWithdrawn}, 1},
		"person":                   {w.Officer, db.HistoryFilter{Person: w.Operator.Person}, 6},
		"person, as the member":    {w.Member, db.HistoryFilter{Person: w.Operator.Person}, 6},
		"person, as somebody else": {db.Actor{Person: w.Officer.Person, Role: db.RoleMember}, db.HistoryFilter{Person: w.Operator.Person}, 0},
		"from":                     {w.Officer, db.HistoryFilter{From: time.Now().Add(-6*time.Hour - time.Minute)}, 3},
		"to":                       {w.Officer, db.HistoryFilter{To: time.Now().Add(-6*time.Hour - time.Minute)}, 3},
		"everything at once":       {w.Operator, db.HistoryFilter{Machine: w.Machine.ID, Person: w.Member.Person, Material: w.Material.ID, Outcome: queue.OutcomeStopped, From: time.Now().Add(-24 * time.Hour), Limit: 2}, 2},
	} {
		if got := read(x.as, x.f); len(got) != x.want {
			t.Errorf("%s: %v, want %d", name, got, x.want)
		}
	}
	if _, err := w.History(ctx, w.Officer, db.HistoryFilter{After: uuid.New()}); !errors.Is(err, db.ErrNotFound) {
		t.Errorf("after a run that is none: %v", err)
	}
}
