package api

import (
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/google/uuid"

	"kerfgate/api/wire"
	"kerfgate/plan/machine"
)

// measured are answers of a machine on which a beam may run, as they are typed.
var measured = map[string]string{
	machine.AskCablePulled: "200 310 250", machine.AskWorkerKilled: "240 260 250", machine.AskHostSuspended: "300 300 300", machine.AskMeans: machine.MeansTimer,
	machine.AskSwitch: "level", machine.AskSensor: "no", machine.AskOn: "12 18 15 15 15", machine.AskOff: "4 5 3 4 4", machine.AskAnswered: "3 4 3 3 5", machine.AskStop: "60 90 70 60 60",
	machine.AskRepeatX: "1000 1030 990 1000 1000", machine.AskRepeatY: "0 10 0 0 0", machine.AskPressure: "121", machine.AskFlow: "155",
}

// TestCommissioningRoutes: begun, answered, published and given up over JSON; what it refuses has its reasons.
func TestCommissioningRoutes(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	officer := w.signedIn(t, w.Officer)
	list := "/machines/" + w.Machine.ID.String() + "/commissionings"
	w.as(t, officer, http.MethodPost, list, `{"tool":"spoon"}`, http.StatusUnprocessableEntity, nil)
	w.as(t, w.signedIn(t, w.Admin), http.MethodPost, list, `{"tool":"beam"}`, http.StatusForbidden, nil)
	var c wire.Commissioning
	w.as(t, officer, http.MethodPost, list, `{"tool":"beam"}`, http.StatusCreated, &c)
	path := "/commissionings/" + c.ID.String()
	w.as(t, officer, http.MethodPut, path+"/answers/cable_pulled", `{"measured":true,"numbers":[1,2],"way":"film"}`, http.StatusUnprocessableEntity, nil)
	w.as(t, officer, http.MethodPost, path+"/publish", "", http.StatusUnprocessableEntity, nil)
	for _, q := range c.Questions {
		body := fmt.Sprintf(`{"measured":true,"words":%q,"way":"tried at the machine","instrument":"by hand","measured_by":%q}`, measured[q.Item], w.Operator.Person)
		if q.Tries > 0 {
			body = fmt.Sprintf(`{"measured":true,"numbers":[%s],"way":"film"}`, strings.ReplaceAll(measured[q.Item], " ", ","))
		}
		w.as(t, officer, http.MethodPut, path+"/answers/"+q.Item, body, http.StatusOK, &c)
	}
	w.as(t, officer, http.MethodGet, path, "", http.StatusOK, &c)
	if a := c.Questions[3].Answer; a == nil || a.MeasuredByName != "Operator of the garden" || a.ToldByName != "Officer of the garden" || a.Words != machine.MeansTimer {
		t.Errorf("what takes the beam away: %+v", a)
	}
	w.as(t, officer, http.MethodPost, path+"/publish", "", http.StatusOK, &c)
	var m wire.MachineDetail
	w.as(t, officer, http.MethodGet, "/machines/"+w.Machine.ID.String(), "", http.StatusOK, &m)
	if c.ResultDigest == nil || m.Machine.ProfileDigest != *c.ResultDigest || m.Machine.CutOffMeans != machine.MeansTimer {
		t.Errorf("published %v, in force %s", c.ResultDigest, m.Machine.ProfileDigest)
	}
	w.as(t, officer, http.MethodDelete, path, "", http.StatusUnprocessableEntity, nil)
	w.as(t, officer, http.MethodPost, list, `{"tool":"beam"}`, http.StatusCreated, &c)
	w.as(t, officer, http.MethodDelete, "/commissionings/"+c.ID.String(), "", http.StatusNoContent, nil)
	var all wire.CommissioningList
	w.as(t, officer, http.MethodGet, list, "", http.StatusOK, &all)
	if len(all.Commissionings) != 2 || all.Commissionings[0].ResultDigest != nil || all.Commissionings[1].ResultDigest == nil {
		t.Errorf("%+v", all)
	}
	if rec := ask(t, w.s.Handler(), http.MethodGet, base+"/machines/"+uuid.NewString()+"/commissionings", officer, ""); rec.Code != http.StatusNotFound {
		t.Errorf("of no machine: %d", rec.Code)
	}
}

// submit sends a page's form as somebody.
func (w *workshop) submit(t *testing.T, token, path string, form url.Values, status int) string {
	t.Helper()
	rec := ask(t, w.s.Handler(), http.MethodPost, path, token, form.Encode(), "Content-Type", "application/x-www-form-urlencoded", "Accept", "text/html")
	if rec.Code != status {
		t.Fatalf("POST %s: %d, want %d: %s", path, rec.Code, status, rec.Body)
	}
	if status == http.StatusSeeOther {
		return rec.Header().Get("Location")
	}
	return rec.Body.String()
}

