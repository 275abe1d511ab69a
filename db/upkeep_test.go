package db_test

import (
	"errors"
	"strings"
	"testing"

	"github.com/google/uuid"

	"kerfgate/checklist"
	"kerfgate/db"
	"kerfgate/db/dbtest"
)

// TestUpkeep: work comes due, is done with a note and photo, and what is for safety locks the machine out
// when it is overdue; who lifts that has a day to do it.
func TestUpkeep(t *testing.T) {
	t.Parallel()
	w := dbtest.NewWorkshop(t)
	ctx := t.Context()
	n := db.NewUpkeep{Machine: w.Machine.ID, What: "clean the lens", Rule: checklist.UpkeepRule{Days: 7}}
	for name, change := range map[string]func(*db.NewUpkeep){
		"no work": func(n *db.NewUpkeep) { n.What = " " }, "never": func(n *db.NewUpkeep) { n.Rule = checklist.UpkeepRule{} }, "less than nothing": func(n *db.NewUpkeep) { n.Rule.Hours = -1 },
	} {
		bad := n
		change(&bad)
		var r *db.Refused
		if _, err := w.SetUpkeep(ctx, w.Officer, bad); !errors.As(err, &r) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := w.SetUpkeep(ctx, w.Officer, db.NewUpkeep{Machine: uuid.New(), What: "x", Rule: n.Rule}); !errors.Is(err, db.ErrNotFound) {
		t.Errorf("a machine that is none: %v", err)
	}
	lens, err := w.SetUpkeep(ctx, w.Officer, n)
	if err != nil || lens.State != checklist.UpkeepFresh {
		t.Fatal(lens, err)
	}
	lid, err := w.SetUpkeep(ctx, w.Officer, db.NewUpkeep{Machine: w.Machine.ID, What: "try the lid switch", Rule: checklist.UpkeepRule{Days: 30}, Critical: true})
	if err != nil {
		t.Fatal(err)
	}
	age := func(task uuid.UUID, days string) {
		owner(t, w, `UPDATE upkeep_task SET since = now() - $2::interval WHERE id = $1`, task, days+" days")
	}
	sweep := func(want int) {
		t.Helper()
		if n, err := w.LockNeglected(ctx); err != nil || n != want {
			t.Errorf("locked out %d, want %d (%v)", n, want, err)
		}
	}
	age(lens.ID, "8")
	age(lid.ID, "29")
	sweep(0) // one is overdue and not for safety, the other for safety and not overdue
	age(lid.ID, "30")
	sweep(1)
	sweep(0)
	m, err := w.Store.Machine(ctx, w.Machine.ID)
	if err != nil || m.Lockout == nil || !strings.Contains(m.Lockout.Reason, "try the lid switch (30 of 30 days)") {
		t.Fatalf("%+v %v", m.Lockout, err)
	}
	if err := w.LiftLockout(ctx, w.Officer, w.Machine.ID, "to try it"); err != nil {
		t.Fatal(err)
	}
	sweep(0)
	refused(t, func() error { _, err := w.DoUpkeep(ctx, w.Operator, lid.ID, " ", nil); return err }(), "not said")
	done, err := w.DoUpkeep(ctx, w.Operator, lid.ID, "opens the circuit at once", []byte("a jpeg"))
	if err != nil || done.State != checklist.UpkeepFresh || done.LastBy != "Operator of the garden" || !done.LastPhoto {
		t.Fatal(done, err)
	}
	owner(t, w, `UPDATE lockout SET lifted_at = now() - interval '2 days' WHERE lifted_at IS NOT NULL`)
	sweep(0)
	age(lid.ID, "31")
	sweep(1)
	if err := w.RetireUpkeep(ctx, w.Officer, lens.ID); err != nil {
		t.Fatal(err)
	}
	if list, err := w.Upkeep(ctx, w.Machine.ID); err != nil || len(list) != 1 || list[0].ID != lid.ID {
		t.Error(list, err)
	}
	if _, err := w.DoUpkeep(ctx, w.Operator, lens.ID, "cleaned", nil); !errors.Is(err, db.ErrNotFound) {
		t.Errorf("work that is off the list: %v", err)
	}
}
