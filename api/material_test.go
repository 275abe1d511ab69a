package api

import (
	"fmt"
	"net/http"
	"strings"
	"testing"

	"github.com/google/uuid"

	"kerfgate/api/wire"
)

const plainPly = `{"name":%q,"composition":[{"name":"wood"},{"name":"urea-formaldehyde"}],"verdict":%q,"reason":"data sheet of the mill","listed":3,"fumes":["smoke"]}`

// TestMaterials: everybody reads, the officer edits; each edit is told with its reason, an old ETag is
// refused, and so is what no officer may say.
func TestMaterials(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	member, officer := w.signedIn(t, w.Member), w.signedIn(t, w.Officer)
	w.as(t, member, http.MethodPost, "/materials", fmt.Sprintf(plainPly, "birch plywood", "allowed"), http.StatusForbidden, nil)
	var m wire.Material
	rec := w.as(t, officer, http.MethodPost, "/materials", fmt.Sprintf(plainPly, "birch plywood", "allowed"), http.StatusCreated, &m)
	if len(m.Beam) != 0 || m.Listed != 3 || len(m.Composition[0].Elements) == 0 {
		t.Errorf("%+v", m)
	}
	path := "/materials/" + m.ID.String()
	for name, body := range map[string]string{
		"a halogen":        `{"name":"banner","composition":[{"name":"vinyl"}],"verdict":"allowed"}`,
		"nothing known":    `{"name":"banner","composition":[],"verdict":"with care"}`,
		"no element":       `{"name":"banner","composition":[{"name":"skin","elements":["Xx"]}],"verdict":"allowed"}`,
		"laxer":            `{"name":"blue foam","composition":[{"name":"polystyrene"}],"verdict":"with care","listed":26,"reason":"it cut well"}`,
		"the same name":    fmt.Sprintf(plainPly, "Birch Plywood", "allowed"),
		"no such row":      `{"name":"x","composition":[{"name":"wood"}],"verdict":"allowed","listed":99}`,
		"no such verdict":  `{"name":"x","composition":[{"name":"wood"}],"verdict":"fine"}`,
		"no exception yet": `{"name":"thin film","composition":[{"name":"pet"}],"verdict":"with care","listed":31}`,
	} {
		if rec := ask(t, w.s.Handler(), http.MethodPost, base+"/materials", officer, body); rec.Code != http.StatusUnprocessableEntity {
			t.Errorf("%s: %d %s", name, rec.Code, rec.Body)
		}
	}
	w.as(t, officer, http.MethodPost, "/materials", `{"name":"thin film","composition":[{"name":"pet"}],"verdict":"with care","listed":31,"reason":"0.2 mm film, data sheet"}`, http.StatusCreated, nil)

	change := fmt.Sprintf(plainPly, "birch plywood", "with care")
	w.as(t, officer, http.MethodPut, path, strings.Replace(change, `"reason":"data sheet of the mill"`, `"reason":""`, 1), http.StatusUnprocessableEntity, nil)
	w.as(t, officer, http.MethodPut, path, change, http.StatusPreconditionFailed, nil, "If-Match", `"99"`)
	w.as(t, officer, http.MethodPut, path, change, http.StatusOK, &m, "If-Match", rec.Header().Get("ETag"))
	if m.Reason != "data sheet of the mill" {
		t.Errorf("the verdict's reason is %q", m.Reason)
	}
	w.as(t, officer, http.MethodPut, path, strings.Replace(change, `"reason"`, `"verdict_reason":"glue pockets char","reason"`, 1), http.StatusOK, &m)
	if m.Reason != "glue pockets char" {
		t.Errorf("the verdict's reason is %q", m.Reason)
	}
	var d wire.MaterialDetail
	w.as(t, member, http.MethodGet, path, "", http.StatusOK, &d)
	if d.Material.Verdict != "with care" || len(d.Changes) != 3 || *d.Changes[0].By != "Officer of the garden" {
		t.Errorf("%+v", d)
	}
	w.as(t, officer, http.MethodDelete, "/materials/"+w.Material.ID.String(), "", http.StatusPreconditionFailed, nil, "If-Match", `"99"`)
	w.Submit(t, 1)
	w.as(t, officer, http.MethodDelete, "/materials/"+w.Material.ID.String(), "", http.StatusUnprocessableEntity, nil) // sheets are promised
	w.as(t, officer, http.MethodDelete, path, "", http.StatusNoContent, nil)
	w.as(t, officer, http.MethodPost, path+"/stock", lotBody("B7"), http.StatusNotFound, nil)
}

func lotBody(lot string) string {
	return fmt.Sprintf(`{"lot":%q,"colour":"pale","thickness_mm":3,"tolerance_mm":0.2,"sheet_width_mm":300,"sheet_height_mm":200,"count":4}`, lot)
}

