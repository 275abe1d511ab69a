package system_test

import (
	"path/filepath"
	"testing"

	"kerfgate/db/dbtest"

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
	h := startTry(t, filepath.Join(dbtest.Folder(t), "data"))
	// The demo's own set is cut from two kinds of sheets and shows how far it is.
	if sets := h.as(t, "thyme").get("/sets").list("sets"); len(sets) != 1 || sets[0].str("name") != "herb bed" || sets[0].num("jobs") != 2 || sets[0].num("sheets") != 3 || sets[0].num("done") != 0 {
		t.Errorf("the demo's sets: %v", sets)
	}
	b := openBrowser(t, h.address)
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
	b.inOrder("set-drafts")

	press(`.drafts a[href^="/hand-in"]`)
	b.waits("the draft's page", `document.querySelector("input[name=drawing]")`, patience)
	b.inOrder("set-draft")
	press(`form[action="/hand-in/plan"] > button`)
	b.waits("its plan", `document.querySelector("#copies")`, patience)
	b.types("#title", "front of the bench")
	b.do("leave the field", chromedp.KeyEvent(kb.Tab))
	b.inOrder("set-planned")
	b.visit("/hand-in")
	b.waitsForText(".drafts", "front of the bench", patience) // what was typed is kept
	press(`.drafts a[href^="/hand-in?plan"]`)
	b.waits("its plan again", `document.querySelector("#title")?.value === "front of the bench"`, patience)
	press(`form[action="/hand-in/submit"] > button`)
	b.waits("the job's page", `location.pathname.startsWith("/jobs/")`, patience)
	press(`a[href^="/sets/"]`)
	b.waitsForText("main", "0 of 1 sheet done, 1 in a queue or at work", patience)
	b.inOrder("set")
}
