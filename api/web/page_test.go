package web

import (
	"bytes"
	"compress/gzip"
	"io"
	"io/fs"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"
)

// What the content security policy would block, or what would leave the server's own origin.
var (
	inlineStyle  = regexp.MustCompile(`(?i)<style|[\s"']style\s*=`)
	inlineScript = regexp.MustCompile(`(?i)<script(?:\s+defer)?\s*>|[\s"']on[a-z]+\s*=|javascript:`)
	scriptTag    = regexp.MustCompile(`<script[^>]*>`)
	foreign      = regexp.MustCompile(`(?i)\b(?:src|href|action|hx-get|hx-post|sse-connect|data-main)\s*=\s*["'](?:[a-z]+:)?//`)
	promised     = regexp.MustCompile(`(?i)\b(?:safe|certified)\b`)
	evaluated    = regexp.MustCompile(`hx-on|hx-vals\s*=\s*["']js:|hx-vars|hx-trigger="[^"]*\[`)
)

func TestPagesHoldToTheContentPolicy(t *testing.T) {
	t.Parallel()
	check := func(name, html string) {
		for _, rule := range []*regexp.Regexp{inlineStyle, inlineScript, foreign, evaluated} {
			if found := rule.FindString(html); found != "" {
				t.Errorf("%s holds %q", name, found)
			}
		}
		for _, tag := range scriptTag.FindAllString(html, -1) {
			if !strings.Contains(tag, ` src="`+StaticPrefix) && !strings.Contains(tag, `src="{{static`) {
				t.Errorf("%s holds a script that is not our own file: %s", name, tag)
			}
		}
	}
	err := fs.WalkDir(templateFiles, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		data, err := templateFiles.ReadFile(name)
		check(name, string(data))
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range samplePages() {
		check(p.name, rendered(t, p))
	}
}

// TestRulesCatch: the expressions above find what they are for.
func TestRulesCatch(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		rule *regexp.Regexp
		bad  string
	}{
		{inlineStyle, `<p style="color:red">`}, {inlineStyle, `<style>`}, {inlineScript, `<script>x</script>`},
		{inlineScript, `<a onclick="x()">`}, {foreign, `<img src="https://elsewhere.example/x.png">`}, {foreign, `<a href='//elsewhere.example'>`},
		{evaluated, `<p hx-trigger="click[ctrlKey]">`}, {promised, "<b>Safe</b>"}, {promised, "a certified pair"},
	} {
		if !c.rule.MatchString(c.bad) {
			t.Errorf("%s does not match %s", c.rule, c.bad)
		}
	}
}

// TestStaticFilesStayHome: our own scripts and styles name no other origin; the vendored ones name
// some in texts, and the policy keeps them from connecting.
func TestStaticFilesStayHome(t *testing.T) {
	t.Parallel()
	origin := regexp.MustCompile(`(?i)(https?:)?//[a-z0-9-]+\.[a-z]`)
	for name, f := range static() {
		if strings.HasPrefix(name, "vendor/") {
			continue
		}
		text := strings.ReplaceAll(string(f.plain), "http://www.w3.org/2000/svg", "")
		if found := origin.FindString(text); found != "" {
			t.Errorf("%s names %q", name, found)
		}
		for _, bad := range []string{"eval(", "new Function", "innerHTML =", "document.write", "@import", "url("} {
			if strings.Contains(text, bad) {
				t.Errorf("%s holds %q", name, bad)
			}
		}
	}
}

func rendered(t *testing.T, p samplePage) string {
	t.Helper()
	var b bytes.Buffer
	if err := p.render(&b); err != nil {
		t.Fatalf("%s: %v", p.name, err)
	}
	return b.String()
}

