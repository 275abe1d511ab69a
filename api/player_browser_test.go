package api

import (
	"context"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"kerfgate/db"
	"kerfgate/db/dbtest"
)

// TestPlayerByKeyboard: a plan is stepped through with the keys alone, under the server's own content
// security policy; where somebody asks for reduced motion, playing goes from step to step. A choice that
// changes makes picture and numbers anew.
func TestPlayerByKeyboard(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("drives a real browser")
	}
	w := newWorkshop(t)
	d, err := w.ReceiveDrawing(t.Context(), w.Member, "x.svg", []byte(dbtest.Square))
	if err != nil {
		t.Fatal(err)
	}
	row, err := w.MakePlan(t.Context(), w.Member, db.PlanChoice{Drawing: d.ID, Machine: w.Machine.ID, Tool: "beam", Stock: w.Stock.ID, Default: "cut"})
	if err != nil {
		t.Fatal(err)
	}
	b := w.openTab(t, w.Member)
	b.do(chromedp.Navigate(b.address + "/hand-in?plan=" + row.Digest.String()))
	until := func(script, what string) {
		t.Helper()
		ctx, cancel := context.WithTimeout(b.ctx, 20*time.Second)
		defer cancel()
		for b.value("String("+script+")") != "true" {
			select {
			case <-ctx.Done():
				t.Fatalf("%s never came: %s", what, b.value(`document.querySelector(".player [data-part=said]").textContent`))
			case <-time.After(20 * time.Millisecond):
			}
		}
	}
	said := func(words string) {
		t.Helper()
		until(`document.querySelector(".player [data-part=said]").textContent.includes("`+words+`")`, words)
	}
	until(`!document.querySelector(".player-controls").hidden`, "the controls")
	b.keep("player-begin")
	b.do(chromedp.Focus(".strip-picture"), chromedp.KeyEvent(kb.ArrowRight))
	said("step 2 of 2")
	said("1 loose")
	if got := b.value(`document.querySelector(".sheet-picture .carriage").getAttribute("visibility")`); got != "visible" {
		t.Errorf("the carriage is %s", got)
	}
	if got := b.value(`String(document.querySelectorAll(".strip-step.out").length)`); got != "1" {
		t.Errorf("%s pieces of the strip are out", got)
	}
	if got := b.value(`document.querySelector(".done-so-far path").getAttribute("d").slice(0, 1)`); got != "M" {
		t.Errorf("what was done so far begins with %q", got)
	}
	b.keep("player-step")
	b.do(chromedp.KeyEvent(kb.ArrowLeft))
	said("step 1 of 2")
	// Playing with reduced motion: it ends by itself, step by step.
	if _, err := chromedp.Call(b.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
		Features: []*emulation.MediaFeature{{Name: "prefers-reduced-motion", Value: "reduce"}}}); err != nil {
		t.Fatal(err)
	}
	b.do(chromedp.Focus(`.player [data-part=play]`), chromedp.KeyEvent("\r"))
	said("done")
	// Tabs: the page answers with another plan, and what was chosen stands open.
	before := b.value(`document.querySelector("input[name=plan]").value`)
	b.do(chromedp.Evaluate[chromedp.Void](`for (const d of document.querySelectorAll("details.more, details.set")) d.open = true`))
	b.keep("hand-in-choices")
	b.do(chromedp.Focus("#tabs"), chromedp.KeyEvent("2\t"))
	until(`document.querySelector("input[name=plan]").value !== "`+before+`"`, "another plan")
	if got := b.value(`document.querySelector("#tabs").value`); got != "2" {
		t.Errorf("the tabs are %q", got)
	}
	until(`!document.querySelector(".player-controls").hidden`, "the controls of the new plan")
	if got := b.value(`document.querySelector("#tabs").closest("details.set").open + " " + document.querySelector("#seed").closest("details.set").open`); got != "true false" {
		t.Errorf("what stands open: %s", got)
	}
	if strings.Contains(b.value(`document.documentElement.outerHTML`), " style=") {
		t.Error("a style attribute is in the page")
	}
}
