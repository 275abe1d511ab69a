package api

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"kerfgate/db"
	"kerfgate/deploy/browsertest"
	"kerfgate/plan/machine"
)

// tab is a browser in which somebody is signed in.
type tab struct {
	t       *testing.T
	ctx     context.Context
	address string
}

func (w *workshop) openTab(t *testing.T, who db.Actor) tab {
	t.Helper()
	token, hash := newToken()
	if _, err := w.OpenSession(t.Context(), who.Person, db.SessionBrowser, hash[:], time.Hour); err != nil {
		t.Fatal(err)
	}
	b := tab{t: t, ctx: browsertest.Open(t, 1024, 768), address: w.serve(t)}
	cookie := w.s.sessionCookie(token, time.Now().Add(time.Hour))
	if _, err := chromedp.Call(b.ctx, network.SetCookie, network.SetCookieParams{Name: cookie.Name, Value: cookie.Value, URL: b.address, HTTPOnly: new(true)}); err != nil {
		t.Fatal(err)
	}
	return b
}

func (b tab) do(actions ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, 30*time.Second)
	defer cancel()
	if err := chromedp.Do(ctx, actions...); err != nil {
		b.t.Fatal(err)
	}
}

func (b tab) value(script string) string {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, 30*time.Second)
	defer cancel()
	text, err := chromedp.Run(ctx, chromedp.Evaluate[string](script))
	if err != nil {
		b.t.Fatal(err)
	}
	return text
}

// keep photographs the page in three sizes where KERFGATE_ARTEFACTS names a folder.
func (b tab) keep(name string) {
	b.t.Helper()
	dir := os.Getenv("KERFGATE_ARTEFACTS")
	if dir == "" {
		return
	}
	for _, size := range [][2]int64{{360, 740}, {1024, 768}, {1920, 1080}} {
		b.do(chromedp.EmulateViewport(size[0], size[1]))
		if wide := b.value(`String(document.documentElement.scrollWidth - innerWidth)`); wide != "0" && !strings.HasPrefix(wide, "-") {
			b.t.Errorf("%s at %d px is %s px too wide", name, size[0], wide)
		}
		ctx, cancel := context.WithTimeout(b.ctx, 30*time.Second)
		png, err := chromedp.Run(ctx, chromedp.CaptureScreenshot())
		cancel()
		if err == nil {
			err = os.WriteFile(filepath.Join(dir, fmt.Sprintf("%s-%d.png", name, size[0])), png, 0o600)
		}
		if err != nil {
			b.t.Fatal(err)
		}
	}
	b.do(chromedp.EmulateViewport(1024, 768))
}

// TestCommissioningByKeyboard: somebody with gloves off and no mouse goes through every question with the keys
// alone, and each target on the way is large.
func TestCommissioningByKeyboard(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("drives a real browser")
	}
	w := newWorkshop(t)
	b := w.openTab(t, w.Officer)
	path := commissioningPath(w.Machine.ID)
	b.do(chromedp.Navigate(b.address + path))
	b.keep("commissioning-begin")
	press := func(keys ...string) {
		t.Helper()
		for _, k := range keys {
			b.do(chromedp.KeyEvent(k))
		}
	}
	// reach tabs on to what the selector finds.
	reach := func(selector string) {
		t.Helper()
		for range 60 {
			if b.value(fmt.Sprintf(`String(document.activeElement?.matches(%q) ?? false)`, selector)) == "true" {
				return
			}
			press("\t")
		}
		t.Fatalf("%s is not reached by Tab on %s", selector, b.value("location.href"))
	}
	arrive := func(next string) {
		t.Helper()
		for range 100 {
			if b.value(`document.readyState + location.pathname`) == "complete"+next {
				return
			}
			time.Sleep(50 * time.Millisecond) // nothing tells when the next page is there
		}
		t.Fatalf("at %s, want %s\n%s", b.value("location.pathname"), next, b.value("document.body.innerText"))
	}
	reach("main form button")
	press("\r")
	questions := machine.Questions(machine.ToolBeam)
	for i, q := range questions {
		arrive(askPath(w.Machine.ID, q.Key))
		if small := b.value(`JSON.stringify([...document.querySelectorAll(".choice, .tries input, .go-on button")].filter((e) => e.getBoundingClientRect().height < 64).map((e) => e.outerHTML))`); small != "[]" {
			t.Errorf("%s: targets under 64 px: %s", q.Key, small)
		}
		if q.Tries > 0 {
			for n, number := range strings.Fields(measured[q.Key]) {
				reach(fmt.Sprintf(`.tries label:nth-child(%d) input`, n+1))
				press(strings.Split(number, "")...)
			}
		} else {
			reach(`input[name=words]`)
			press(" ")
			for b.value(`document.querySelector("input[name=words]:checked").value`) != measured[q.Key] {
				press(kb.ArrowDown)
			}
		}
		if i == 0 || q.Key == machine.AskMeans {
			b.keep("commissioning-" + q.Key)
		}
		reach(`input[name=way]`)
		press(" ")
		reach(`.go-on button.main`)
		press("\r")
	}
	arrive(path)
	b.keep("commissioning-publish")
	reach(`form[action$="/publish"] button`)
	press("\r")
	for range 100 {
		if strings.Contains(b.value(`document.body?.innerText ?? ""`), "published by Officer of the garden") {
			break
		}
		time.Sleep(50 * time.Millisecond)
	}
	b.keep("commissioning-after")
	m, err := w.Store.Machine(t.Context(), w.Machine.ID)
	if err != nil || m.Profile.CutOff.CablePulledMS != 310 || m.Profile.CutOff.Means != machine.MeansTimer {
		t.Errorf("in force %+v, %v", m.Profile.CutOff, err)
	}
}
