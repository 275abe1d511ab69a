package checklist_test

import (
	"testing"
	"time"

	"pgregory.net/rapid"

	"kerfgate/checklist"
)

// TestUpkeep: the measure that is closest to its limit decides; at the limit it is overdue.
func TestUpkeep(t *testing.T) {
	t.Parallel()
	now := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	const hour = 3_600_000
	for name, x := range map[string]struct {
		rule   checklist.UpkeepRule
		days   int
		ms     int64
		runs   int64
		want   checklist.UpkeepState
		reason string
	}{
		"just done":             {checklist.UpkeepRule{Days: 30}, 0, 0, 0, checklist.UpkeepFresh, "0 of 30 days"},
		"four fifths":           {checklist.UpkeepRule{Days: 30}, 24, 0, 0, checklist.UpkeepSoon, "24 of 30 days"},
		"the day":               {checklist.UpkeepRule{Days: 30}, 30, 0, 0, checklist.UpkeepOverdue, "30 of 30 days"},
		"hours before days":     {checklist.UpkeepRule{Days: 30, Hours: 10}, 3, 9 * hour, 0, checklist.UpkeepSoon, "9.0 of 10 machine hours"},
		"runs before all":       {checklist.UpkeepRule{Days: 30, Hours: 10, Runs: 5}, 3, 1 * hour, 5, checklist.UpkeepOverdue, "5 of 5 runs"},
		"a measure not counted": {checklist.UpkeepRule{Hours: 10}, 3000, 1 * hour, 5000, checklist.UpkeepFresh, "1.0 of 10 machine hours"},
	} {
		state, why := x.rule.Judge(now.AddDate(0, 0, -x.days), x.ms, x.runs, now)
		if state != x.want || why != x.reason {
			t.Errorf("%s: %s, %s", name, state, why)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		rank := map[checklist.UpkeepState]int{checklist.UpkeepFresh: 0, checklist.UpkeepSoon: 1, checklist.UpkeepOverdue: 2}
		rule := checklist.UpkeepRule{Days: rapid.Int64Range(0, 100).Draw(t, "days"), Hours: rapid.Int64Range(0, 100).Draw(t, "hours"), Runs: rapid.Int64Range(0, 100).Draw(t, "runs")}
		age, ms, runs := rapid.IntRange(0, 200).Draw(t, "age"), rapid.Int64Range(0, 200*hour).Draw(t, "ms"), rapid.Int64Range(0, 200).Draw(t, "ran")
		less, _ := rule.Judge(now.AddDate(0, 0, -age), ms, runs, now)
		more, _ := rule.Judge(now.AddDate(0, 0, -age-1), ms+hour, runs+1, now)
		if rank[more] < rank[less] {
			t.Fatalf("more use makes %s of %s", more, less)
		}
	})
}
