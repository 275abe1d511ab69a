package system_test

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"kerfgate/db"
)

// TestStoriesByKeyboard goes through the main stories with no hand on mouse or screen: sign in, hand in,
// call the next, take a run ahead, place its sheet, answer its checklist, sign, attend, hand the run over to
// another operator, stop it, inspect, report an incident.
func TestStoriesByKeyboard(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("needs a browser, and waits in real time")
	}
	s := newSite(t)
	profile := s.machine.Profile
	profile.Driver.MotionScale = 1 // long enough for two people
	if _, err := s.store.PublishProfile(t.Context(), db.System, s.machine.ID, profile); err != nil {
		t.Fatal(err)
	}
	passwords, people := map[string]string{}, map[string]db.Person{}
	for _, p := range s.signIns {
		passwords[p.Name] = p.Password
		person, _, err := s.store.PersonBySignIn(t.Context(), p.Name)
		if err != nil {
			t.Fatal(err)
		}
		people[p.Name] = person
	}
	admin := db.Actor{Person: people["sage"].ID, Role: people["sage"].Role}
	if _, err := s.store.Authorise(t.Context(), admin, db.NewAuthorisation{Person: people["juniper"].ID, Machine: s.machine.ID,
		Until: time.Now().Add(24 * time.Hour), Evidence: "supervised run"}); err != nil {
		t.Fatal(err)
	}
	station, queue := "/station/"+s.machine.ID.String(), "/machines/"+s.machine.ID.String()+"/queue"
	k := keys{openBrowser(t, s.address())}

	k.signIn("thyme", passwords["thyme"], "/hand-in")
	svg := filepath.Join(t.TempDir(), "drawer-front.svg")
	if err := os.WriteFile(svg, []byte(drawerFront), 0o600); err != nil {
		t.Fatal(err)
	}
	k.reach("#file") // the browser's own window for files, which Enter opens here, is not the page's
	k.do("choose the file", chromedp.SetUploadFiles(chromedp.CSS("#file"), []string{svg}))
	k.selects("#tool", "Bay 1")
	k.selects("#stock", "P118")
	k.enter("form button.main")
	k.waitsForText("main", "What comes out", patience)
	k.picks("operation_B", "mark")
	k.waits("the new plan", `/\bmark\b/.test(document.querySelector('[aria-labelledby="comes-out"]').innerText)`, patience)
	k.writes("#title", "front by keys")
	k.enter("form.submit button.main")
	k.waits("the job's page", `location.pathname.startsWith("/jobs/")`, patience)
	k.signOut()

	k.signIn("rowan", passwords["rowan"], queue)
	k.enter(`form[action$="/queue/call"] button`)
	k.waitsForText("main", "called", patience)
	front := `[...document.querySelectorAll(".place")].find((p) => p.innerText.includes("front by keys"))`
	k.waits("the run behind others", front+` && !`+front+`.classList.contains("next")`, patience)
	// The list is drawn anew whenever something happens: the field's own name stays.
	number, err := chromedp.Run(k.ctx, chromedp.Evaluate[string](front+`.innerText.match(/run (\d+)/)[1]`))
	if err != nil {
		t.Fatal(err)
	}
	reason := "#reason-" + number
	k.enter(`details:has(` + reason + `) summary`)
	k.writes(reason, "the drawer stands open")
	k.enter(`form:has(` + reason + `) button`)
	k.waits("the run to be next", `document.querySelector(".place").innerText.includes("front by keys")`, patience)

	k.visit(station)
	k.waits("its turn", `document.querySelector(".bay .what").innerText.includes("front by keys") && !!document.querySelector('form[data-send$="/checklist"] button')`, patience)
	k.enter(`form[data-send$="/checklist"] button`)
	k.waits("the gate", `!!document.querySelector("#place")`, patience)
	k.unfolds("#place")
	k.enter(`#placing form[data-set*="supply_off"] button`)
	k.waitsForText("#placing", "said to be off", patience)
	if k.holds(`document.querySelector('#placing form[data-set*=\'"tool":"beam"\'] button')`, 0) {
		k.enter(`#placing form[data-set*='"tool":"beam"'] button`)
	}
	k.enter(`#placing form[data-kind="home"] button`)
	k.waitsForText("#position", "carriage at", patience)
	k.unfolds("#place")
	k.writes("#origin-x", "20")
	k.writes("#origin-y", "20")
	k.enter(`form.typed:has(#origin-x) button`)
	k.waitsForText("#place summary", "homed", patience)
	k.unfolds("#place")
	k.writes("#focus", "11")
	k.enter(`form.typed:has(#focus) button`)
	k.waitsForText("#place summary", "focus 11 mm", patience)
	k.answers("eyewear", map[string]string{"marking": "10600 D LB6"}, nil)
	k.answers("extinguisher", map[string]string{"inspected": time.Now().Format("January") + kb.ArrowRight + time.Now().Format("2006")}, map[string]string{"agent": "CO₂", "gauge": "no gauge, seal and weight tag intact"})
	k.answers("ventilation", map[string]string{"reading": "118"}, nil)
	k.answers("bed", nil, map[string]string{"assist": "on"})
	k.answers("material", map[string]string{"lot": "P118", "thickness": "3.05"}, nil)
	k.answers("supply", nil, nil)
	k.enter("form[data-sign] button")
	k.waitsForText("#go-head", "running", time.Minute)

	k.enter("#attend")
	k.waitsForText(".attend", "heard", patience)
	k.signOut()
	k.signIn("juniper", passwords["juniper"], station) // the same page keeps the token that counts
	k.waits("the hand-over to be offered", `!!document.querySelector("form[data-hand-over] button")`, patience)
	k.enter("form[data-hand-over] button")
	k.waitsForText("#said", "yours", patience)
	k.waits("the button that was pressed to be gone, and no other to have its words", `!document.querySelector("form[data-hand-over]") && document.querySelector('form[data-send$="/pause"] button').innerText.startsWith("Pause")`, patience)
	k.press("j") // any key that does nothing else answers
	k.waitsForText(".attend", "heard", patience)

	k.enter("#stop")
	k.waitsForText("#stopped", "off sent", patience)
	k.waitsForText("#go-head", "inspect: stopped", 3*time.Minute)
	k.picks("flame_or_glow", "no")
	k.picks("supply_off", "yes")
	k.picks("sheet", "kept")
	k.enter("form.inspect button.main")
	k.waits("the run to be closed", `!document.querySelector("form.inspect")`, patience)

	k.enter(`footer a[href="/incidents/new"]`)
	k.waits("the report's page", `location.pathname === "/incidents/new" && !!document.querySelector("#what")`, patience)
	k.picks("kind", "near miss")
	k.writes("#what", "The lid stood open when the fan stopped.")
	k.picks("severity", "none")
	k.picks("potential", "first aid")
	k.enter("form.stack button.main")
	k.waitsForText("main", "It is reported", patience)
}

