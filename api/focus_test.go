package api

import (
	"encoding/json"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"kerfgate/api/wire"
	"kerfgate/checklist"
	"kerfgate/db/dbtest"
	"kerfgate/queue"
)

// TestI10_FocusAndOriginSigned: where the profile knows the focal distance, the height is asked and compared, and
// origin, focus and whether the outline was traced stand in what was signed. Moving the origin after the
// signature takes the permit back; one beyond sheet or bed is not even kept.
func TestI10_FocusAndOriginSigned(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	profile := w.Machine.Profile
	profile.Tools = slices.Clone(profile.Tools)
	profile.Tools[0].FocalDistanceUM = 50_000
	if _, err := w.PublishProfile(t.Context(), w.Admin, w.Machine.ID, profile); err != nil {
		t.Fatal(err)
	}
	job := w.handIn(t, w.signedIn(t, w.Member), 1)
	run, operator := job.Runs[0], w.signedIn(t, w.Operator)
	w.ready(t, run.ID, 1)
	path := "/runs/" + run.ID.String()
	put := func(body string, status int) {
		t.Helper()
		w.as(t, operator, http.MethodPut, path+"/placement", body, status, nil)
	}
	says := func(words string, p wire.Problem) {
		t.Helper()
		if !slices.ContainsFunc(*p.Reasons, func(r wire.Reason) bool { return strings.Contains(r.What, words) && r.Next != "" }) {
			t.Errorf("no %q in %+v", words, *p.Reasons)
		}
	}
	w.as(t, operator, http.MethodPost, path+"/checklist", "", http.StatusOK, nil)
	put(`{"supply_off":true}`, http.StatusOK)
	put(`{"origin_x_mm":20,"origin_y_mm":20.5}`, http.StatusOK)
	var gate wire.Gate
	w.as(t, operator, http.MethodGet, path+"/gate", "", http.StatusOK, &gate)
	// The lot's thickness and its tolerance, and half a millimetre: what the project asks where the profile does not.
	thick, slack := mm(w.Stock.ThicknessUM), mm(w.Stock.ToleranceUM)
	if gate.FocusWantedMm == nil || *gate.FocusWantedMm != 50+thick || *gate.FocusToleranceMm != 0.5+slack {
		t.Fatalf("asked: %v ± %v", gate.FocusWantedMm, gate.FocusToleranceMm)
	}
	answer := func(a dbtest.Answer) {
		t.Helper()
		body, err := json.Marshal(wire.AnswerValues{Values: a.Values})
		if err != nil {
			t.Fatal(err)
		}
		w.as(t, operator, http.MethodPut, path+"/answers/"+a.Item, string(body), http.StatusOK, nil)
	}
	answers := dbtest.GoodAnswers(time.Now())
	for _, a := range answers {
		answer(a)
	}
	says("the focus is not set", problemIn(t, w.as(t, operator, http.MethodPost, path+"/sign", "", http.StatusUnprocessableEntity, nil)))
	says("focal distance make", problemIn(t, w.as(t, operator, http.MethodPut, path+"/placement", `{"focus_mm":70}`, http.StatusUnprocessableEntity, nil)))
	says("focal distance make", problemIn(t, w.as(t, operator, http.MethodPut, path+"/placement", `{"focus_mm":3}`, http.StatusUnprocessableEntity, nil)))
	put(`{"focus_mm":53}`, http.StatusOK)
	answer(answers[len(answers)-1]) // whatever is placed asks for the supply anew
	w.as(t, operator, http.MethodPost, path+"/sign", "", http.StatusOK, nil)

	var d wire.Dossier
	w.as(t, w.signedIn(t, w.Officer), http.MethodGet, path+"/dossier", "", http.StatusOK, &d)
	at := slices.IndexFunc(d.Bars, func(b wire.SignedBar) bool { return b.Key == checklist.ShownPlacement })
	if at < 0 || !strings.Contains(d.Bars[at].Needs, "origin x 20, y 20.5, focus 53 mm; not traced") {
		t.Errorf("what was signed: %+v", d.Bars)
	}
	// After the signature: beyond the bed is refused, elsewhere takes the signature back with its supply.
	says("hard stops", problemIn(t, w.as(t, operator, http.MethodPut, path+"/placement", `{"origin_x_mm":399,"origin_y_mm":20}`, http.StatusUnprocessableEntity, nil)))
	put(`{"origin_x_mm":21,"origin_y_mm":20.5}`, http.StatusOK)
	w.as(t, operator, http.MethodGet, path, "", http.StatusOK, &run)
	if run.Phase != string(queue.Checking) || len(w.floor.voids) == 0 {
		t.Errorf("moved after the signature: %s, %d voids", run.Phase, len(w.floor.voids))
	}
	w.as(t, operator, http.MethodPost, path+"/sign", "", http.StatusUnprocessableEntity, nil)
}
