package db_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"kerfgate/checklist"
	"kerfgate/db"
	"kerfgate/queue"
)

func hasItem(g db.Gate, key string) bool { _, ok := g.Checklist.Item(key); return ok }

// A plan with hot spots asks for somebody besides the operator, who signs in themselves: nobody answers for
// them, the operator is not the second, and the sign-off waits for it.
func TestSecondAtTheGate(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	run := w.Submit(t, 1).Runs[0].ID
	if _, err := w.Pool.Exec(t.Context(), `UPDATE plan SET hot_spots = 2`); err != nil {
		t.Fatal(err)
	}
	w.atTheGate(t, run)
	var no *db.Refused
	if _, err := w.Answer(t.Context(), w.Operator, run, checklist.ItemSecond, checklist.Values{checklist.SecondField: w.Member.Person.String()}); !errors.As(err, &no) {
		t.Fatalf("the operator answered for the second person: %v", err)
	}
	if _, err := w.Second(t.Context(), w.Operator, run, w.Operator.Person); !errors.As(err, &no) {
		t.Fatalf("the operator is their own second: %v", err)
	}
	if _, err := w.Second(t.Context(), w.Operator, run, uuid.New()); !errors.Is(err, db.ErrNotFound) {
		t.Fatalf("nobody is the second: %v", err)
	}
	if _, err := w.Answer(t.Context(), w.Operator, run, checklist.ItemSupply, checklist.Values{"on": "yes"}); !errors.As(err, &no) {
		t.Fatalf("the supply came before the second person: %v", err)
	}
	g, err := w.Second(t.Context(), w.Operator, run, w.Member.Person)
	if err != nil || g.Facts.Circumstances.Second == "" {
		t.Fatalf("%+v, %v", g.Facts.Circumstances, err)
	}
	w.AnswerAll(t, run)
	if _, err := w.SignOff(t.Context(), w.Operator, run, [32]byte{1}, [32]byte{2}); err != nil {
		t.Fatal(err)
	}
	all, err := w.SignOffs(t.Context(), run)
	so := all[run].SignOff
	if err != nil || so.Answers[checklist.ItemSecond][checklist.SecondField] != w.Member.Person.String() || !strings.Contains(so.Shown[checklist.ItemSecond], "2 hot spots") {
		t.Errorf("signed %v, shown %q, %v", so.Answers[checklist.ItemSecond], so.Shown[checklist.ItemSecond], err)
	}
	if _, err := w.CheckLog(t.Context()); err != nil {
		t.Error(err)
	}
}

// After a lockout standing answers no longer hold, on either kind of site, and a site of one rests ten
// minutes besides; the first run that starts ends it.
func TestAfterALockout(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	run := w.Submit(t, 1).Runs[0].ID
	w.atTheGate(t, run)
	w.AnswerAll(t, run)
	ctx := t.Context()
	if _, err := w.SetLockout(ctx, w.Officer, w.Machine.ID, "belt slipped"); err != nil {
		t.Fatal(err)
	}
	if err := w.LiftLockout(ctx, w.Officer, w.Machine.ID, "belt tightened"); err != nil {
		t.Fatal(err)
	}
	w.phase(t, run, queue.Proposed)
	w.atTheGate(t, run)
	g, err := w.Gate(ctx, w.Operator, run)
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range g.Bars {
		if b.Standing || b.Up {
			t.Errorf("%s holds from before the lockout", b.Item.Key)
		}
	}
	if !hasItem(g, checklist.ItemSecond) {
		t.Error("a workshop's first run after a lockout asks for no second person")
	}
	// The same answers again hold again, from now.
	if g, err = w.Answer(ctx, w.Operator, run, checklist.ItemBed, checklist.Values{"assist": checklist.AssistOn, "clear": "yes"}); err != nil {
		t.Fatal(err)
	}
	var held time.Time
	if err := w.Pool.QueryRow(ctx, `SELECT at FROM standing_answer WHERE item = 'bed'`).Scan(&held); err != nil || time.Since(held) > time.Minute {
		t.Errorf("held from %v, %v", held, err)
	}
	if _, err := w.Pool.Exec(ctx, `UPDATE site SET kind = 'alone'`); err != nil {
		t.Fatal(err)
	}
	rests := func() bool {
		t.Helper()
		g, err := w.Gate(ctx, w.Operator, run)
		if err != nil {
			t.Fatal(err)
		}
		if hasItem(g, checklist.ItemSecond) {
			t.Error("a site of one is asked for a second person")
		}
		for _, r := range g.Reasons {
			if strings.Contains(r.What, "rests ten minutes") {
				return true
			}
		}
		return false
	}
	if !rests() {
		t.Error("no pause straight after the lockout")
	}
	if _, err := w.Pool.Exec(ctx, `UPDATE lockout SET set_at = set_at - interval '11 minutes', lifted_at = lifted_at - interval '11 minutes'`); err != nil {
		t.Fatal(err)
	}
	if rests() {
		t.Error("it still rests after eleven minutes")
	}
}

// Who answers one field of an item that stands keeps the others, and the four hours of those go on.
func TestStandingFieldByField(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	job := w.Submit(t, 2)
	w.finish(t, job.Runs[0].ID)
	if _, err := w.Inspect(t.Context(), w.Operator, job.Runs[0].ID, kept); err != nil {
		t.Fatal(err)
	}
	w.sql(t, `UPDATE standing_answer SET at = at - interval '3 hours'`)
	w.atTheGate(t, job.Runs[1].ID)
	up := func(values checklist.Values) checklist.Bar {
		t.Helper()
		g, err := w.Answer(t.Context(), w.Operator, job.Runs[1].ID, checklist.ItemBed, values)
		if err != nil {
			t.Fatal(err)
		}
		for _, b := range g.Bars {
			if b.Item.Key == checklist.ItemBed {
				return b
			}
		}
		t.Fatal("no bar")
		return checklist.Bar{}
	}
	if b := up(checklist.Values{"clear": "yes"}); !b.Up || b.Values["assist"] != checklist.AssistOn {
		t.Errorf("clear again: up %t, %v", b.Up, b.Values)
	}
	if b := up(checklist.Values{"assist": checklist.AssistOff}); b.Up || b.Values["clear"] != "yes" {
		t.Errorf("assist off: up %t, %v", b.Up, b.Values)
	}
	var hours int
	if err := w.Pool.QueryRow(t.Context(), `SELECT extract(hour FROM now() - at)::int FROM standing_answer WHERE item = 'bed'`).Scan(&hours); err != nil || hours != 3 {
		t.Errorf("stands for %d hours, %v", hours, err)
	}
}

// What has no substitute is refused on a site of one before anything is answered.
func TestAloneHotSpotsRefused(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	run := w.Submit(t, 1).Runs[0].ID
	if _, err := w.Pool.Exec(t.Context(), `UPDATE site SET kind = 'alone'`); err != nil {
		t.Fatal(err)
	}
	if _, err := w.Pool.Exec(t.Context(), `UPDATE plan SET hot_spots = 1`); err != nil {
		t.Fatal(err)
	}
	var no *db.Refused
	if _, err := w.OpenChecklist(t.Context(), w.Operator, run); !errors.As(err, &no) || !strings.Contains(err.Error(), "this site has one person") {
		t.Errorf("opened: %v", err)
	}
}
