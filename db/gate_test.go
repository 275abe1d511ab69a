package db_test

import (
	"testing"

	"kerfgate/checklist"
)

// Standing answers hold four hours from when somebody looked, however often a page sends them back.
func TestStandingAnswersEndAfterFourHours(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	run := w.Submit(t, 1).Runs[0].ID
	w.atTheGate(t, run)
	marking := checklist.Values{"marking": "10600 D LB6", "on": "yes"}
	give := func(values checklist.Values) {
		t.Helper()
		if _, err := w.Answer(t.Context(), w.Operator, run, checklist.ItemEyewear, values); err != nil {
			t.Fatal(err)
		}
	}
	give(marking)
	if _, err := w.Pool.Exec(t.Context(), `UPDATE standing_answer SET at = at - interval '3 hours'`); err != nil {
		t.Fatal(err)
	}
	give(marking)
	hours := func(want int) {
		t.Helper()
		var old int
		if err := w.Pool.QueryRow(t.Context(), `SELECT extract(hour FROM now() - at)::int FROM standing_answer WHERE item = 'eyewear'`).Scan(&old); err != nil || old != want {
			t.Errorf("the standing answer is %d hours old (%v), want %d", old, err, want)
		}
	}
	hours(3)
	give(checklist.Values{"marking": "10600 D LB7", "on": "yes"}) // another pair, looked at now
	hours(0)
	if _, err := w.Pool.Exec(t.Context(), `UPDATE standing_answer SET at = at - interval '5 hours'`); err != nil {
		t.Fatal(err)
	}
	give(checklist.Values{"marking": "10600 D LB7", "on": "yes"}) // it had run out, so this is a new look
	hours(0)
}
