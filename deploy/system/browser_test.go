package system_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"kerfgate/db/dbtest"
	"kerfgate/deploy/browsertest"
)

// browser is one tab of a real Chromium, used as a person would.
type browser struct {
	t       *testing.T
	ctx     context.Context
	address string
	effort  browsertest.Effort
}

// patience is how long a page may take to show what a person waits for.
const patience = 30 * time.Second

func openBrowser(t *testing.T, address string, flags ...chromedp.ExecAllocatorOption) *browser {
	t.Helper()
	ctx := browsertest.Open(t, 1024, 768, append(flags, chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true),
		chromedp.Flag("disable-background-networking", true), chromedp.Flag("disable-sync", true))...)
	b := &browser{t: t, ctx: ctx, address: address}
	if err := chromedp.Listen(ctx, func(ev any) {
		if e, ok := ev.(*runtime.EventExceptionThrown); ok {
			t.Errorf("script error on a page: %s %v", e.ExceptionDetails.Text, e.ExceptionDetails.Exception)
		}
	}); err != nil {
		t.Fatal(err)
	}
	return b
}

func (b *browser) do(what string, actions ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, patience)
	defer cancel()
	if err := chromedp.Do(ctx, actions...); err != nil {
		b.keep("failed")
		b.t.Fatalf("%s: %v\n%s", what, err, b.text("body"))
	}
}

func (b *browser) visit(path string) {
	b.t.Helper()
	b.do("visit "+path, chromedp.Navigate(b.address+path), chromedp.WaitVisible(chromedp.CSS("body")))
}

func (b *browser) click(selector string) {
	b.t.Helper()
	b.do("click "+selector, chromedp.Click(chromedp.CSS(selector)))
}

func (b *browser) types(selector, text string) {
	b.t.Helper()
	b.eval(fmt.Sprintf(`document.querySelector(%q).value = ""`, selector))
	b.do("type into "+selector, chromedp.SendKeys(chromedp.CSS(selector), text))
}

// holds says whether a JavaScript condition comes to hold, over page loads too.
func (b *browser) holds(condition string, limit time.Duration) bool {
	deadline := time.Now().Add(limit)
	for {
		ctx, cancel := context.WithTimeout(b.ctx, 5*time.Second)
		holds, err := chromedp.Run(ctx, chromedp.Evaluate[bool]("!!("+condition+")"))
		cancel()
		if err == nil && holds {
			return true
		}
		if time.Now().After(deadline) {
			return false
		}
		// A page that is being left answers with an error; nothing tells when the next one is there.
		time.Sleep(100 * time.Millisecond)
	}
}

func (b *browser) waits(what, condition string, limit time.Duration) {
	b.t.Helper()
	if !b.holds(condition, limit) {
		b.keep("failed")
		b.t.Fatalf("waited %s for %s\n%s", limit, what, b.text("body"))
	}
}

func (b *browser) waitsForText(selector, text string, limit time.Duration) {
	b.t.Helper()
	b.waits(fmt.Sprintf("%q in %s", text, selector),
		fmt.Sprintf(`(document.querySelector(%q)?.innerText || "").toLowerCase().includes(%q)`, selector, strings.ToLower(text)), limit)
}

func (b *browser) text(selector string) string {
	text, err := chromedp.Run(b.ctx, chromedp.Evaluate[string](fmt.Sprintf(`document.querySelector(%q)?.innerText || ""`, selector)))
	if err != nil {
		return err.Error()
	}
	return text
}

func (b *browser) eval(script string) {
	b.t.Helper()
	if _, err := chromedp.Run(b.ctx, chromedp.Evaluate[chromedp.Void](script)); err != nil {
		b.t.Fatalf("%s: %v", script, err)
	}
}