// TestStock: lots are added and counted with a reason; a flame test may only forbid.
func TestStock(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	officer := w.signedIn(t, w.Officer)
	path := "/materials/" + w.Material.ID.String()
	var lot wire.Stock
	w.as(t, officer, http.MethodPost, path+"/stock", lotBody("B7"), http.StatusCreated, &lot)
	w.as(t, officer, http.MethodPost, path+"/stock", lotBody("b7"), http.StatusUnprocessableEntity, nil)
	w.as(t, officer, http.MethodPost, path+"/stock", strings.Replace(lotBody("B8"), `"thickness_mm":3`, `"thickness_mm":0.3`, 1), http.StatusUnprocessableEntity, nil)
	at := "/stock/" + lot.ID.String()
	w.as(t, officer, http.MethodPut, at+"/count", `{"count":3,"reason":""}`, http.StatusUnprocessableEntity, nil)
	w.as(t, officer, http.MethodPut, at+"/count", `{"count":3,"reason":"one was warped"}`, http.StatusPreconditionFailed, nil, "If-Match", `"99"`)
	w.as(t, officer, http.MethodPut, at+"/count", `{"count":3,"reason":"one was warped"}`, http.StatusOK, &lot, "If-Match", `"1"`)
	w.as(t, officer, http.MethodPost, at+"/flame-test", `{"halogen":true,"reason":""}`, http.StatusUnprocessableEntity, nil)
	for _, halogen := range []bool{false, true, false} {
		w.as(t, officer, http.MethodPost, at+"/flame-test", fmt.Sprintf(`{"halogen":%v,"reason":"looked in the dark"}`, halogen), http.StatusOK, &lot)
	}
	if !lot.Halogen || lot.Count != 3 {
		t.Errorf("%+v", lot)
	}
	var d wire.MaterialDetail
	w.as(t, officer, http.MethodGet, path, "", http.StatusOK, &d)
	if len(d.StockChanges) != 4 || d.StockChanges[3].Reason != "one was warped" || *d.StockChanges[3].Count != 3 {
		t.Errorf("%+v", d.StockChanges)
	}
}

// TestSettings: what is proven carries dose, evidence, who and when; proven anew it takes the place of what
// was; withdrawn nothing is planned with it.
func TestSettings(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	officer := w.signedIn(t, w.Officer)
	path := "/materials/" + w.Material.ID.String()
	body := func(change ...string) string {
		return strings.NewReplacer(change...).Replace(fmt.Sprintf(`{"machine_id":%q,"tool":"beam","thickness_mm":3,"operation":"cut","speed_mm_per_s":20,"power_percent":90,"passes":1,"kerf_mm":0.15,"evidence":"test strip"}`, w.Machine.ID))
	}
	var set wire.Setting
	w.as(t, officer, http.MethodPost, path+"/settings", body(), http.StatusCreated, &set)
	if set.DoseJPerMm != 1.8 || set.ProvenBy == nil || *set.ProvenBy != "Officer of the garden" { // 40 W × 90 % at 20 mm/s
		t.Errorf("%+v", set)
	}
	for name, bad := range map[string]string{
		"no tool": body(`"beam"`, `"saw"`), "too fast": body(`_s":20`, `_s":5000`), "no evidence": body("test strip", " "),
		"power": body(`percent":90`, `percent":101`), "a run that proves nothing": body(`"evidence"`, `"run_id":"`+uuid.NewString()+`","evidence"`),
	} {
		if rec := ask(t, w.s.Handler(), http.MethodPost, base+path+"/settings", officer, bad); rec.Code != http.StatusUnprocessableEntity {
			t.Errorf("%s: %d %s", name, rec.Code, rec.Body)
		}
	}
	job := w.Submit(t, 1)
	var d wire.MaterialDetail
	w.as(t, officer, http.MethodGet, path, "", http.StatusOK, &d)
	if len(d.Settings) != 2 {
		t.Fatalf("%+v", d.Settings)
	}
	w.as(t, officer, http.MethodDelete, "/settings/"+set.ID.String(), "", http.StatusNoContent, nil)
	operator := w.signedIn(t, w.Operator)
	rec := w.as(t, operator, http.MethodPost, "/runs/"+job.Runs[0].ID.String()+"/checklist", "", http.StatusUnprocessableEntity, nil)
	if !strings.Contains(rec.Body.String(), "nothing is proven any more to cut") {
		t.Errorf("%s", rec.Body)
	}
	// Proven again, but with half the dose: the plan is not what is proven, and the gate says by how much.
	w.as(t, officer, http.MethodPost, path+"/settings", body(`_s":20`, `_s":40`), http.StatusCreated, nil)
	rec = w.as(t, operator, http.MethodPost, "/runs/"+job.Runs[0].ID.String()+"/checklist", "", http.StatusUnprocessableEntity, nil)
	if !strings.Contains(rec.Body.String(), "1.800 J/mm lies 100 % from the 0.900 J/mm") {
		t.Errorf("%s", rec.Body)
	}
}