// TestEveryPageSaysWhatItIs: language, title, one first heading, a main landmark, the caution.
func TestEveryPageSaysWhatItIs(t *testing.T) {
	t.Parallel()
	for _, p := range samplePages() {
		html := rendered(t, p)
		for want, n := range map[string]int{`<html lang="en">`: 1, "<title>": 1, "<h1": 1, `<main id="main"`: 1,
			"administrative control": 1, "The machine’s label, local codes and the person in charge of laser safety decide.": 1, `class="skip"`: 1, `role="status"`: -1} {
			switch got := strings.Count(html, want); {
			case n < 0 && got == 0, n >= 0 && got != n:
				t.Errorf("%s has %q %d times", p.name, want, got)
			}
		}
		if strings.HasPrefix(p.name, "station-") {
			for _, want := range []string{`id="stop"`, "Stop run", "In danger press the machine’s red button. This one asks the software.", `aria-live="assertive"`} {
				if !strings.Contains(html, want) {
					t.Errorf("%s has no %q", p.name, want)
				}
			}
		}
		if found := promised.FindString(html); found != "" {
			t.Errorf("%s says %q", p.name, found)
		}
	}
}

var (
	idAttribute  = regexp.MustCompile(`\sid="([^"]*)"`)
	forAttribute = regexp.MustCompile(`<label[^>]*\sfor="([^"]*)"`)
	fieldTag     = regexp.MustCompile(`<(?:input|select)\s[^>]*>`)
)

// TestFieldsHaveLabels: each field is inside a label or named by one, and no id stands twice.
func TestFieldsHaveLabels(t *testing.T) {
	t.Parallel()
	for _, p := range samplePages() {
		html := rendered(t, p)
		ids, labelled := map[string]bool{}, map[string]bool{}
		for _, m := range idAttribute.FindAllStringSubmatch(html, -1) {
			if ids[m[1]] {
				t.Errorf("%s has the id %q twice", p.name, m[1])
			}
			ids[m[1]] = true
		}
		for _, m := range forAttribute.FindAllStringSubmatch(html, -1) {
			labelled[m[1]] = true
			if !ids[m[1]] {
				t.Errorf("%s has a label for %q, which is not there", p.name, m[1])
			}
		}
		for _, tag := range fieldTag.FindAllString(html, -1) {
			if strings.Contains(tag, `type="hidden"`) || strings.Contains(tag, `type="radio"`) || strings.Contains(tag, `type="checkbox"`) {
				continue // radio buttons and boxes stand inside their labels
			}
			m := idAttribute.FindStringSubmatch(tag)
			if m == nil || !labelled[m[1]] {
				t.Errorf("%s has a field without a label: %s", p.name, tag)
			}
		}
	}
}

var staticAddress = regexp.MustCompile(`(?:src|href)="(` + StaticPrefix + `[^"]*)"`)

// TestPagesAreSmall: a page with all it loads stays under 150 kB over the wire.
func TestPagesAreSmall(t *testing.T) {
	t.Parallel()
	for _, p := range samplePages() {
		html := rendered(t, p)
		total := len(html)
		for _, m := range staticAddress.FindAllStringSubmatch(html, -1) {
			rec := httptest.NewRecorder()
			req := httptest.NewRequestWithContext(t.Context(), http.MethodGet, m[1], nil)
			req.Header.Set("Accept-Encoding", "br, gzip;q=0.8")
			StaticHandler().ServeHTTP(rec, req)
			if rec.Code != http.StatusOK || rec.Header().Get("Content-Encoding") != "gzip" {
				t.Errorf("%s: %s answers %d, %q", p.name, m[1], rec.Code, rec.Header().Get("Content-Encoding"))
			}
			if !strings.Contains(rec.Header().Get("Cache-Control"), "immutable") {
				t.Errorf("%s: %s may not be kept", p.name, m[1])
			}
			total += rec.Body.Len()
		}
		if total > 150_000 {
			t.Errorf("%s is %d bytes over the wire, want under 150,000", p.name, total)
		}
	}
}