// keys is a browser that nobody touches but by its keys.
type keys struct{ *browser }

func (k keys) press(keys ...string) {
	k.t.Helper()
	for _, key := range keys {
		k.do("press a key", chromedp.KeyEvent(key))
	}
}

// reach goes on by Tab to what the selector finds.
func (k keys) reach(selector string) {
	k.t.Helper()
	for range 200 {
		on, err := chromedp.Run(k.ctx, chromedp.Evaluate[bool](fmt.Sprintf(`!!document.activeElement?.matches(%q)`, selector)))
		if err != nil {
			k.t.Fatal(err)
		}
		if on {
			return
		}
		k.press(kb.Tab)
	}
	k.keep("failed")
	k.t.Fatalf("no Tab leads to %s\n%s", selector, k.text("body"))
}

func (k keys) enter(selector string) {
	k.t.Helper()
	k.reach(selector)
	k.press(kb.Enter)
}

// writes goes to a field, which selects what stands there, and types.
func (k keys) writes(selector, text string) {
	k.t.Helper()
	k.reach(selector)
	k.press(text)
}

// selects goes through a select's options from the top until one has the words.
func (k keys) selects(selector, words string) {
	k.t.Helper()
	k.reach(selector)
	k.press(kb.Home)
	for range 40 {
		if k.holds(fmt.Sprintf(`document.querySelector(%q).selectedOptions[0].text.includes(%q)`, selector, words), 0) {
			return
		}
		k.press(kb.ArrowDown)
	}
	k.t.Fatalf("no option %q in %s", words, selector)
}

// picks goes to a group of radio buttons and along it to a value.
func (k keys) picks(name, value string) {
	k.t.Helper()
	k.reach(fmt.Sprintf(`input[name=%q]`, name))
	for range 20 {
		if k.holds(fmt.Sprintf(`document.activeElement.value === %q`, value), 0) {
			k.press(" ")
			return
		}
		k.press(kb.ArrowDown)
	}
	k.t.Fatalf("no choice %q of %s", value, name)
}

func (k keys) unfolds(details string) {
	k.t.Helper()
	k.reach(details + " > summary")
	if !k.holds(fmt.Sprintf(`document.querySelector(%q).open`, details), 0) {
		k.press(kb.Enter)
	}
}

// answers opens an item's bar and gives its values.
func (k keys) answers(item string, typed, chosen map[string]string) {
	k.t.Helper()
	bar := "#bar-" + item
	k.unfolds(bar)
	for field, value := range chosen {
		k.picks(field, value)
	}
	for field, value := range typed {
		k.writes(fmt.Sprintf(`%s input[name=%q]`, bar, field), value)
	}
	k.enter(bar + ` button[value="yes"], ` + bar + " button.give")
	k.waits("the bar "+item+" to go up", fmt.Sprintf(`document.querySelector(%q)?.closest(".bar")?.classList.contains("up")`, bar), patience)
	k.waits("the keys to stand at what comes next", `document.activeElement.matches(".bar.down summary, form[data-sign] button")`, patience)
}

func (k keys) signIn(name, password, next string) {
	k.t.Helper()
	k.visit("/sign-in?next=" + next)
	k.writes("#sign-in-name", name)
	k.writes("#password", password)
	k.press(kb.Enter)
	k.waits("being signed in", `location.pathname !== "/sign-in" && document.readyState === "complete"`, patience)
}

func (k keys) signOut() {
	k.t.Helper()
	k.enter(`form[action="/sign-out"] button`)
	k.waits("being signed out", `!document.querySelector('form[action="/sign-out"]') && document.readyState === "complete"`, patience)
}
