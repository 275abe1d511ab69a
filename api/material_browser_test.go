package api

import (
	"strings"
	"testing"

	"github.com/chromedp/chromedp/kb"

	"kerfgate/plan/material"
)

// TestMaterialsByKeyboard: the officer finds a kind in the list, puts a lot on the shelf and forbids the
// kind for a reason, by the keys alone; both pages hold to WCAG 2.2 AA in three sizes with everything open.
func TestMaterialsByKeyboard(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("drives a real browser")
	}
	w := newWorkshop(t)
	if err := w.TakeMaterialList(t.Context()); err != nil {
		t.Fatal(err)
	}
	b := w.openTab(t, w.Officer)
	b.visit("/materials")
	b.inOrder("materials", "none")
	b.reach("#find")
	b.press("wool felt")
	b.press("\r")
	b.waits(`location.search.includes("wool")`)
	b.reach(".materials tbody a")
	b.press("\r")
	b.waits(`location.pathname.startsWith("/materials/")`)
	at := b.value("location.pathname")
	b.reach("details:has([action$=lots]) summary")
	b.press("\r")
	for _, field := range [][2]string{{"#lot", "F-9"}, {"#colour", "moss"}, {"#thickness", "3"}, {"#tolerance", "0.4"}, {"#width", "300"}, {"#height", "300"}, {"#count", "7"}} {
		b.reach(field[0])
		b.press(field[1])
	}
	b.press("\r")
	b.waits(`document.body?.innerText.includes("7 free")`)
	b.reach("details:has(#why) summary")
	b.press("\r")
	b.reach(`[name=verdict][value="with care"]`)
	b.press(kb.ArrowDown) // to forbidden
	b.reach("#why")
	b.press("the dealer sold it as wool; it melts")
	b.press("\r")
	b.waits(`document.body?.innerText.includes("No beam may touch it")`)
	id := strings.TrimPrefix(at, "/materials/")
	all, err := w.Materials(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range all {
		if m.ID.String() == id && (m.Verdict != material.Forbidden || len(m.Stock) != 1 || m.Stock[0].Count != 7) {
			t.Errorf("%+v", m)
		}
	}
	b.value(`for (const d of document.querySelectorAll("details")) d.open = true; ""`)
	b.inOrder("material", "none")
}
