package system_test

import (
	"encoding/json"
	"fmt"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/chromedp"

	"kerfgate/db/dbtest"
	"kerfgate/deploy/browsertest"
)

// pageBytes is the most that a page may weigh over the wire without its pictures.
const pageBytes = 150_000

var idInPath = regexp.MustCompile(`[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}|[0-9a-f]{64}|/[0-9]+(/|$)`)

// looked is what a browser found on one page.
type looked struct {
	Links      []string
	Violations []string
	Foreign    []string
	Bytes      int // over the wire since the page was opened
	Wide       int // how many px the page is wider than its window
	Tabindex   int // elements that would be reached out of turn
}

// faults are what breaks a rule that every page is held to.
func (l looked) faults() []string {
	faults := slices.Clone(l.Violations)
	if len(l.Foreign) > 0 || l.Wide > 0 || l.Tabindex > 0 {
		faults = append(faults, fmt.Sprintf("asks %v, %d px too wide, %d out of turn", l.Foreign, l.Wide, l.Tabindex))
	}
	return faults
}

// look asks axe-core and the browser itself about the page that is open.
func (b *browser) look() (l looked) {
	b.t.Helper()
	text, err := chromedp.Run(b.ctx, chromedp.Evaluate[string](`(() => {
		const resources = [...performance.getEntriesByType("navigation"), ...performance.getEntriesByType("resource")];
		const own = (u) => new URL(u, location.href).origin === location.origin;
		const worker = document.body.dataset.worker;
		return JSON.stringify({
			Links: [...document.querySelectorAll("a[href]")].filter((a) => !a.hasAttribute("download") && own(a.href)).map((a) => new URL(a.href).pathname),
			Foreign: resources.map((r) => r.name).filter((u) => !own(u) && !(worker && u.startsWith(worker))),
			Bytes: resources.filter((r) => r.initiatorType !== "img" && own(r.name)).reduce((n, r) => n + (r.encodedBodySize || 0), 0),
			Wide: document.documentElement.scrollWidth - window.innerWidth,
			Tabindex: document.querySelectorAll('[tabindex]:not([tabindex="0"]):not([tabindex="-1"])').length,
		});
	})()`))
	if err != nil {
		b.t.Fatal(err)
	}
	if err := json.Unmarshal([]byte(text), &l); err != nil {
		b.t.Fatal(err)
	}
	l.Violations = append(browsertest.Axe(b.t, b.ctx), browsertest.Cut(b.t, b.ctx)...)
	return l
}

// inOrder holds the page that is open to the rules of every page in three sizes and through both lens filters.
func (b *browser) inOrder(name string) {
	b.t.Helper()
	for _, size := range [][2]int64{{360, 740}, {1920, 1080}, {1024, 768}} {
		b.do("size", chromedp.EmulateViewport(size[0], size[1]))
		for _, fault := range b.look().faults() {
			b.t.Errorf("%s at %d px: %s", name, size[0], fault)
		}
	}
	for _, fault := range browsertest.Lens(b.t, b.ctx) {
		b.t.Errorf("%s through a lens: %s", name, fault)
	}
	b.keep(name)
}

// TestEveryPage walks through all pages that links lead to, as member, operator, officer and admin, in
// three sizes: axe-core finds nothing against WCAG 2.2 AA, no script fails, nothing is asked of another
// origin, no page is wider than its window or over its weight. Tab alone leads to all that a mouse can
// use, and both lens filters leave all of it readable.
func TestEveryPage(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("walks through every page in a browser")
	}
	h := startTry(t, filepath.Join(dbtest.Folder(t), "data"))
	b := openBrowser(t, h.address)
	at := ""
	if err := chromedp.Listen(b.ctx, func(ev any) {
		if e, ok := ev.(*log.EventEntryAdded); ok && e.Entry.Level == log.EntryLevelError {
			t.Errorf("%s: the browser's console says %s %s", at, e.Entry.Text, e.Entry.URL)
		}
	}); err != nil {
		t.Fatal(err)
	}
	seen := map[string]bool{}
	weights := map[string]int{}
	look := func(path string, width, height int64) looked {
		t.Helper()
		at = fmt.Sprintf("%s at %d px", path, width)
		b.do("size", chromedp.EmulateViewport(width, height))
		b.visit(path)
		l := b.look()
		for _, fault := range l.faults() {
			t.Errorf("%s: %s", at, fault)
		}
		if l.Bytes > pageBytes {
			t.Errorf("%s: %d bytes", at, l.Bytes)
		}
		return l
	}
	for _, who := range []string{"", "thyme", "rowan", "juniper", "sage"} {
		queue := []string{"/", "/sign-in", "/incidents/new", "/station-enrol", "/site-ca"}
		if who != "" {
			b.signIn(who, h.password(t, who), "/")
		} else {
			queue = slices.DeleteFunc(queue, func(p string) bool { return p == "/incidents/new" })
		}
		for len(queue) > 0 {
			path := queue[0]
			queue = queue[1:]
			kind := who + idInPath.ReplaceAllString(path, "/:id/")
			if seen[kind] || strings.HasPrefix(path, "/static/") || strings.HasPrefix(path, "/api/") || path == "/site-ca/certificate" {
				continue
			}
			seen[kind] = true
			page := strings.TrimPrefix(kind, who)
			l := look(path, 1024, 768)
			queue = append(queue, l.Links...)
			if path == "/site" && strings.Contains(b.text("main"), "not heard") {
				t.Errorf("%s: a worker that runs and has nothing to do is said to be silent", at)
			}
			if _, known := weights[page]; known {
				continue // for somebody else a page differs by what they may do, not by its shape
			}
			weights[page] = l.Bytes
			look(path, 360, 740)
			look(path, 1920, 1080)
			at = path
			b.do("size", chromedp.EmulateViewport(1024, 768))
			for _, f := range append(browsertest.Lens(t, b.ctx), browsertest.Keyboard(t, b.ctx)...) {
				t.Errorf("%s: %s", at, f)
			}
			b.keep("page" + strings.ReplaceAll(strings.Trim(kind, "/"), "/", "-"))
		}
	}
	// The check itself can fail.
	b.visit("/")
	b.eval(`const i = document.createElement("img"); i.src = "/static/icon.svg"; i.style.width = "5000px"; document.querySelector("main").append(i)`)
	if faults := strings.Join(b.look().faults(), "\n"); !strings.Contains(faults, "image-alt") || strings.Contains(faults, " 0 px too wide") || !strings.Contains(faults, "px too wide") {
		t.Errorf("a picture without words, too wide for the page, is not found: %s", faults)
	}
	for _, page := range []string{"/", "/hand-in", "/materials", "/history", "/incidents", "/people", "/eyewear", "/me", "/logbook", "/stations"} {
		if _, ok := weights[page]; !ok {
			t.Errorf("no link leads to %s", page)
		}
	}
	for page, bytes := range weights {
		t.Logf("%6d bytes  %s", bytes, page)
	}
}
