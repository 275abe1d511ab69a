package api

import (
	"encoding/csv"
	"encoding/json"
	"net/http"
	"strings"
	"testing"

	"github.com/google/uuid"

	"kerfgate/api/wire"
	"kerfgate/db"
)

// TestHistory: runs that are over, page by page and as files; other people's are not there.
func TestHistory(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	member, officer := w.signedIn(t, w.Member), w.signedIn(t, w.Officer)
	job := w.handIn(t, member, 3)
	w.as(t, member, http.MethodPost, "/jobs/"+job.ID.String()+"/withdraw", "", http.StatusOK, nil)

	var page wire.RunPage
	w.as(t, officer, http.MethodGet, "/runs", "", http.StatusOK, &page)
	if len(page.Runs) != 0 {
		t.Errorf("what was withdrawn before it started: %d runs", len(page.Runs))
	}
	seen := map[uuid.UUID]bool{}
	for cursor := ""; ; cursor = "&cursor=" + page.Next.String() {
		page = wire.RunPage{}
		w.as(t, member, http.MethodGet, "/runs?outcome=withdrawn&limit=2"+cursor, "", http.StatusOK, &page)
		for _, r := range page.Runs {
			seen[r.ID] = true
			if r.Bay != "Bay 1" || r.MachineName != "lidded cutter" {
				t.Errorf("ran on %s, %s", r.Bay, r.MachineName)
			}
		}
		if page.Next == nil {
			break
		}
	}
	if len(seen) != 3 {
		t.Errorf("%d runs", len(seen))
	}
	w.as(t, officer, http.MethodGet, "/runs?cursor="+uuid.NewString(), "", http.StatusNotFound, nil)
	w.as(t, officer, http.MethodGet, "/runs?outcome=melted", "", http.StatusUnprocessableEntity, nil)
	w.as(t, officer, http.MethodGet, "/runs/export?format=xlsx", "", http.StatusUnprocessableEntity, nil)

	rec := w.as(t, officer, http.MethodGet, "/runs/export?outcome=withdrawn", "", http.StatusOK, nil)
	rows, err := csv.NewReader(rec.Body).ReadAll()
	if err != nil || len(rows) != 4 || rows[0][0] != "run" || rows[1][1] == "" {
		t.Errorf("%v %v", rows, err)
	}
	rec = w.as(t, officer, http.MethodGet, "/runs/export?outcome=withdrawn&format=jsonl", "", http.StatusOK, nil)
	dec := json.NewDecoder(rec.Body)
	for range 3 {
		var r wire.Run
		if err := dec.Decode(&r); err != nil || !seen[r.ID] {
			t.Errorf("%+v %v", r, err)
		}
	}
	rec = w.as(t, w.signedIn(t, db.Actor{Person: w.Admin.Person}), http.MethodGet, "/runs/export?format=jsonl", "", http.StatusOK, nil)
	if rec.Body.Len() != 0 {
		t.Errorf("nothing ran, and the file has %q", rec.Body)
	}
}

// TestPlainCell: no text of a member's becomes a formula in a spreadsheet.
func TestPlainCell(t *testing.T) {
	t.Parallel()
	for in, want := range map[string]string{"bed sign": "bed sign", "": "", "=1+1": "'=1+1", "+1": "'+1", "-2": "'-2", "@x": "'@x", "\tx": "'\tx"} {
		if got := plainCell(in); got != want {
			t.Errorf("%q becomes %q", in, got)
		}
	}
}

// TestHistoryPages: the list, its links and a run's own page.
func TestHistoryPages(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	member := w.signedIn(t, w.Member)
	job := w.handIn(t, member, 1)
	run := job.Runs[0].ID.String()
	page := func(path string, want int) string {
		t.Helper()
		rec := ask(t, w.s.Handler(), http.MethodGet, path, member, "", "Accept", "text/html")
		if rec.Code != want {
			t.Errorf("%s: %d", path, rec.Code)
		}
		return rec.Body.String()
	}
	if html := page("/runs/"+run, http.StatusOK); !strings.Contains(html, "What was planned") || strings.Contains(html, "All entries of the logbook") {
		t.Error("the run's page")
	}
	page("/runs/"+uuid.NewString(), http.StatusNotFound)
	w.as(t, member, http.MethodPost, "/jobs/"+job.ID.String()+"/withdraw", "", http.StatusOK, nil)
	if html := page("/history?outcome=withdrawn&machine="+w.Machine.ID.String()+"&from=2020-01-01", http.StatusOK); !strings.Contains(html, `href="/runs/`+run) {
		t.Error("the run is not in the list")
	}
	if html := page("/history?outcome=withdrawn&material="+w.Stock.Material.String(), http.StatusOK); !strings.Contains(html, `href="/runs/`+run) || !strings.Contains(html, "lot P118") || !strings.Contains(html, "material_id="+w.Stock.Material.String()) {
		t.Error("the material's run is not shown with its lot, or its file has others")
	}
	if html := page("/history?outcome=withdrawn&to=2020-01-01", http.StatusOK); strings.Contains(html, `href="/runs/`+run) {
		t.Error("the run is in the list of another year")
	}
	page("/history?machine=x", http.StatusNotFound)
}

// TestEmptyHistory: where nothing has run, nobody is told to choose less.
func TestEmptyHistory(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	member := w.signedIn(t, w.Member)
	w.page(t, member, "/history", "Nothing of yours has run yet.")
	w.page(t, w.signedIn(t, w.Officer), "/history", "Nothing has run here yet.")
	for _, picked := range []string{"outcome=stopped", "from=2020-01-01", "machine=" + w.Machine.ID.String(), "material=" + w.Stock.Material.String()} {
		w.page(t, member, "/history?"+picked, "No run fits. Choose less")
	}
}
