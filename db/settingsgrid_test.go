package db_test

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"kerfgate/db"
	"kerfgate/plan"
	"kerfgate/plan/material"
	"kerfgate/plan/settingsgrid"
	"kerfgate/queue"
	"kerfgate/queue/broker"
)

func (w *worker) startsGrid(t *testing.T, lot db.Stock) db.SettingsGrid {
	t.Helper()
	g, err := w.StartSettingsGrid(t.Context(), w.Operator, db.NewSettingsGrid{Machine: w.Machine.ID, Tool: "beam", Stock: lot.ID,
		Spec: settingsgrid.Spec{Operation: plan.Cut, Speeds: []int64{5_000, 10_000, 20_000}, Powers: []int64{400, 700, 1000}, Passes: 1}})
	if err != nil {
		t.Fatal(err)
	}
	return g
}

// felt is a material to be worked with care that nothing is proven for.
func (w *worker) felt(t *testing.T) db.Stock {
	t.Helper()
	m, err := w.AddMaterial(t.Context(), w.Admin, material.Material{Name: "wool felt", Composition: material.Of("wool"), ColourClass: "dark", Verdict: material.WithCare})
	if err != nil {
		t.Fatal(err)
	}
	// The lot of the workshop's good answers, so that its gate opens.
	if _, err := w.Pool.Exec(t.Context(), `UPDATE stock SET lot = 'P117' WHERE lot = 'P118'`); err != nil {
		t.Fatal(err)
	}
	lot, err := w.AddStock(t.Context(), w.Admin, m.ID, material.Stock{Lot: "P118", Colour: "green", ThicknessUM: 3000, ToleranceUM: 200,
		SheetWidthUM: 200_000, SheetHeightUM: 200_000}, 5)
	if err != nil {
		t.Fatal(err)
	}
	return lot
}

// The one unproven run that is allowed, and what becomes of the cell that is chosen: nothing may be
// planned in the material before, and with the very setting afterwards, in its colour and thickness alone.
func TestSettingsGridLife(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	ctx := t.Context()
	lot := w.felt(t)
	d, err := w.ReceiveDrawing(ctx, w.Member, "square.svg", []byte(`<svg xmlns="http://www.w3.org/2000/svg" width="60mm" height="60mm" viewBox="0 0 60 60"><rect x="10" y="10" width="40" height="40" fill="none" stroke="#000"/></svg>`))
	if err != nil {
		t.Fatal(err)
	}
	choice := db.PlanChoice{Drawing: d.ID, Machine: w.Machine.ID, Tool: "beam", Stock: lot.ID, Default: plan.Cut}
	var refusal *plan.Refusal
	if _, err := w.MakePlan(ctx, w.Member, choice); !errors.As(err, &refusal) {
		t.Fatalf("planned without a proven setting: %v", err)
	}
	g := w.startsGrid(t, lot)
	if _, err := w.ChooseCell(ctx, w.Operator, g.ID, 0, 3, 180); err == nil {
		t.Error("chosen before it was worked")
	}
	w.worked(t, g.Run, broker.Report{Kind: broker.ReportCompleted, RealMS: 40_000}, kept)
	if g, err = w.SettingsGrid(ctx, g.ID); err != nil || g.RunPhase != queue.Closed {
		t.Fatalf("%+v, %v", g, err)
	}
	var refused *db.Refused
	for why, c := range map[string]struct {
		cell int
		kerf int64
	}{"no such cell": {9, 180}, "not said": {3, 0}} {
		if _, err := w.ChooseCell(ctx, w.Operator, g.ID, 0, c.cell, c.kerf); !errors.As(err, &refused) || !strings.Contains(err.Error(), why) {
			t.Errorf("%s: %v", why, err)
		}
	}
	if _, err := w.ChooseCell(ctx, w.Member, g.ID, 0, 3, 180); !errors.Is(err, db.ErrNotAllowed) {
		t.Errorf("a member chose: %v", err)
	}
	set, err := w.ChooseCell(ctx, w.Operator, g.ID, g.Rev, 3, 180)
	if err != nil {
		t.Fatal(err)
	}
	want := g.Grid.Cells[3].Setting
	if set.SpeedUMPerS != want.SpeedUMPerS || set.PowerPermille != want.PowerPermille || set.Colour != "green" || set.ThicknessUM != 3000 || set.Run != g.Run || set.KerfUM != 180 {
		t.Errorf("proven %+v, the cell is %+v", set, want)
	}
	row, err := w.MakePlan(ctx, w.Member, choice)
	if err != nil {
		t.Fatal(err)
	}
	if s := row.Plan.Strokes[0]; s.SpeedUMPerS != want.SpeedUMPerS || s.PowerPermille != want.PowerPermille {
		t.Errorf("planned with %d and %d", s.SpeedUMPerS, s.PowerPermille)
	}
	other, err := w.AddStock(ctx, w.Admin, lot.Material, material.Stock{Lot: "F-2", Colour: "black", ThicknessUM: 3000, SheetWidthUM: 200_000, SheetHeightUM: 200_000}, 5)
	if err != nil {
		t.Fatal(err)
	}
	choice.Stock = other.ID
	if _, err := w.MakePlan(ctx, w.Member, choice); !errors.As(err, &refusal) {
		t.Errorf("what is proven for green felt was taken for black: %v", err)
	}
	if _, err := w.ChooseCell(ctx, w.Operator, g.ID, 0, 4, 180); !errors.As(err, &refused) {
		t.Errorf("chosen twice: %v", err)
	}
	if _, err := w.CheckLog(ctx); err != nil {
		t.Error(err)
	}
}

