package system_test

import (
	"encoding/json"
	"os"
	"path/filepath"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// TestSetInBrowser: two drawings at once become drafts of a set, and one of them is planned and handed in by
// keyboard; the pages on the way hold to WCAG 2.2 AA in three sizes.
func TestSetInBrowser(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("drives a browser")
	}
	axe, err := os.ReadFile(filepath.Join("..", "oracle", "node_modules", "axe-core", "axe.min.js"))
	if err != nil {
		t.Fatalf("the npm packages of the oracles are not installed; run: make install-test\n%v", err)
	}
	h := startTry(t, filepath.Join(dataDir(t), "data"))
	// The demo's own set is cut from two kinds of sheets and shows how far it is.
	if sets := h.as(t, "thyme").get("/sets").list("sets"); len(sets) != 1 || sets[0].str("name") != "herb bed" || sets[0].num("jobs") != 2 || sets[0].num("sheets") != 3 || sets[0].num("done") != 0 {
		t.Errorf("the demo's sets: %v", sets)
	}
	b := openBrowser(t, h.address)
	look := func(name string) {
		t.Helper()
		for _, size := range [][2]int64{{360, 740}, {1920, 1080}, {1024, 768}} {
			b.do("size", chromedp.EmulateViewport(size[0], size[1]))
			b.eval(string(axe) + "\n;undefined")
			text, err := chromedp.Run(b.ctx, chromedp.Evaluate[string](lookScript, chromedp.EvalAwaitPromise))
			if err != nil {
				t.Fatal(err)
			}
			var l looked
			if err := json.Unmarshal([]byte(text), &l); err != nil {
				t.Fatal(err)
			}
			if len(l.Violations) > 0 || len(l.Foreign) > 0 || l.Wide > 0 || l.Tabindex > 0 || l.Bytes > pageBytes {
				t.Errorf("%s at %d px: %v, asks %v, %d px too wide, %d out of turn, %d bytes", name, size[0], l.Violations, l.Foreign, l.Wide, l.Tabindex, l.Bytes)
			}
		}
		b.keep(name)
	}
	// press goes on by Tab until the focus is on what matches, then presses Enter.
	press := func(selector string) {
		t.Helper()
		for range 120 {
			b.do("Tab", chromedp.KeyEvent(kb.Tab))
			on, err := chromedp.Run(b.ctx, chromedp.Evaluate[bool](`document.activeElement.matches(`+"`"+selector+"`"+`)`))
			if err != nil {
				t.Fatal(err)
			}
			if on {
				b.do("Enter", chromedp.KeyEvent(kb.Enter))
				return
			}
		}
		t.Fatalf("no Tab leads to %s", selector)
	}

	b.signIn("thyme", h.password(t, "thyme"), "/hand-in")
	drawings := []string{}
	for _, name := range []string{"drawer-front.svg", "plant-labels.svg"} {
		path, err := filepath.Abs(filepath.Join("..", "demo", "drawings", name))
		if err != nil {
			t.Fatal(err)
		}
		drawings = append(drawings, path)
	}
	b.do("choose two files", chromedp.SetUploadFiles(chromedp.CSS("#file"), drawings))
	b.types("#set-name", "potting bench")
	press(`#set-name ~ button`)
	b.waits("both drafts", `document.querySelectorAll(".drafts a[href^='/hand-in']").length === 2`, patience)
	b.waitsForText(".drafts", "part of potting bench", patience)
	look("set-drafts")

	press(`.drafts a[href^="/hand-in"]`)
	b.waits("the draft's page", `document.querySelector("input[name=drawing]")`, patience)
	look("set-draft")
	press(`form[action="/hand-in/plan"] > button`)
	b.waits("its plan", `document.querySelector("#copies")`, patience)
	b.types("#title", "front of the bench")
	b.do("leave the field", chromedp.KeyEvent(kb.Tab))
	look("set-planned")
	b.visit("/hand-in")
	b.waitsForText(".drafts", "front of the bench", patience) // what was typed is kept
	press(`.drafts a[href^="/hand-in?plan"]`)
	b.waits("its plan again", `document.querySelector("#title")?.value === "front of the bench"`, patience)
	press(`form[action="/hand-in/submit"] > button`)
	b.waits("the job's page", `location.pathname.startsWith("/jobs/")`, patience)
	press(`a[href^="/sets/"]`)
	b.waitsForText("main", "0 of 1 sheet done, 1 in a queue or at work", patience)
	look("set")
}
