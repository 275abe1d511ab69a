package api

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"kerfgate/api/wire"
)

// TestPairs: the register by route, from adding to taking out, each change on the rev that was read; an
// operator looks and marks, only an officer adds and takes out.
func TestPairs(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	operator, officer := w.signedIn(t, w.Operator), w.signedIn(t, w.Officer)
	const good = `{"label":"pair 1","marking":"10600 D LB6"}`
	w.as(t, w.signedIn(t, w.Member), http.MethodGet, "/pairs", "", http.StatusForbidden, nil)
	w.as(t, operator, http.MethodPost, "/pairs", good, http.StatusForbidden, nil)
	var p wire.Pair
	rec := w.as(t, officer, http.MethodPost, "/pairs", good, http.StatusCreated, &p)
	// The workshop's cutter: 40 W at 10,600 nm asks for OD 3.7 or less, LB6 stands for OD 6.
	if len(p.Beams) != 1 || !p.Beams[0].Fits || !strings.Contains(p.Beams[0].Why, "covers 10600 nm with OD 6") {
		t.Errorf("added as %+v, want it to fit the cutter and to say why", p)
	}
	for _, bad := range []string{good, `{"label":"pair 2","marking":"dark green"}`, `{"label":"","marking":"10600 D LB6"}`} {
		w.as(t, officer, http.MethodPost, "/pairs", bad, http.StatusUnprocessableEntity, nil)
	}
	look := "/pairs/" + p.ID.String() + "/look"
	read := rec.Header().Get("ETag")
	rec = w.as(t, operator, http.MethodPost, look, `{"damaged":true}`, http.StatusOK, &p, "If-Match", read)
	if !p.Damaged || p.Beams[0].Fits || !strings.Contains(p.Beams[0].Why, "damaged") {
		t.Errorf("marked as damaged: %+v", p)
	}
	w.as(t, operator, http.MethodPost, look, `{"damaged":false}`, http.StatusPreconditionFailed, nil, "If-Match", read)
	w.as(t, officer, http.MethodDelete, "/pairs/"+p.ID.String(), "", http.StatusPreconditionFailed, nil, "If-Match", read)
	w.as(t, operator, http.MethodDelete, "/pairs/"+p.ID.String(), "", http.StatusForbidden, nil)
	var list struct {
		Pairs   []wire.Pair
		Caution string
	}
	w.as(t, operator, http.MethodGet, "/pairs", "", http.StatusOK, &list)
	if len(list.Pairs) != 1 || !strings.Contains(list.Caution, "local codes") {
		t.Errorf("the list: %+v", list)
	}
	w.as(t, officer, http.MethodDelete, "/pairs/"+p.ID.String(), "", http.StatusNoContent, nil, "If-Match", rec.Header().Get("ETag"))
	w.as(t, operator, http.MethodGet, "/pairs", "", http.StatusOK, &list)
	if len(list.Pairs) != 0 {
		t.Errorf("still there: %+v", list.Pairs)
	}
}

// TestEyewearPage: the register as a page; a form made from an older state is refused and changes nothing.
func TestEyewearPage(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	operator, officer := w.signedIn(t, w.Operator), w.signedIn(t, w.Officer)
	w.submit(t, operator, "/eyewear", url.Values{"label": {"pair 1"}, "marking": {"10600 D LB6"}}, http.StatusForbidden)
	w.submit(t, officer, "/eyewear", url.Values{"label": {"pair 1"}, "marking": {"10600 D LB6"}}, http.StatusOK)
	if body := w.submit(t, officer, "/eyewear", url.Values{"label": {"pair 2"}, "marking": {"dark"}}, http.StatusUnprocessableEntity); !strings.Contains(body, `value="dark"`) {
		t.Error("what was typed is gone with the refusal")
	}
	pairs, err := w.Pairs(t.Context())
	if err != nil || len(pairs) != 1 {
		t.Fatalf("%d pairs, %v", len(pairs), err)
	}
	path := "/eyewear/" + pairs[0].ID.String()
	if w.page(t, operator, "/eyewear", "pair 1", "Fits Bay 1", "local codes"); strings.Contains(w.page(t, operator, "/eyewear"), "Add a pair") {
		t.Error("an operator is offered what only an officer may do")
	}
	w.submit(t, operator, path+"/look", url.Values{"rev": {"1"}, "state": {"damaged"}}, http.StatusOK)
	w.page(t, officer, "/eyewear", "damaged", "Fits no beam", "Add a pair")
	w.submit(t, operator, path+"/look", url.Values{"rev": {"1"}, "state": {"whole"}}, http.StatusConflict)
	w.submit(t, operator, path+"/look", url.Values{"state": {"whole"}}, http.StatusUnprocessableEntity)
	w.submit(t, officer, path+"/retire", url.Values{"rev": {"2"}}, http.StatusOK)
	w.page(t, officer, "/eyewear", "No pair is in the register yet")
}

// TestStationOffersPairs: the eyewear bar offers what fits with why, shows the others with why not, and a
// gauge that would lock the machine out is asked about first.
func TestStationOffersPairs(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	operator, officer := w.signedIn(t, w.Operator), w.signedIn(t, w.Officer)
	for _, body := range []string{`{"label":"pair 1","marking":"10600 D LB6"}`, `{"label":"pair 2","marking":"180-460 OD 6"}`,
		`{"label":"pair 3","marking":"10600 D LB6","damaged":true}`} {
		w.as(t, officer, http.MethodPost, "/pairs", body, http.StatusCreated, nil)
	}
	job := w.handIn(t, w.signedIn(t, w.Member), 1)
	w.ready(t, job.Runs[0].ID, 1)
	run := "/runs/" + job.Runs[0].ID.String()
	w.as(t, operator, http.MethodPost, run+"/checklist", "", http.StatusOK, nil)
	station := "/station/" + w.Machine.ID.String()
	body := w.page(t, operator, station, `value="pair 1"`, "covers 10600 nm with OD 6", "2 pairs of the register do not fit this beam",
		"this pair is marked for 180 to 460 nm", "damaged: not to be worn")
	if strings.Contains(body, `value="pair 2"`) || strings.Contains(body, `value="pair 3"`) {
		t.Error("a pair that does not fit is offered")
	}
	w.as(t, operator, http.MethodPut, run+"/answers/ventilation", `{"values":{"reading":"20"}}`, http.StatusOK, nil)
	w.page(t, operator, station, "is this what the gauge shows?", `name="shown" value="yes"`)
	var gate wire.Gate
	w.as(t, operator, http.MethodPut, run+"/answers/ventilation", `{"values":{"reading":"20","shown":"yes"}}`, http.StatusOK, &gate)
	if gate.Machine.Lockout == nil {
		t.Error("a gauge at a sixth of the commissioned reading, confirmed, locks nothing out")
	}
}