func TestStaticHandler(t *testing.T) {
	t.Parallel()
	ask := func(method, address string, header ...string) *http.Response {
		req := httptest.NewRequestWithContext(t.Context(), method, address, nil)
		for i := 0; i+1 < len(header); i += 2 {
			req.Header.Set(header[i], header[i+1])
		}
		rec := httptest.NewRecorder()
		StaticHandler().ServeHTTP(rec, req)
		return rec.Result()
	}
	plain := ask(http.MethodGet, "/static/page.css")
	body, err := io.ReadAll(plain.Body)
	if err != nil || !bytes.Contains(body, []byte("--paper: #f5f1e6")) {
		t.Errorf("the style sheet is not the style sheet: %v", err)
	}
	packed := ask(http.MethodGet, "/static/page.css", "Accept-Encoding", "gzip")
	z, err := gzip.NewReader(packed.Body)
	if err != nil {
		t.Fatal(err)
	}
	again, err := io.ReadAll(z)
	if err != nil || !bytes.Equal(again, body) {
		t.Errorf("compressed and plain differ: %v", err)
	}
	if got := ask(http.MethodGet, "/static/page.css", "If-None-Match", plain.Header.Get("ETag")).StatusCode; got != http.StatusNotModified {
		t.Errorf("same version asked again: %d", got)
	}
	if got := ask(http.MethodGet, "/static/page.css", "Accept-Encoding", "gzip;q=0").Header.Get("Content-Encoding"); got != "" {
		t.Errorf("gzip was refused and sent: %q", got)
	}
	for address, want := range map[string]int{"/static/none.css": 404, "/static/../web.go": 404, "/static/": 404} {
		if got := ask(http.MethodGet, address).StatusCode; got != want {
			t.Errorf("%s: %d, want %d", address, got, want)
		}
	}
	if got := ask(http.MethodPost, "/static/page.css").StatusCode; got != http.StatusMethodNotAllowed {
		t.Errorf("POST: %d", got)
	}
}

// TestVendoredFilesKeepTheirLicence: each third-party script begins with name, version and licence.
func TestVendoredFilesKeepTheirLicence(t *testing.T) {
	t.Parallel()
	n := 0
	for name, f := range static() {
		if !strings.HasPrefix(name, "vendor/") || !strings.HasSuffix(name, ".js") {
			continue
		}
		n++
		head, _, _ := strings.Cut(string(f.plain), "\n")
		licence := regexp.MustCompile(`licence text in (\S+\.LICENSE)`).FindStringSubmatch(head)
		if !strings.Contains(head, "0BSD") || licence == nil {
			t.Errorf("%s begins %q", name, head)
			continue
		}
		if _, ok := static()["vendor/"+licence[1]]; !ok {
			t.Errorf("%s names %s, which is not there", name, licence[1])
		}
	}
	if n == 0 {
		t.Error("no vendored script found")
	}
}

// TestNothingSeemsAnswered: the Yes and the No of an open question are one kind of button, and no
// choice of an inspection is made beforehand.
func TestNothingSeemsAnswered(t *testing.T) {
	t.Parallel()
	pair := regexp.MustCompile(`<button name="([^"]+)" value="yes">Yes</button><button name="([^"]+)" value="no">No</button>`)
	n := 0
	for _, p := range samplePages() {
		html := rendered(t, p)
		pairs := pair.FindAllStringSubmatch(html, -1)
		if got := strings.Count(html, `class="pair"`); got != len(pairs) {
			t.Errorf("%s has %d pairs, of which %d look alike", p.name, got, len(pairs))
		}
		n += len(pairs)
		if p.name == "station-inspecting" && strings.Contains(html, " checked") {
			t.Errorf("%s has a choice made", p.name)
		}
	}
	if n == 0 {
		t.Error("no pair found")
	}
	css := string(static()["station.css"].plain) + string(static()["page.css"].plain)
	if rule := regexp.MustCompile(`(\.pair|button)[^{},]*(:first|:nth|:default|\[value)[^{},]*`).FindString(css); rule != "" {
		t.Errorf("a style tells the two apart: %s", rule)
	}
}

func TestGoldenPages(t *testing.T) {
	t.Parallel()
	version := regexp.MustCompile(`\?v=[0-9a-f]{12}`)
	for _, p := range samplePages() {
		switch p.name {
		case "board", "hand-in-plan", "job", "logbook", "sign-in", "station-checking", "station-running", "station-inspecting":
			golden(t, p.name+".html", version.ReplaceAllString(rendered(t, p), "?v=0"))
		}
	}
}