// choose picks the option of a select whose text contains the words.
func (b *browser) choose(selector, words string) {
	b.t.Helper()
	ok, err := chromedp.Run(b.ctx, chromedp.Evaluate[bool](fmt.Sprintf(`(() => {
		const s = document.querySelector(%q);
		const o = s && [...s.options].find((o) => o.text.includes(%q));
		if (!o) return false;
		s.value = o.value; s.dispatchEvent(new Event("change", {bubbles: true})); return true;
	})()`, selector, words)))
	if err != nil || !ok {
		b.t.Fatalf("no option %q in %s (%v)", words, selector, err)
	}
}

// keep takes screenshots of the page in the three sizes that people use.
func (b *browser) keep(name string) {
	dir := os.Getenv("KERFGATE_ARTEFACTS")
	if dir == "" {
		return
	}
	for _, size := range []struct {
		name          string
		width, height int64
	}{{"phone", 360, 800}, {"wall", 1920, 1080}, {"tablet", 1024, 768}} {
		if err := chromedp.Do(b.ctx, chromedp.EmulateViewport(size.width, size.height)); err != nil {
			b.t.Error(err)
			return
		}
		png, err := chromedp.Run(b.ctx, chromedp.CaptureScreenshot())
		if err == nil {
			err = os.WriteFile(filepath.Join(dir, name+"-"+size.name+".png"), png, 0o644)
		}
		if err != nil {
			b.t.Error(err)
		}
	}
}

func (b *browser) signIn(name, password, next string) {
	b.t.Helper()
	b.visit("/sign-in?next=" + next)
	b.types("#sign-in-name", name)
	b.types("#password", password)
	b.click("main button.main")
	b.waits("being signed in", `location.pathname !== "/sign-in" && document.readyState === "complete"`, patience)
}

// drawerFront takes long enough on the simulated cutter for a person to tap and to stop: about two
// and a half minutes of machine time.
const drawerFront = `<svg xmlns="http://www.w3.org/2000/svg" width="280mm" height="180mm" viewBox="0 0 280 180">
<g id="outline" fill="none" stroke="#2a2a7a"><rect x="1" y="1" width="278" height="178" rx="6"/>
<rect x="30" y="25" width="220" height="130" rx="10"/><rect x="50" y="45" width="180" height="90"/></g>
<g id="grooves" fill="none" stroke="#7a2a2a"><path d="M10 15H270M10 165H270"/></g></svg>`

// The story once more as people see it: a member hands in; an operator places, answers, signs,
// stops one run and finishes another; an officer reads the logbook and checks it.
func TestStoryInBrowser(t *testing.T) {
	t.Parallel()
	h := startTry(t, filepath.Join(dbtest.Folder(t), "data"))
	b := openBrowser(t, h.address)

	b.signIn("thyme", h.password(t, "thyme"), "/hand-in")
	svg := filepath.Join(t.TempDir(), "drawer-front.svg")
	if err := os.WriteFile(svg, []byte(drawerFront), 0o600); err != nil {
		t.Fatal(err)
	}
	b.do("choose the file", chromedp.SetUploadFiles(chromedp.CSS("#file"), []string{svg}))
	b.choose("#tool", "Bay 1")
	b.choose("#stock", "P118")
	b.click("form button.main")
	b.waitsForText("main", "What comes out", patience)
	b.click("#operation-B-mark")
	b.waits("the new plan", `/\bmark\b/.test(document.querySelector('[aria-labelledby="comes-out"]').innerText)`, patience)
	b.keep("hand-in")
	b.types("#title", "drawer front for the seeds")
	b.eval(`document.querySelector("#copies").value = "2"`)
	b.click("form.submit button.main")
	b.waitsForText("main", "drawer front for the seeds", patience)
	b.keep("job")
	b.visit("/")
	b.waitsForText("main", "drawer front for the seeds", patience)
	b.keep("board")

	rowan := h.as(t, "rowan")
	cutter := at(rowan.get("/machines").list("machines"), "bay", "Bay 1")
	// The demo's own two runs come before this one: withdraw them so that the lane is short.
	thyme := h.as(t, "thyme")
	for _, j := range thyme.get("/jobs").list("jobs") {
		if j.str("title") == "bed sign" {
			thyme.post("/jobs/"+j.str("id")+"/withdraw", nil)
		}
	}
	b.signIn("rowan", h.password(t, "rowan"), "/station/"+cutter.str("id"))
	for _, end := range []string{"stopped", "completed"} {
		b.runAtStation(end, time.Now().Format("2006-01"))
	}
	b.visit("/")
	b.waitsForText("main", "fire watch", patience)

	b.signIn("juniper", h.password(t, "juniper"), "/logbook")
	b.waitsForText("main", "inspect", patience)
	b.keep("logbook")
}

