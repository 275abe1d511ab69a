package api

import (
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/google/uuid"

	"kerfgate/api/wire"
	"kerfgate/db/dbtest"
)

// TestSets: several jobs for one object, counted together; other people's are not there.
func TestSets(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	member, operator, other := w.signedIn(t, w.Member), w.signedIn(t, w.Operator), w.signedIn(t, w.Admin)
	var set wire.Set
	w.as(t, member, http.MethodPost, "/sets", `{"name":"garden shed"}`, http.StatusCreated, &set)
	w.as(t, member, http.MethodPost, "/sets", `{"name":" "}`, http.StatusUnprocessableEntity, nil)
	loose := w.handIn(t, member, 1)
	body := strings.TrimSuffix(w.wanted("wall", loose.Plan, 2), "}") + fmt.Sprintf(`,"set_id":%q}`, set.ID)
	var job wire.Job
	w.as(t, member, http.MethodPost, "/jobs", body, http.StatusCreated, &job)
	if job.SetID == nil || *job.SetID != set.ID || *job.SetName != "garden shed" || loose.SetID != nil {
		t.Errorf("%+v", job)
	}
	w.as(t, operator, http.MethodPost, "/jobs", body, http.StatusNotFound, nil) // neither plan nor set are theirs
	var detail wire.SetDetail
	w.as(t, member, http.MethodGet, "/sets/"+set.ID.String(), "", http.StatusOK, &detail)
	if len(detail.Jobs) != 1 || detail.Jobs[0].ID != job.ID || detail.Set.Sheets != 2 || detail.Set.Done != 0 || detail.Set.Waiting != 2 {
		t.Errorf("%+v", detail)
	}
	w.as(t, other, http.MethodGet, "/sets/"+set.ID.String(), "", http.StatusOK, nil)
	w.as(t, member, http.MethodGet, "/sets/"+uuid.NewString(), "", http.StatusNotFound, nil)
	w.as(t, member, http.MethodPost, "/sets", `{"name":"tool wall"}`, http.StatusCreated, nil)
	var page wire.SetPage
	w.as(t, member, http.MethodGet, "/sets?limit=1", "", http.StatusOK, &page)
	if len(page.Sets) != 1 || page.Sets[0].Name != "tool wall" || page.Next == nil {
		t.Fatalf("%+v", page)
	}
	w.as(t, member, http.MethodGet, "/sets?cursor="+page.Next.String(), "", http.StatusOK, &page)
	if len(page.Sets) != 1 || page.Sets[0].ID != set.ID {
		t.Errorf("%+v", page)
	}
	w.as(t, member, http.MethodGet, "/sets?limit=0", "", http.StatusUnprocessableEntity, nil)
	put := func(token, body string, status int, header ...string) *wire.Job {
		t.Helper()
		var got wire.Job
		into := any(&got)
		if status != http.StatusOK {
			into = nil
		}
		w.as(t, token, http.MethodPut, "/jobs/"+loose.ID.String()+"/set", body, status, into, header...)
		return &got
	}
	choice := fmt.Sprintf(`{"set_id":%q}`, set.ID)
	put(member, choice, http.StatusPreconditionFailed, "If-Match", `"999"`)
	put(operator, choice, http.StatusNotFound)
	put(other, choice, http.StatusNotFound)
	if got := put(member, choice, http.StatusOK); got.SetID == nil || *got.SetID != set.ID {
		t.Errorf("%+v", got)
	}
	put(member, choice, http.StatusUnprocessableEntity)
	if got := put(member, `{}`, http.StatusOK); got.SetID != nil {
		t.Errorf("of none: %+v", got)
	}
	w.as(t, operator, http.MethodGet, "/sets", "", http.StatusOK, &page)
	if len(page.Sets) != 0 {
		t.Errorf("another's list has %+v", page)
	}
}

// severalFiles is a form with drawings.
func severalFiles(fields map[string]string, names ...string) (kind, body string) {
	const boundary = "between"
	var b strings.Builder
	for _, name := range names {
		fmt.Fprintf(&b, "--%s\r\nContent-Disposition: form-data; name=\"file\"; filename=%q\r\nContent-Type: image/svg+xml\r\n\r\n%s\r\n", boundary, name, dbtest.Square)
	}
	for name, value := range fields {
		fmt.Fprintf(&b, "--%s\r\nContent-Disposition: form-data; name=%q\r\n\r\n%s\r\n", boundary, name, value)
	}
	fmt.Fprintf(&b, "--%s--\r\n", boundary)
	return "multipart/form-data; boundary=" + boundary, b.String()
}

