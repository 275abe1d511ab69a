package api

import (
	"io"
	"net/http"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"kerfgate/api/wire"
)

// Prometheus text exposition format 0.0.4, the lines as its description has them.
var (
	expositionHelp = regexp.MustCompile(`^# HELP [a-zA-Z_:][a-zA-Z0-9_:]* [^\n]+$`)
	expositionType = regexp.MustCompile(`^# TYPE ([a-zA-Z_:][a-zA-Z0-9_:]*) (counter|gauge)$`)
	expositionLine = regexp.MustCompile(`^([a-zA-Z_:][a-zA-Z0-9_:]*)(?:\{((?:[a-zA-Z_][a-zA-Z0-9_]*="(?:[^"\\\n]|\\["\\n])*",?)+)\})? ([0-9.e+-]+)$`)
)

// exposed reads an exposition as a scraper does: every sample belongs to the family told before it.
func exposed(t *testing.T, text string) map[string]float64 {
	t.Helper()
	values, family := map[string]float64{}, ""
	for _, line := range strings.Split(strings.TrimSuffix(text, "\n"), "\n") {
		if m := expositionType.FindStringSubmatch(line); m != nil {
			family = m[1]
			continue
		}
		if expositionHelp.MatchString(line) {
			continue
		}
		m := expositionLine.FindStringSubmatch(line)
		if m == nil || m[1] != family {
			t.Errorf("no line of the format, or of another family than %s: %q", family, line)
			continue
		}
		v, err := strconv.ParseFloat(m[3], 64)
		if _, twice := values[m[1]+"{"+m[2]+"}"]; err != nil || twice {
			t.Errorf("%q: %v, twice %v", line, err, twice)
		}
		values[m[1]+"{"+m[2]+"}"] = v
	}
	return values
}

// TestS26_Metrics: the numbers are read on the server's own computer or with a token of their own scope by an
// officer or admin; they tell what happened, and no name of anybody or anything.
func TestS26_Metrics(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	w.handIn(t, w.signedIn(t, w.Member), 2)
	address := w.serve(t)
	get := func(change func(*http.Request)) (int, string) {
		t.Helper()
		req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, address+"/metrics", nil)
		if err != nil {
			t.Fatal(err)
		}
		change(req)
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = resp.Body.Close() }()
		text, err := io.ReadAll(resp.Body)
		if err != nil {
			t.Fatal(err)
		}
		return resp.StatusCode, string(text)
	}
	for range 3 {
		w.as(t, "", http.MethodPost, "/sessions", `{"sign_in":"nobody","password":"x"}`, http.StatusUnauthorized, nil)
	}
	status, text := get(func(*http.Request) {})
	if status != http.StatusOK {
		t.Fatalf("on this computer: %d %s", status, text)
	}
	got := exposed(t, text)
	at := `machine="` + w.Machine.ID.String() + `"`
	size, err := w.LogSize(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]float64{
		"kerfgate_runs{" + at + `,phase="proposed"}`: 2, "kerfgate_queue_length{" + at + "}": 2, `kerfgate_refusals_total{reason="wrong-sign-in"}`: 3,
		"kerfgate_logbook_entries{}": float64(size), "kerfgate_listeners{}": 0, "kerfgate_broker_connected{}": 1,
	} {
		if v, ok := got[name]; !ok || v != want {
			t.Errorf("%s: %v (%v), want %v\n%s", name, v, ok, want, text)
		}
	}
	if got["kerfgate_writer_changes_total{}"] < got["kerfgate_writer_batches_total{}"] || got["kerfgate_writer_batches_total{}"] < 5 ||
		got["kerfgate_writer_wait_seconds_total{}"] <= 0 || got["kerfgate_database_connections_most{}"] < 1 || got["kerfgate_started_seconds{}"] < 1.7e9 {
		t.Errorf("%s", text)
	}
	for _, name := range []string{"garden", "cutter", "bed sign", "poplar"} {
		if strings.Contains(text, name) {
			t.Errorf("the numbers name %q", name)
		}
	}

	// Passed on by a proxy, or asked for by a page of another site that points here, it is nobody's.
	for what, change := range map[string]func(*http.Request){
		"passed on": func(r *http.Request) { r.Header.Set("X-Forwarded-For", "203.0.113.9") }, "by another name": func(r *http.Request) { r.Host = "elsewhere.example" },
	} {
		if status, _ := get(change); status != http.StatusUnauthorized {
			t.Errorf("%s: %d", what, status)
		}
	}
	// From elsewhere (httptest's requests come from 192.0.2.1) a token of that scope reads it, for an officer, and nothing else.
	token := func(of, scope string) string {
		t.Helper()
		var made wire.TokenMade
		w.as(t, of, http.MethodPost, "/me/tokens", `{"name":"collector","scopes":["`+scope+`"],"expires_at":"2027-06-01T00:00:00Z"}`, http.StatusCreated, &made)
		return made.Token
	}
	officer, member := w.signedIn(t, w.Officer), w.signedIn(t, w.Member)
	numbers := token(officer, "metrics")
	for what, c := range map[string]struct {
		token, path string
		want        int
	}{
		"nobody": {"", "/metrics", http.StatusUnauthorized}, "a scope of its own": {numbers, "/metrics", http.StatusOK}, "another scope": {token(officer, "read"), "/metrics", http.StatusForbidden},
		"a member's": {token(member, "metrics"), "/metrics", http.StatusForbidden}, "for nothing else": {numbers, base + "/me", http.StatusForbidden}, "an officer": {officer, "/metrics", http.StatusOK},
	} {
		if rec := ask(t, w.s.Handler(), http.MethodGet, c.path, c.token, ""); rec.Code != c.want {
			t.Errorf("%s: %d, want %d", what, rec.Code, c.want)
		}
	}
}

// TestSiteHealthByScript: a script reads what the page of the site tells.
func TestSiteHealthByScript(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	var h wire.SiteHealth
	w.as(t, w.signedIn(t, w.Officer), http.MethodGet, "/site/health", "", http.StatusOK, &h)
	w.as(t, w.signedIn(t, w.Member), http.MethodGet, "/site/health", "", http.StatusForbidden, nil)
	asks := int64(0)
	page := ask(t, w.s.Handler(), http.MethodGet, "/site", w.signedIn(t, w.Officer), "", "Accept", "text/html").Body.String()
	for _, row := range h.Rows {
		if row.Look {
			asks++
		}
		if !strings.Contains(page, row.What) && !strings.Contains(page, strings.ReplaceAll(row.What, "'", "&#39;")) {
			t.Errorf("%q does not stand on the page", row.What)
		}
	}
	if len(h.Rows) < 6 || asks != h.ToLookAt || asks == 0 || len(h.FirstSteps) == 0 {
		t.Errorf("%+v", h)
	}
}
