package api

import (
	"net/http"
	"slices"
	"strings"
	"testing"

	"github.com/google/uuid"

	"kerfgate/api/wire"
	"kerfgate/checklist/permit"
	"kerfgate/plan/geom"
	"kerfgate/queue"
)

// TestI10_PlacedAfterTheSignature: whoever changes origin, focus, tool or trace after the signature takes
// the permit back first, and the worker is told.
func TestI10_PlacedAfterTheSignature(t *testing.T) {
	t.Parallel()
	for name, change := range map[string]string{
		"origin": `{"origin_x_mm":21,"origin_y_mm":20}`, "focus": `{"focus_mm":53}`, "supply": `{"supply_off":true}`, "tool": `{"tool":"beam"}`,
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := newWorkshop(t)
			job := w.handIn(t, w.signedIn(t, w.Member), 1)
			run, operator := job.Runs[0], w.signedIn(t, w.Operator)
			w.ready(t, run.ID, 1)
			w.atTheGate(t, operator, run)
			path := "/runs/" + run.ID.String()
			w.as(t, operator, http.MethodPost, path+"/sign", "", http.StatusOK, nil)
			w.as(t, operator, http.MethodPut, path+"/placement", change, http.StatusOK, &run)
			if run.Phase != string(queue.Checking) {
				t.Errorf("phase %s", run.Phase)
			}
			if len(w.floor.voids) != 1 {
				t.Fatalf("%d voids sent", len(w.floor.voids))
			}
			if v, err := permit.OpenVoid(w.floor.voids[0], w.PermitVerify); err != nil || uuid.UUID(v.Run) != run.ID {
				t.Errorf("void %+v, %v", v, err)
			}
			w.as(t, operator, http.MethodPost, path+"/sign", "", http.StatusUnprocessableEntity, nil)
		})
	}
}

// TestF40_OriginByCorner: the carriage stands at a corner of the sheet; what reaches beyond the bed is
// refused with the side and by how much, and an origin that moved after the trace is not signed.
func TestF40_OriginByCorner(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	job := w.handIn(t, w.signedIn(t, w.Member), 1)
	run, operator := job.Runs[0], w.signedIn(t, w.Operator)
	w.ready(t, run.ID, 1)
	w.atTheGate(t, operator, run)
	path := "/runs/" + run.ID.String()
	wide, high := mm(w.Stock.SheetWidthUM), mm(w.Stock.SheetHeightUM)
	for corner, at := range map[string][2]float64{"near left": {30, 25}, "near right": {30 + wide, 25}, "far left": {30, 25 + high}, "far right": {30 + wide, 25 + high}} {
		w.floor.position = geom.Pt(int64(at[0]*1000), int64(at[1]*1000))
		w.as(t, operator, http.MethodPut, path+"/placement", `{"here":true,"corner":"`+corner+`"}`, http.StatusOK, &run)
		if p := run.Placement; p == nil || p.OriginXMm != 30 || p.OriginYMm != 25 {
			t.Errorf("%s: %+v", corner, p)
		}
	}
	p := problemIn(t, w.as(t, operator, http.MethodPut, path+"/placement", `{"origin_x_mm":-12.5,"origin_y_mm":290}`, http.StatusUnprocessableEntity, nil))
	if !slices.ContainsFunc(*p.Reasons, func(r wire.Reason) bool {
		return strings.Contains(r.What, "by 10.5 mm on the left, by 28.15 mm on the far side")
	}) {
		t.Errorf("%+v", *p.Reasons)
	}
	for _, bad := range []string{`{}`, `{"focus_mm":53,"tool":"beam"}`, `{"supply_off":false}`, `{"focus_mm":-1}`, `{"tool":"chisel"}`, `{"corner":"near left","origin_x_mm":1,"origin_y_mm":1}`} {
		w.as(t, operator, http.MethodPut, path+"/placement", bad, http.StatusUnprocessableEntity, nil)
	}
	for _, bad := range []string{`{"trace":"hull"}`, `{"trace":"box","way":"left"}`, `{"trace":"box","grip":"07"}`} {
		w.as(t, operator, http.MethodPut, path+"/hold", bad, http.StatusUnprocessableEntity, nil)
	}
	w.as(t, operator, http.MethodPut, path+"/placement", `{"supply_off":true}`, http.StatusOK, &run)
	var held wire.HoldDone
	w.as(t, operator, http.MethodPut, path+"/hold", `{"trace":"outline"}`, http.StatusOK, &held)
	grip := w.floor.commands[len(w.floor.commands)-1]
	kept, err := w.Run(t.Context(), w.Operator, run.ID)
	if err != nil {
		t.Fatal(err)
	}
	row, err := w.Plan(t.Context(), w.Operator, kept.Plan)
	if err != nil {
		t.Fatal(err)
	}
	if want := row.Plan.Outline(); grip.Origin != geom.Pt(30_000, 25_000) || !slices.Equal(grip.Around, want) || len(want) < 3 {
		t.Errorf("the worker was asked to go around %v from %v, want %v", grip.Around, grip.Origin, want)
	}
	w.as(t, operator, http.MethodPut, path+"/hold", `{"grip":"`+held.Grip+`","tick":1}`, http.StatusOK, &held)
	if held.Traced {
		t.Error("traced before the worker said so")
	}
	w.floor.traced = true
	w.as(t, operator, http.MethodPut, path+"/hold", `{"grip":"`+held.Grip+`","tick":2}`, http.StatusOK, &held)
	w.page(t, operator, "/station/"+w.Machine.ID.String(), "mm; traced", `class="bed-outline traced"`)
	if !held.Traced {
		t.Errorf("traced: %+v", held)
	}
	w.as(t, operator, http.MethodPut, path+"/placement", `{"origin_x_mm":31,"origin_y_mm":25}`, http.StatusOK, &run)
	p = problemIn(t, w.as(t, operator, http.MethodPost, path+"/sign", "", http.StatusUnprocessableEntity, nil))
	if !slices.ContainsFunc(*p.Reasons, func(r wire.Reason) bool { return strings.Contains(r.What, "moved after the outline was traced") }) {
		t.Errorf("%+v", *p.Reasons)
	}
}