// TestPages_DraftsAndSets: several files at once become drafts of one set, each keeps what was typed until
// it is handed in or thrown away, and the set's page counts what came of it.
func TestPages_DraftsAndSets(t *testing.T) {
	t.Parallel()
	p := openPages(t)
	fields := map[string]string{"tool": p.Machine.ID.String() + "|beam", "stock": p.Stock.ID.String(), "set_name": "garden shed"}
	kind, body := severalFiles(fields, "wall.svg", "roof.svg", "door.svg")
	at := p.ask(t, "member", http.MethodPost, "/hand-in", kind, body).wants(t, 303).Header.Get("Location")
	p.get(t, "member", at).wants(t, 200, "The drawings are kept", "Not handed in yet", ">wall</a>, part of garden shed", ">roof</a>", "roof.svg, not planned yet", "Your sets", "No sheet yet")

	many := make([]string, maxFiles+1)
	for i := range many {
		many[i] = "x.svg"
	}
	kind, body = severalFiles(fields, many...)
	p.ask(t, "member", http.MethodPost, "/hand-in", kind, body).wants(t, 422, "More than 20 files")

	drafts, err := p.Drafts(t.Context(), p.Member)
	if err != nil || len(drafts) != 3 {
		t.Fatalf("%+v %v", drafts, err)
	}
	d := drafts[0]
	id := d.Drawing.String()
	p.get(t, "member", "/hand-in?drawing="+id).wants(t, 200, "There is no plan yet", `value="`+id+`"`)
	planned := p.post(t, "member", "/hand-in/plan", url.Values{"drawing": {id}, "tool": {fields["tool"]}, "stock": {fields["stock"]}, "title": {d.Title}}).
		wants(t, 303).Header.Get("Location")
	p.get(t, "member", "/hand-in").wants(t, 200, "planned, kept", planned)
	p.post(t, "member", "/hand-in/draft", url.Values{"drawing": {id}, "title": {"shed <b>wall</b>"}, "copies": {"2"}, "due": {"2031-02-03T10:00"}, "set": {d.Set.String()}}).wants(t, 204)
	p.get(t, "member", planned).wants(t, 200, `value="shed &lt;b&gt;wall&lt;/b&gt;"`, `value="2"`, `value="2031-02-03T10:00"`, `value="`+d.Set.String()+`" selected`)
	p.get(t, "member", planned).wants(t, 200, "Handed in now, it would be <b>ready about", "all 2 sheets of it", "place 1 in the queue", "assumed: too few were laid here").lacks(t, "That is after it is due")
	live := url.Values{"drawing": {id}, "title": {"wall"}, "copies": {"3"}, "due": {"2020-02-03T10:00"}, "plan": {strings.TrimPrefix(planned, "/hand-in?plan=")}, "set": {d.Set.String()}}
	p.post(t, "member", "/hand-in/draft", live).wants(t, 200, "all 3 sheets of it", "That is after it is due").lacks(t, "<main")
	p.post(t, "member", "/hand-in/draft", url.Values{"drawing": {uuid.NewString()}, "title": {"x"}}).wants(t, 204) // of none

	digest := strings.TrimPrefix(planned, "/hand-in?plan=")
	job := p.post(t, "member", "/hand-in/submit", url.Values{"plan": {digest}, "drawing": {id}, "title": {"wall"}, "copies": {"2"}, "set": {d.Set.String()}}).
		wants(t, 303).Header.Get("Location")
	p.get(t, "member", strings.TrimSuffix(job, "?said=handed-in")).wants(t, 200, `Part of <a href="/sets/`+d.Set.String()+`">garden shed</a>`)
	p.get(t, "member", "/sets/"+d.Set.String()).wants(t, 200, "garden shed", "0 of 2 sheets done, 2 in a queue or at work", "poplar plywood, natural, 3 mm", "Hand in another drawing")
	own := strings.TrimSuffix(job, "?said=handed-in")
	p.post(t, "member", own+"/set", url.Values{"set": {d.Set.String()}}).wants(t, 422, "there already")
	p.post(t, "member", own+"/set", url.Values{"set_name": {"tool wall"}}).wants(t, 303)
	p.get(t, "member", own).wants(t, 200, ">tool wall</a>", "0 of 2 sheets done")
	p.post(t, "operator", own+"/set", url.Values{"set_name": {"mine"}}).wants(t, 404)
	p.post(t, "member", own+"/set", url.Values{"set": {d.Set.String()}}).wants(t, 303)
	p.get(t, "operator", "/sets/"+d.Set.String()).wants(t, 200).lacks(t, "Hand in another drawing")
	p.get(t, "member", "/sets/"+uuid.NewString()).wants(t, 404)

	gone := drafts[1].Drawing.String()
	p.post(t, "member", "/hand-in/throw-away", url.Values{"drawing": {gone}}).wants(t, 303)
	p.get(t, "member", "/hand-in").wants(t, 200, drafts[2].Title).lacks(t, gone)
	p.post(t, "member", "/hand-in/throw-away", url.Values{"drawing": {"?"}}).wants(t, 422)
	if left, err := p.Drafts(t.Context(), p.Member); err != nil || len(left) != 1 || left[0].Drawing != drafts[2].Drawing {
		t.Errorf("%+v %v", left, err)
	}
}