// runAtStation takes the next run through its whole life at the station page.
func (b *browser) runAtStation(end, month string) {
	b.t.Helper()
	b.waits("the checklist to be opened", `[...document.querySelectorAll("button")].some((x) => x.innerText.includes("Open the checklist"))`, patience)
	b.keep("station-next")
	b.clickWords("Open the checklist")
	b.waits("the gate", `!!document.querySelector("#place")`, patience)
	b.clickWords("The supply is off")
	b.waitsForText("#placing", "said to be off", patience)
	b.clickWords("Home")
	b.waitsForText("#position", "carriage at", patience)
	b.types("#origin-x", "20")
	b.types("#origin-y", "20")
	b.clickWords("Set origin\n")
	b.waitsForText("#place summary", "homed", patience)
	b.types("#focus", "11.2") // 3.05 mm as the caliper says, and a gauge of 8 mm
	b.clickWords("Set focus")
	b.waitsForText("#place summary", "focus 11.2", patience)
	b.keep("station-placed")
	if end == "completed" {
		b.waits("the standing answer to be shown as such", `document.querySelector("#bar-eyewear").textContent.includes("10600 D LB6 stands")`, patience)
	}
	b.effort = browsertest.Effort{}
	b.answerItem("eyewear", map[string]string{"marking": "10600 D LB6"}, nil)
	b.answerItem("extinguisher", map[string]string{"inspected": month}, map[string]string{"agent": "CO₂", "gauge": "no gauge, seal and weight tag intact"})
	b.answerItem("ventilation", map[string]string{"reading": "118"}, nil)
	b.answerItem("bed", nil, map[string]string{"assist": "on"})
	b.answerItem("material", map[string]string{"lot": "P118", "thickness": "3.05"}, nil)
	b.keep("station-supply")
	b.answerItem("supply", nil, nil)
	b.effort.Reads(b.text(".sign-here"))
	b.effort.Taps++
	b.keep("station-signable")
	b.t.Logf("%s run: %v", end, b.effort)
	limit := 4 * time.Minute
	if end == "completed" { // the second, on the same stock
		limit = time.Minute
	}
	if took := b.effort.Time(); took > limit || b.effort.Answers < 4 || b.effort.Answers > 6 {
		b.t.Errorf("the checklist of the %s run: %v; wanted 4 to 6 answers in %s", end, b.effort, limit)
	}
	// All bars are up and something may still say no, as a worker that has not prepared: the button tells.
	b.waits("nothing to say no", `document.querySelector("form[data-sign] button").getAttribute("aria-disabled") !== "true"`, patience)
	b.click("form[data-sign] button")
	b.waitsForText("#go-head", "running", time.Minute)
	b.waits("time left", `/left/.test(document.querySelector(".huge")?.parentElement?.innerText || "")`, patience)
	b.keep("station-running-" + end)
	b.eval(`document.querySelector("#attend").dispatchEvent(new PointerEvent("pointerdown", {bubbles: true}))`)
	b.waitsForText(".attend", "heard", patience)
	if end == "stopped" {
		b.eval(`document.querySelector("#stop").dispatchEvent(new PointerEvent("pointerdown", {bubbles: true}))`)
		b.waitsForText("#stopped", "off sent", 5*time.Second)
		b.keep("station-stopped")
	}
	b.waitsForText("#go-head", "inspect: "+end, 3*time.Minute)
	b.keep("station-inspect-" + end)
	for _, s := range []string{`input[name="flame_or_glow"][value="no"]`, `input[name="supply_off"][value="yes"]`, `input[name="sheet"][value="kept"]`} {
		b.eval(fmt.Sprintf(`document.querySelector(%q).click()`, s))
	}
	b.clickWords("Record the inspection")
	b.waits("the run to be closed", `!document.querySelector("form.inspect")`, patience)
}

