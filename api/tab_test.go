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

	"kerfgate/db"
	"kerfgate/deploy/browsertest"
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

func (b tab) visit(path string) {
	b.t.Helper()
	b.do(chromedp.Navigate(b.address + path))
}

func (b tab) press(keys ...string) {
	b.t.Helper()
	for _, k := range keys {
		b.do(chromedp.KeyEvent(k))
	}
}

// reach goes on by Tab to what the selector finds.
func (b tab) reach(selector string) {
	b.t.Helper()
	for range 60 {
		if b.value(fmt.Sprintf(`String(document.activeElement?.matches(%q) ?? false)`, selector)) == "true" {
			return
		}
		b.press("\t")
	}
	b.t.Fatalf("%s is not reached by Tab on %s", selector, b.value("location.href"))
}

// waits waits until a condition holds on the page that is there by then.
func (b tab) waits(condition string) {
	b.t.Helper()
	for range 200 {
		if b.value("String(!!("+condition+"))") == "true" {
			return
		}
		time.Sleep(50 * time.Millisecond) // nothing tells when the next page is there
	}
	b.t.Fatalf("waited for %s at %s\n%s", condition, b.value("location.pathname"), b.value(`document.body?.innerText ?? ""`))
}

func (b tab) arrives(path string) {
	b.t.Helper()
	b.waits(fmt.Sprintf(`document.readyState === "complete" && location.pathname === %q`, path))
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

// inOrder holds a page to axe-core (WCAG 2.2 AA and below) and to targets of 15 mm, 64 CSS px, in every size.
func (b tab) inOrder(what, targets string) {
	b.t.Helper()
	for _, width := range []int64{360, 1024, 1920} {
		b.do(chromedp.EmulateViewport(width, 768))
		for _, fault := range browsertest.Axe(b.t, b.ctx) {
			b.t.Errorf("%s at %d px: %s", what, width, fault)
		}
		if small := b.value(`[...document.querySelectorAll("` + targets + `")].filter((e) => e.offsetParent && (e.getBoundingClientRect().height < 64 || e.getBoundingClientRect().width < 64)).map((e) => e.innerText + " " + e.getBoundingClientRect().width).join("; ")`); small != "" {
			b.t.Errorf("%s at %d px: targets under 64 px: %s", what, width, small)
		}
		if wide := b.value(`String(document.documentElement.scrollWidth > innerWidth)`); wide != "false" {
			b.t.Errorf("%s is wider than %d px", what, width)
		}
	}
	b.do(chromedp.EmulateViewport(1024, 768))
	b.keep(what)
}
