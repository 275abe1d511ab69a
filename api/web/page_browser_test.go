package web

import (
	"bytes"
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"kerfgate/deploy/browsertest"
)

// TestEverySampleByKeyboardAndThroughLenses: each page, and the station in each of its states, in a real
// browser: by Tab alone; readable bare and through both lens filters, in the light and in the dark theme; no
// wider than a phone, and no word broken or cut off there.
func TestEverySampleByKeyboardAndThroughLenses(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("needs a browser")
	}
	pages := samplePages()
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		path := r.URL.Path
		switch {
		case strings.HasPrefix(path, StaticPrefix):
			StaticHandler().ServeHTTP(w, r)
		case path == "/api/v1/events":
			w.Header().Set("Content-Type", "text/event-stream")
			if err := http.NewResponseController(w).Flush(); err == nil {
				<-r.Context().Done()
			}
		case strings.HasPrefix(path, "/sample/"):
			for _, p := range pages {
				if p.name == strings.TrimPrefix(path, "/sample/") {
					var html bytes.Buffer
					if err := p.render(&html); err != nil {
						t.Error(err)
					}
					w.Header().Set("Content-Security-Policy", "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'")
					_, _ = w.Write(html.Bytes())
				}
			}
		default:
			w.WriteHeader(http.StatusServiceUnavailable)
		}
	}))
	t.Cleanup(func() { server.CloseClientConnections(); server.Close() })
	ctx := browsertest.Open(t, 1024, 768)
	visit := func(t *testing.T, name string) {
		t.Helper()
		if err := chromedp.Do(ctx, chromedp.Navigate(server.URL+"/sample/"+name)); err != nil {
			t.Fatal(err)
		}
	}
	for _, p := range pages {
		t.Run(p.name, func(t *testing.T) {
			visit(t, p.name)
			keepSample(t, ctx, p.name)
			for _, f := range append(browsertest.Lens(t, ctx), browsertest.Keyboard(t, ctx)...) {
				t.Error(f)
			}
			if !strings.HasPrefix(p.name, "station-") {
				return
			}
			// A phone is a station too, and Stop run takes more of it.
			visit(t, p.name)
			if err := chromedp.Do(ctx, chromedp.EmulateViewport(360, 740)); err != nil {
				t.Fatal(err)
			}
			for _, f := range browsertest.Keyboard(t, ctx) {
				t.Errorf("at 360 px: %s", f)
			}
		})
	}

	// The checks can fail.
	visit(t, "station-running")
	if err := chromedp.Do(ctx, chromedp.Evaluate[chromedp.Void](`(() => {
		const sheet = new CSSStyleSheet();
		sheet.replaceSync("#attend { outline: none !important } .pause { position: relative; z-index: -1; min-height: 30px !important } #go-head { color: #aaa } .huge { color: #c00 } .wear .sign path { fill: #0b4f9e }");
		document.adoptedStyleSheets.push(sheet);
		const b = document.createElement("button"); b.tabIndex = -1; b.textContent = "left out"; document.querySelector("main").prepend(b);
		const d = document.createElement("div"); d.textContent = "no button"; d.id = "fake"; document.querySelector("main").prepend(d);
		sheet.insertRule("#fake { cursor: pointer }");
		const c = document.createElement("p"); c.id = "cut"; c.textContent = "extinguisher"; document.querySelector("main").prepend(c);
		const e = document.createElement("p"); e.id = "edge"; e.textContent = "an extinguisher in reach"; document.querySelector("main").prepend(e);
		sheet.insertRule("#cut { width: 3em; overflow-wrap: anywhere }");
		sheet.insertRule("#edge { width: 3em; overflow: hidden; white-space: nowrap }");
	})()`)); err != nil {
		t.Fatal(err)
	}
	found := strings.Join(append(append(browsertest.Lens(t, ctx), browsertest.Keyboard(t, ctx)...), browsertest.Cut(t, ctx)...), "\n")
	for _, want := range []string{"#attend “I am here”: no outline", "px, 64 are wanted", "left out", "#fake", "“Running”", "no red: ", "the word “extinguisher” is broken", "“an extinguisher in reach” is cut off"} {
		if !strings.Contains(found, want) {
			t.Errorf("%q is not found:\n%s", want, found)
		}
	}
}

// keepSample holds the page to three sizes, and photographs it in each where KERFGATE_ARTEFACTS names a folder.
func keepSample(t *testing.T, ctx context.Context, name string) {
	t.Helper()
	dir := os.Getenv("KERFGATE_ARTEFACTS")
	for _, size := range [][2]int64{{360, 740}, {1920, 1080}, {1024, 768}} {
		if err := chromedp.Do(ctx, chromedp.EmulateViewport(size[0], size[1])); err != nil {
			t.Fatal(err)
		}
		wide, err := chromedp.Run(ctx, chromedp.Evaluate[int](`Math.max(0, document.documentElement.scrollWidth - innerWidth)`))
		if err != nil || wide > 0 {
			t.Errorf("%s at %d px is %d px too wide (%v)", name, size[0], wide, err)
		}
		for _, f := range browsertest.Cut(t, ctx) {
			t.Errorf("%s at %d px: %s", name, size[0], f)
		}
		if dir == "" {
			continue
		}
		png, err := chromedp.Run(ctx, chromedp.CaptureScreenshot())
		if err == nil {
			err = os.WriteFile(filepath.Join(dir, fmt.Sprintf("sample-%s-%d.png", name, size[0])), png, 0o600)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}
