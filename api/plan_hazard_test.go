package api

import (
	"net/http"
	"strings"
	"testing"

	"kerfgate/api/wire"
)

// TestPlanHazards: a plan tells the numbers that its gate shows, as exactly, with inputs, formula, edition
// and caution; what the fume comes to in the air stands in neither: an estimate is for the officer alone.
func TestPlanHazards(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	member, operator := w.signedIn(t, w.Member), w.signedIn(t, w.Operator)
	job := w.handIn(t, member, 1)
	var p wire.Plan
	w.as(t, member, http.MethodGet, "/plans/"+job.Plan, "", http.StatusOK, &p)
	var g wire.Gate
	run := job.Runs[0].ID
	w.ready(t, run, 1)
	w.as(t, operator, http.MethodPost, "/runs/"+run.String()+"/checklist", "", http.StatusOK, nil)
	w.as(t, operator, http.MethodGet, "/runs/"+run.String()+"/gate", "", http.StatusOK, &g)
	shown := map[string]wire.BarNumber{}
	for _, b := range g.Bars {
		for _, n := range b.Numbers {
			shown[n.Title] = n
		}
	}
	if len(p.Hazards) < 7 {
		t.Fatalf("%d hazards: %+v", len(p.Hazards), p.Hazards)
	}
	said := map[string]bool{}
	for _, n := range p.Hazards {
		said[n.Title] = true
		same, ok := shown[n.Title]
		if !ok || text(n.Shown) != text(same.Shown) || text(n.WhyNot) != text(same.WhyNot) || (n.Value == nil) != (same.Value == nil) || n.Value != nil && *n.Value != *same.Value ||
			text(n.Formula) != text(same.Formula) || text(n.Edition) != text(same.Edition) || n.Caution != same.Caution {
			t.Errorf("the plan says %+v, the gate %+v", n, same)
		}
		if strings.Contains(n.Title, "concentration") {
			t.Errorf("a member is told %s", n.Title)
		}
	}
	for title := range shown {
		if !said[title] && !strings.Contains(title, "filter") || strings.Contains(title, "concentration") {
			t.Errorf("the gate shows %q, the plan does not, or nobody but an officer may be told it", title)
		}
	}
	for _, n := range p.Hazards {
		if n.Title == "eyewear density, accidental look of 10 s" && (n.Value == nil || *n.Value <= 3 || text(n.Unit) != "OD" || n.Inputs == nil) {
			t.Errorf("%+v", n)
		}
	}
	path := "/runs/" + run.String() + "/dossier"
	if rec := ask(t, w.s.Handler(), http.MethodGet, path, member, "", "Accept", "text/html"); rec.Code != http.StatusForbidden {
		t.Errorf("a member reads the officer's page: %d", rec.Code)
	}
	page := ask(t, w.s.Handler(), http.MethodGet, path, w.signedIn(t, w.Officer), "", "Accept", "text/html").Body.String()
	if !strings.Contains(page, "Expected concentration, an estimate") || !strings.Contains(page, "proves no limit kept") {
		t.Error("the officer's page gives no estimate, or does not call it so")
	}
	for _, at := range []string{"/jobs/" + job.ID.String(), "/hand-in?plan=" + job.Plan} {
		if html := ask(t, w.s.Handler(), http.MethodGet, at, member, "", "Accept", "text/html").Body.String(); strings.Contains(strings.ToLower(html), "expected concentration") {
			t.Errorf("%s tells a member", at)
		}
	}
}