// A grid that ends at the first flame: the machine is locked out in the same step, the rest is not worked,
// and only what was surely whole before it may be chosen.
func TestSettingsGridFlame(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	ctx := t.Context()
	g := w.startsGrid(t, w.felt(t))
	var refused *db.Refused
	if _, err := w.SeeFlame(ctx, w.Operator, g.ID); !errors.As(err, &refused) {
		t.Errorf("a flame before it was worked: %v", err)
	}
	if !w.taken(t, w.signed(t, g.Run)).Granted {
		t.Fatal("go was refused")
	}
	w.says(t, broker.Report{Kind: broker.ReportMoved, Run: g.Run})
	if _, err := w.SeeFlame(ctx, w.Member, g.ID); !errors.Is(err, db.ErrNotAllowed) {
		t.Errorf("a member: %v", err)
	}
	g, err := w.SeeFlame(ctx, w.Operator, g.ID)
	if err != nil || !g.Flame {
		t.Fatalf("%+v, %v", g, err)
	}
	m, err := w.Store.Machine(ctx, w.Machine.ID)
	if err != nil || m.Lockout == nil || !strings.Contains(m.Lockout.Reason, "settings grid") {
		t.Fatalf("lockout %+v, %v", m.Lockout, err)
	}
	w.says(t, broker.Report{Kind: broker.ReportStopped, Run: g.Run, Reason: "pressed", RealMS: 12_000})
	w.says(t, broker.Report{Kind: broker.ReportPurged, Run: g.Run})
	if _, err := w.Inspect(ctx, w.Operator, g.Run, db.Inspection{Fate: db.SheetKept, SupplyOff: true, FlameOrGlow: true}); err != nil {
		t.Fatal(err)
	}
	if g, err = w.SettingsGrid(ctx, g.ID); err != nil {
		t.Fatal(err)
	}
	states, err := w.GridStates(ctx, g)
	if err != nil {
		t.Fatal(err)
	}
	whole, broken, untried := 0, 0, 0
	for _, s := range states {
		switch s {
		case settingsgrid.Whole:
			whole++
		case settingsgrid.Broken:
			broken++
		case settingsgrid.Untried:
			untried++
		}
	}
	if whole < 1 || broken < 1 || untried < 1 {
		t.Fatalf("states %v", states)
	}
	if _, err := w.ChooseCell(ctx, w.Operator, g.ID, 0, whole, 180); !errors.As(err, &refused) || !strings.Contains(err.Error(), string(settingsgrid.Broken)) {
		t.Errorf("chose the cell that burned: %v", err)
	}
	if _, err := w.ChooseCell(ctx, w.Operator, g.ID, 0, whole-1, 180); err != nil {
		t.Error(err)
	}
	settings, err := w.Settings(ctx, w.Machine.ID)
	if err != nil || !slices.ContainsFunc(settings, func(s db.Setting) bool { return s.Run == g.Run }) {
		t.Errorf("settings %+v, %v", settings, err)
	}
	list, err := w.SettingsGrids(ctx, w.Machine.ID, 3)
	if err != nil || len(list) != 1 || list[0].Chosen == nil || *list[0].Chosen != whole-1 {
		t.Errorf("list %+v, %v", list, err)
	}
	if _, err := w.CheckLog(ctx); err != nil {
		t.Error(err)
	}
}
