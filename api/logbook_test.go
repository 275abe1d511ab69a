package api

import (
	"fmt"
	"net/http"
	"strings"
	"testing"

	"kerfgate/api/wire"
)

// TestLogbookRoutes: entries, head, proof, export and check belong together.
func TestLogbookRoutes(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	job := w.handIn(t, w.signedIn(t, w.Member), 1)
	officer := w.signedIn(t, w.Officer)
	var page wire.EntryPage
	w.as(t, officer, http.MethodGet, "/logbook?limit=5", "", http.StatusOK, &page)
	if len(page.Entries) != 5 || page.Next == nil || *page.Next != page.Entries[4].Index {
		t.Fatalf("page %+v", page)
	}
	last := *page.Next
	page = wire.EntryPage{}
	w.as(t, officer, http.MethodGet, fmt.Sprintf("/logbook?limit=5&before=%d", last), "", http.StatusOK, &page)
	if older := page.Entries[0].Index; older != last-1 {
		t.Errorf("the next page begins at %d after %d", older, last)
	}
	page = wire.EntryPage{}
	w.as(t, officer, http.MethodGet, "/logbook?kind=job&subject="+job.ID.String(), "", http.StatusOK, &page)
	if len(page.Entries) != 1 || page.Entries[0].Kind != "job.submitted" || page.Entries[0].ActorName == "" {
		t.Errorf("entries of the job: %+v", page)
	}
	head := w.as(t, officer, http.MethodGet, "/logbook/head", "", http.StatusOK, nil).Body.String()
	proof := w.as(t, officer, http.MethodGet, "/logbook/0/proof", "", http.StatusOK, nil).Body.String()
	if !strings.HasPrefix(proof, "c2sp.org/tlog-proof@v1\n") || !strings.Contains(head, "\n\u2014 ") {
		t.Errorf("head %q, proof %q", head, proof)
	}
	rec := w.as(t, officer, http.MethodGet, "/logbook/export", "", http.StatusOK, nil)
	if !strings.HasPrefix(rec.Body.String(), "kerfgate logbook export v1") || !strings.Contains(rec.Header().Get("Content-Disposition"), "attachment") {
		t.Errorf("export %v", rec.Header())
	}
	var report wire.CheckReport
	w.as(t, officer, http.MethodGet, "/logbook/check", "", http.StatusOK, &report)
	if !report.Good || report.Entries == 0 || report.Status != 0 {
		t.Errorf("check %+v", report)
	}
	w.as(t, officer, http.MethodGet, "/logbook/99999/proof", "", http.StatusNotFound, nil)
	w.as(t, officer, http.MethodGet, "/logbook?limit=0", "", http.StatusUnprocessableEntity, nil)
}
