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