func (w *workshop) page(t *testing.T, token, path string, holds ...string) string {
	t.Helper()
	rec := ask(t, w.s.Handler(), http.MethodGet, path, token, "", "Accept", "text/html")
	if rec.Code != http.StatusOK {
		t.Fatalf("GET %s: %d %s", path, rec.Code, rec.Body)
	}
	for _, want := range holds {
		if !strings.Contains(rec.Body.String(), want) {
			t.Errorf("%s holds no %q", path, want)
		}
	}
	return rec.Body.String()
}

// TestCommissioningPages: one question after the other, a wrong answer keeps what was typed, it can be left and
// taken up where it was, and a slow cut-off names its cure before anything is published.
func TestCommissioningPages(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	officer := w.signedIn(t, w.Officer)
	path := commissioningPath(w.Machine.ID)
	w.page(t, officer, path, "With which tool?", "at most 300 ms")
	w.page(t, w.signedIn(t, w.Admin), path, "The safety officer measures.")
	at := w.submit(t, officer, path, url.Values{"tool": {"beam"}}, http.StatusSeeOther)
	if at != path+"/ask/cable_pulled" {
		t.Fatalf("begins at %s", at)
	}
	who := url.Values{"measured_by": {w.Officer.Person.String()}, "instrument": {"pictures: 240 a second"}}
	told := func(more url.Values) url.Values {
		f := url.Values{}
		for _, v := range []url.Values{who, more} {
			for k, x := range v {
				f[k] = x
			}
		}
		return f
	}
	refused := w.submit(t, officer, at, told(url.Values{"try": {"150", "", "170"}, "way": {""}, "other_way": {"an oscilloscope"}}), http.StatusUnprocessableEntity)
	for _, want := range []string{`value="150"`, `value="170"`, "an oscilloscope", "pictures: 240 a second", "2 tries are given"} {
		if !strings.Contains(refused, want) {
			t.Errorf("refused, and %q is lost", want)
		}
	}
	answer := func(key string) url.Values {
		if key == machine.AskWorkerKilled {
			return told(url.Values{"try": {"900", "1400", "900", "", ""}, "way": {"a light sensor with a recorder"}})
		}
		if key == machine.AskFlow {
			return told(url.Values{"unmeasured": {"yes"}})
		}
		if text := measured[key]; strings.ContainsAny(text[:1], "0123456789") {
			return told(url.Values{"try": strings.Fields(text), "way": {""}, "other_way": {"an oscilloscope"}})
		}
		return told(url.Values{"words": {measured[key]}, "way": {"tried at the machine"}})
	}
	for n := 0; at != path; n++ {
		if n > 20 {
			t.Fatal("no end of questions")
		}
		w.page(t, officer, at, fmt.Sprintf("Question %d of 14", n+1))
		at = w.submit(t, officer, at, answer(at[strings.LastIndex(at, "/")+1:]), http.StatusSeeOther)
		if n == 5 {
			at = path // leave
			w.page(t, officer, at, "6 of 14 answered", "Go on", path+"/ask/on")
			at = path + "/ask/on"
		}
	}
	html := w.page(t, officer, path, "14 of 14 answered", "1400 ms", "spring return", "left unmeasured", "an oscilloscope", "Publish as a new version")
	_, rest, _ := strings.Cut(html, `name="id" value="`)
	id, _, _ := strings.Cut(rest, `"`)
	w.submit(t, officer, path+"/abandon", url.Values{"id": {uuid.NewString()}}, http.StatusNotFound)
	if to := w.submit(t, officer, path+"/publish", url.Values{"id": {id}}, http.StatusSeeOther); to != path {
		t.Errorf("published, and goes to %s", to)
	}
	w.page(t, officer, path, "No beam runs", "1400 ms", "spring return", "published by Officer of the garden", "With which tool?")
	m, err := w.Store.Machine(t.Context(), w.Machine.ID)
	if err != nil || m.Profile.CutOff.WorkerKilledMS != 1400 || m.Profile.Air.MeasuredFlowM3PerH != 150 {
		t.Errorf("in force %+v, %v", m.Profile, err)
	}
	w.submit(t, officer, path+"/publish", url.Values{"id": {id}}, http.StatusUnprocessableEntity)
	w.page(t, officer, "/stations", path)
	if html := w.page(t, w.signedIn(t, w.Member), "/stations"); strings.Contains(html, path) {
		t.Error("a member is shown the way to the commissioning")
	}
	if rec := ask(t, w.s.Handler(), http.MethodGet, path+"/ask/on", officer, "", "Accept", "text/html"); rec.Code != http.StatusNotFound {
		t.Errorf("a question of none that is open: %d", rec.Code)
	}
	at = w.submit(t, officer, path, url.Values{"tool": {"beam"}}, http.StatusSeeOther)
	again, err := w.Commissionings(t.Context(), w.Machine.ID, 1)
	if err != nil || at == path {
		t.Fatal(at, err)
	}
	if to := w.submit(t, officer, path+"/abandon", url.Values{"id": {again[0].ID.String()}}, http.StatusSeeOther); to != path {
		t.Errorf("given up, and goes to %s", to)
	}
}