// shows says whether an element can be seen.
func (b *browser) shows(selector string) bool {
	b.t.Helper()
	shown, err := chromedp.Run(b.ctx, chromedp.Evaluate[bool](fmt.Sprintf(`!!document.querySelector(%q)?.checkVisibility({contentVisibilityAuto: true})`, selector)))
	if err != nil {
		b.t.Fatal(err)
	}
	return shown
}

// clickWords clicks the one visible button that begins with the words; a line end asks for exactly
// these words.
func (b *browser) clickWords(words string) {
	b.t.Helper()
	exact := strings.HasSuffix(words, "\n")
	words = strings.TrimSpace(words)
	ok, err := chromedp.Run(b.ctx, chromedp.Evaluate[bool](fmt.Sprintf(`(() => {
		const fits = (x) => %v ? x.innerText.trim() === %q : x.innerText.trim().startsWith(%q);
		const x = [...document.querySelectorAll("button")].find((x) => fits(x) && x.checkVisibility());
		if (!x) return false;
		x.click(); return true;
	})()`, exact, words, words)))
	if err != nil || !ok {
		b.keep("failed")
		b.t.Fatalf("no button %q (%v)\n%s", words, err, b.text("body"))
	}
}

// answerItem opens an item's bar, gives its values and presses yes or answer. The page may still be
// taking in the answer before this one, as it may under a quick pair of hands; whoever sees the
// field empty types again.
func (b *browser) answerItem(key string, typed, chosen map[string]string) {
	b.t.Helper()
	bar := "#bar-" + key
	up := fmt.Sprintf(`document.querySelector(%q)?.closest(".bar")?.classList.contains("up")`, bar)
	if b.holds(up, 0) { // it stands whole from this operator's earlier run
		b.effort.Reads(b.text(bar + " summary"))
		return
	}
	b.eval(fmt.Sprintf(`document.querySelector(%q).open = true`, bar))
	b.effort.Reads(b.text(bar))
	b.effort.Answers++
	b.effort.Taps++
	for field, value := range typed {
		if b.shows(fmt.Sprintf(`%s input[name=%q]`, bar, field)) {
			b.effort.Taps++
			b.effort.Typed += len([]rune(value))
		}
	}
	for field, value := range chosen {
		if b.shows(fmt.Sprintf(`%s input[name=%q][value=%q] + span`, bar, field, value)) {
			b.effort.Taps++
		}
	}
	for range 5 {
		b.eval(fmt.Sprintf(`document.querySelector(%q).open = true`, bar))
		for field, value := range typed {
			input := fmt.Sprintf(`%s input[name=%q]`, bar, field)
			if !b.shows(input) {
				continue // it stands from this operator's earlier run
			}
			if field == "inspected" {
				b.eval(fmt.Sprintf(`(() => { const i = document.querySelector(%q); i.value = %q; i.dispatchEvent(new Event("input", {bubbles: true})); })()`, input, value))
				continue
			}
			b.types(input, value)
		}
		for field, value := range chosen {
			if input := fmt.Sprintf(`%s input[name=%q][value=%q]`, bar, field, value); b.shows(input + " + span") {
				b.eval(fmt.Sprintf(`document.querySelector(%q).click()`, input))
			}
		}
		b.eval(fmt.Sprintf(`(() => { const bar = document.querySelector(%q);
			(bar.querySelector('button[value="yes"]') || bar.querySelector("button.give")).click(); })()`, bar))
		if b.holds(up, 6*time.Second) {
			return
		}
	}
	b.waits("the bar "+key+" to go up", up, time.Second)
}
