package db_test

import (
	"strings"
	"testing"

	"kerfgate/checklist"
	"kerfgate/db"
	"kerfgate/queue"
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

// Under 60 % of the commissioned reading (the project's own figure) the machine is out of use at
// once, by the person who read the gauge; at 60 % the bar only stays down.
func TestLowFlowLocksOut(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	run := w.Submit(t, 1).Runs[0].ID
	w.atTheGate(t, run)
	read := func(pa string, shown ...string) db.Gate {
		t.Helper()
		values := checklist.Values{"reading": pa}
		for _, said := range shown {
			values["shown"] = said
		}
		g, err := w.Answer(t.Context(), w.Operator, run, checklist.ItemVentilation, values)
		if err != nil {
			t.Fatal(err)
		}
		return g
	}
	if g := read("72"); g.Run.Phase != queue.Checking || g.Machine.Lockout != nil {
		t.Fatalf("72 of 120 Pa: phase %s, lockout %v; want the checklist still open", g.Run.Phase, g.Machine.Lockout)
	}
	for _, typed := range []db.Gate{read("7"), read("7", "no")} {
		if typed.Run.Phase != queue.Checking || typed.Machine.Lockout != nil {
			t.Fatalf("a reading that nobody confirmed: phase %s, lockout %v; want the checklist still open", typed.Run.Phase, typed.Machine.Lockout)
		}
	}
	g := read("71", "yes")
	if g.Run.Phase != queue.Proposed || g.Machine.Lockout == nil || g.Machine.Lockout.SetBy != w.Operator.Person {
		t.Fatalf("71 of 120 Pa: phase %s, lockout %+v; want one set by the operator", g.Run.Phase, g.Machine.Lockout)
	}
	if !strings.Contains(g.Machine.Lockout.Reason, "71 Pa") {
		t.Errorf("the reason %q does not tell the reading", g.Machine.Lockout.Reason)
	}
	if _, err := w.OpenChecklist(t.Context(), w.Operator, run); err == nil {
		t.Error("the checklist opened again under the lockout")
	}
	if _, err := w.CheckLog(t.Context()); err != nil {
		t.Error(err)
	}
}
