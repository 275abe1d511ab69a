package db_test

import (
	"errors"
	"strings"
	"testing"

	"kerfgate/db"
	"kerfgate/plan/material"
	"kerfgate/queue"
)

// The shipped list becomes the site's own once: each row as it ships, told in one entry. What the officer
// made of it stays when it is taken again, also by a later version.
func TestMaterialListIsTakenOnce(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	ctx := t.Context()
	before := w.kinds(t)
	if err := w.TakeMaterialList(ctx); err != nil {
		t.Fatal(err)
	}
	all := w.kinds(t)
	list := material.Shipped()
	if len(all) != len(before)+len(list.Materials) {
		t.Fatalf("%d kinds, %d ship", len(all), len(list.Materials))
	}
	for _, l := range list.Materials {
		got := all[l.Name].Material
		if got.Verdict != l.Verdict || got.Reason != l.Reason || got.Listed != l.No || got.Composition.Words() != l.Composition.Words() || got.Label != l.Label ||
			strings.Join(got.Fumes, ",") != strings.Join(l.Fumes, ",") || strings.Join(got.Hazards, ",") != strings.Join(l.Hazards, ",") || len(got.Sources) != len(l.Sources) ||
			strings.Join(got.Only, ",") != strings.Join(l.Only, ",") || strings.Join(got.Marks, ",") != strings.Join(l.Marks, ",") || len(got.Refusals()) != len(l.Refusals()) {
			t.Errorf("row %d: %+v", l.No, got)
		}
	}
	felt := all["wool felt"]
	edited := felt.Material
	edited.Verdict, edited.Reason = material.Forbidden, ""
	if _, err := w.ChangeMaterial(ctx, w.Officer, felt.ID, felt.Rev, edited, "smells in the whole house"); err != nil {
		t.Fatal(err)
	}
	if err := w.RetireMaterial(ctx, w.Officer, all["bamboo"].ID, 0); err != nil {
		t.Fatal(err)
	}
	for _, version := range []string{"list_version", "0"} { // the same again, and as if a later one came
		if _, err := w.Pool.Exec(ctx, `UPDATE site SET list_version = `+version); err != nil {
			t.Fatal(err)
		}
		if err := w.TakeMaterialList(ctx); err != nil {
			t.Fatal(err)
		}
	}
	after := w.kinds(t)
	if len(after) != len(all)-1 || after["wool felt"].Verdict != material.Forbidden || after["wool felt"].Reason != "smells in the whole house" {
		t.Errorf("%d kinds, wool felt %+v", len(after), after["wool felt"])
	}
	changes, err := w.MaterialChanges(ctx, felt.ID)
	if err != nil || len(changes) != 2 || changes[0].By == "" || changes[1].By != "" || changes[1].Verdict != material.WithCare {
		t.Errorf("%+v, %v", changes, err)
	}
	var entries int
	if err := w.Pool.QueryRow(ctx, `SELECT count(*) FROM log_entry WHERE kind = 'material.list_taken'`).Scan(&entries); err != nil || entries != 2 {
		t.Errorf("%d entries, %v", entries, err)
	}
	if _, err := w.CheckLog(ctx); err != nil {
		t.Error(err)
	}
}

func (w *worker) kinds(t *testing.T) map[string]db.Material {
	t.Helper()
	list, err := w.Materials(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	all := map[string]db.Material{}
	for _, m := range list {
		all[m.Name] = m
	}
	return all
}

// A flame test may only forbid: one that shows nothing leaves what was signed as it was, one that shows a
// halogen voids it, and no later one gives the lot back (Canadian Conservation Institute, Notes 17/1).
func TestFlameTestOnlyForbids(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	ctx := t.Context()
	p := w.signed(t, w.Submit(t, 1).Runs[0].ID)
	if _, err := w.TestStock(ctx, w.Officer, w.Stock.ID, false, "no flare"); err != nil {
		t.Fatal(err)
	}
	w.phase(t, p.Run.ID, queue.Permitted)
	for _, halogen := range []bool{true, false} {
		lot, err := w.TestStock(ctx, w.Officer, w.Stock.ID, halogen, "looked in the dark")
		if err != nil || !lot.Halogen {
			t.Fatalf("%+v, %v", lot, err)
		}
	}
	w.phase(t, p.Run.ID, queue.Checking)
	var refused *db.Refused
	if _, err := w.SignOff(ctx, w.Operator, p.Run.ID, [32]byte{1, 2, 3}, [32]byte{1}); !errors.As(err, &refused) || !strings.Contains(err.Error(), "showed a halogen") {
		t.Errorf("signed again: %v", err)
	}
}

// A count leaves what was signed: the sheet for it is there.
func TestCountLeavesSignOffs(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	p := w.signed(t, w.Submit(t, 1).Runs[0].ID)
	if _, err := w.CountStock(t.Context(), w.Officer, w.Stock.ID, 0, 1, "the rest was warped"); err != nil {
		t.Fatal(err)
	}
	w.phase(t, p.Run.ID, queue.Permitted)
	if _, err := w.CountStock(t.Context(), w.Officer, w.Stock.ID, 0, 0, "none left"); err == nil {
		t.Error("a promised sheet was counted away")
	}
}
