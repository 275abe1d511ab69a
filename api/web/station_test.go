package web

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os/exec"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
)

// bench is a station in a real browser between a server and a worker that only remember.
type bench struct {
	mu     sync.Mutex
	calls  []string // "worker POST /stop", "server PUT /api/v1/... body"
	phase  string   // which sample the server renders
	ready  bool     // all bars are up
	came   chan struct{}
	events chan string
	ctx    context.Context
}

func (b *bench) note(who string, r *http.Request) string {
	body, err := io.ReadAll(io.LimitReader(r.Body, 1<<16))
	if err != nil {
		body = nil
	}
	b.mu.Lock()
	b.calls = append(b.calls, strings.TrimSpace(fmt.Sprintf("%s %s %s %s", who, r.Method, r.URL.Path, body)))
	b.mu.Unlock()
	select {
	case b.came <- struct{}{}:
	default:
	}
	return string(body)
}

// called waits until a call that begins so has come.
func (b *bench) called(t *testing.T, want string) {
	t.Helper()
	deadline := time.NewTimer(10 * time.Second)
	defer deadline.Stop()
	for {
		b.mu.Lock()
		for _, c := range b.calls {
			if strings.HasPrefix(c, want) {
				b.mu.Unlock()
				return
			}
		}
		all := strings.Join(b.calls, "\n")
		b.mu.Unlock()
		select {
		case <-b.came:
		case <-deadline.C:
			t.Fatalf("no call %q came, but\n%s", want, all)
		}
	}
}

func (b *bench) view(worker string) StationView {
	b.mu.Lock()
	defer b.mu.Unlock()
	v := sampleStation(b.phase)
	v.WorkerURL = worker
	if b.ready {
		v.Run.Gate, v.Run.Settled = sampleGate(5), true
	}
	return v
}

func openBench(t *testing.T) *bench {
	t.Helper()
	if testing.Short() {
		t.Skip("needs a browser")
	}
	b := &bench{phase: "checking", came: make(chan struct{}, 1), events: make(chan string, 8)}
	answer := func(w http.ResponseWriter, v any) {
		w.Header().Set("Content-Type", "application/json")
		if err := json.NewEncoder(w).Encode(v); err != nil {
			t.Error(err)
		}
	}
	var origin string
	worker := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		b.note("worker", r)
		w.Header().Set("Access-Control-Allow-Origin", origin)
		switch r.URL.Path {
		case "/stop":
			answer(w, map[string]any{"off_sent": time.Now(), "ms": 1})
		case "/attend":
			answer(w, map[string]any{"taken": true, "attendance_s": 60})
		}
	}))
	t.Cleanup(worker.Close)
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch path := r.URL.Path; {
		case strings.HasPrefix(path, StaticPrefix):
			StaticHandler().ServeHTTP(w, r)
		case path == "/api/v1/events":
			w.Header().Set("Content-Type", "text/event-stream")
			for {
				if err := http.NewResponseController(w).Flush(); err != nil {
					return
				}
				select {
				case e := <-b.events:
					fmt.Fprintf(w, "event: %s\ndata: {}\n\n", e)
				case <-r.Context().Done():
					return
				}
			}
		case path == "/":
			w.Header().Set("Content-Security-Policy", "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self' "+
				worker.URL+"; form-action 'self'; frame-ancestors 'none'; base-uri 'none'")
			var page bytes.Buffer
			if err := RenderStation(&page, b.view(worker.URL)); err != nil {
				t.Error(err)
			}
			_, _ = w.Write(page.Bytes())
		case strings.HasSuffix(path, "/main"):
			if err := RenderStationMain(w, b.view(worker.URL)); err != nil {
				t.Error(err)
			}
			b.note("server", r)
		case strings.HasSuffix(path, "/sign"):
			b.mu.Lock()
			b.phase = "running"
			b.mu.Unlock()
			b.note("server", r)
			answer(w, map[string]any{"run": map[string]string{"id": sampleStation("running").Run.ID}, "attendance_token": "abc-_", "worker_url": worker.URL})
		case strings.HasSuffix(path, "/answers/ventilation"):
			if strings.Contains(b.note("server", r), `"50"`) {
				w.WriteHeader(http.StatusUnprocessableEntity)
				answer(w, map[string]any{"title": "refused", "reasons": []map[string]string{{"what": "50 Pa is under 96 Pa", "next": "look at the fan"}}})
				return
			}
			answer(w, map[string]any{})
		default:
			if strings.HasSuffix(path, "/placement") {
				b.mu.Lock()
				b.ready = true
				b.mu.Unlock()
			}
			b.note("server", r)
			answer(w, map[string]any{})
		}
	}))
	origin = server.URL
	path, err := exec.LookPath("chromium")
	if err != nil {
		t.Fatalf("no Chromium on this machine: %v", err)
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox,
		chromedp.Flag("disable-gpu", true), chromedp.Flag("disable-component-update", true),
		chromedp.Flag("disable-background-networking", true), chromedp.Flag("disable-sync", true))
	// Its own context: the clean-up must still reach the browser after the test's context ended.
	allocator, closeAllocator := chromedp.NewExecAllocator(context.Background(), options...)
	ctx, closeBrowser := chromedp.NewContext(allocator)
	b.ctx = ctx
	t.Cleanup(func() {
		closeBrowser()
		closeAllocator()
		server.CloseClientConnections()
		server.Close()
	})
	// The browser lives as long as the context of the first call, so that one has no limit.
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(1024, 768)); err != nil {
		t.Fatal(err)
	}
	b.do(t, chromedp.Navigate(server.URL), chromedp.WaitVisible(chromedp.CSS("#stop")))
	return b
}

func (b *bench) do(t *testing.T, actions ...chromedp.Action[chromedp.Void]) {
	t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, 60*time.Second)
	defer cancel()
	if err := chromedp.Do(ctx, actions...); err != nil {
		t.Fatal(err)
	}
}

// until waits in the page for an expression to hold; the page's policy allows no evaluation of its
// own, so the expression stands in the script itself.
func (b *bench) until(t *testing.T, expression string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, 30*time.Second)
	defer cancel()
	script := "new Promise((done) => { const look = () => (" + expression + ") ? done(true) : requestAnimationFrame(look); look(); })"
	if _, err := chromedp.Run(ctx, chromedp.Evaluate[bool](script, chromedp.EvalAwaitPromise)); err != nil {
		t.Fatalf("waited for %s: %v", expression, err)
	}
}

// js runs a statement in the page.
func (b *bench) js(t *testing.T, statement string) {
	t.Helper()
	if _, err := chromedp.Run(b.ctx, chromedp.Evaluate[bool]("(() => { "+statement+"; return true; })()")); err != nil {
		t.Fatal(err)
	}
}

// click scrolls an element clear of Stop run, as a hand would, and clicks it.
func (b *bench) click(t *testing.T, selector string) {
	t.Helper()
	b.js(t, fmt.Sprintf(`document.querySelector(%q).scrollIntoView({ block: "center" })`, selector))
	b.do(t, chromedp.Click(chromedp.CSS(selector)))
}

// TestStationScript plays one run at the station in a real browser, under the page's own policy.
func TestStationScript(t *testing.T) {
	t.Parallel()
	b := openBench(t)

	// What a person is typing survives what the machine reports meanwhile.
	b.do(t, chromedp.SendKeys(chromedp.CSS("#f-vent-pa"), "50"))
	b.events <- "entry"
	b.called(t, "server GET /station/")
	b.until(t, `document.querySelector("#f-vent-pa").value === "50" && document.querySelector("#bar-ventilation").open`)

	// A refusal says what and next, and keeps what was typed.
	b.click(t, "#bar-ventilation .give")
	b.called(t, `server PUT /api/v1/runs/0190a000-0000-7000-8000-0000000000aa/answers/ventilation {"values":{"reading":"50"}}`)
	b.until(t, `document.querySelector("#refused").textContent.includes("look at the fan") && document.querySelector("#f-vent-pa").value === "50"`)

	// A gate with bars down is not signed, whatever is pressed.
	b.click(t, ".start")
	b.until(t, `document.activeElement.closest(".bar.down") !== null`)

	// Placing: one move without beam, an origin typed with a decimal comma.
	b.js(t, `document.querySelector("#place").open = true`)
	b.click(t, ".jog button[value=away]")
	b.called(t, `server POST /api/v1/runs/0190a000-0000-7000-8000-0000000000aa/setup {"kind":"jog","by_x_mm":0,"by_y_mm":10}`)
	b.until(t, `document.querySelector("#place").open`)
	b.do(t, chromedp.SendKeys(chromedp.CSS("#origin-x"), "40,5"), chromedp.SendKeys(chromedp.CSS("#origin-y"), "30"))
	b.click(t, ".typed button")
	b.called(t, `server PUT /api/v1/runs/0190a000-0000-7000-8000-0000000000aa/placement {"origin_x_mm":40.5,"origin_y_mm":30}`)

	// The signature brings the attendance token, and a tap shows it to the worker alone.
	b.until(t, `!document.querySelector(".start").hasAttribute("aria-disabled")`)
	b.click(t, ".start")
	b.until(t, `document.querySelector(".bay").dataset.phase === "running"`)
	b.click(t, "#attend")
	b.called(t, `worker POST /attend {"token":"abc-_"}`)
	b.until(t, `document.querySelector('[data-live="attend-words"]').textContent.startsWith("heard ")`)
}

// TestStopOnTouchDown: Stop run goes out both ways while the finger is still down, anywhere on the
// lower edge, and says what it did (I5).
func TestStopOnTouchDown(t *testing.T) {
	t.Parallel()
	b := openBench(t)
	down := func(x float64) chromedp.Action[chromedp.Void] {
		return chromedp.MouseEvent(input.DispatchMouseEventTypeMousePressed, x, 715, chromedp.ButtonLeft, chromedp.ClickCount(1))
	}
	b.do(t, down(60))
	b.called(t, "worker POST /stop")
	b.called(t, "server POST /api/v1/machines/"+sampleMachines[1].ID+"/stop")
	b.until(t, `/off sent \d\d:\d\d:\d\d/.test(document.querySelector("#stopped").textContent) && document.querySelector("#stopped").textContent.includes("eyewear on until the supply is off")`)
	b.do(t, chromedp.MouseEvent(input.DispatchMouseEventTypeMouseReleased, 60, 715, chromedp.ButtonLeft, chromedp.ClickCount(1)))

	// The words lie over the button and let the touch through.
	b.mu.Lock()
	b.calls = nil
	b.mu.Unlock()
	b.do(t, down(960))
	b.called(t, "worker POST /stop")
}
