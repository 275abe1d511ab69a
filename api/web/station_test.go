package web

import (
	"bytes"
	"cmp"
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

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
)

// bench is a station in a real browser between a server and a worker that only remember.
type bench struct {
	mu     sync.Mutex
	calls  []string // "worker POST /stop", "server PUT /api/v1/... body"
	phase  string   // which sample the server renders
	ready  bool     // all bars are up
	left   int      // s of attendance that a tap is answered with; 0: 60
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
	if b.phase == "checking" {
		v.Run.Placing = samplePlacing()
		v.Run.Placing.Left = nil
	}
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
			b.mu.Lock()
			left := cmp.Or(b.left, 60)
			b.mu.Unlock()
			answer(w, map[string]any{"taken": true, "attendance_s": left})
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
		case strings.HasSuffix(path, "/hold"):
			var beat struct{ Tick int64 }
			if body := b.note("server", r); json.Unmarshal([]byte(body), &beat) != nil {
				t.Errorf("a beat that cannot be read: %s", body)
			}
			answer(w, map[string]any{"grip": "07", "tick": beat.Tick + 1, "position_x_mm": 40.5, "position_y_mm": 30, "homed": true})
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

	// Placing: an origin typed with a decimal comma.
	b.js(t, `document.querySelector("#place").open = true`)
	b.do(t, chromedp.SendKeys(chromedp.CSS("#origin-x"), "40,5"), chromedp.SendKeys(chromedp.CSS("#origin-y"), "30"))
	b.click(t, ".typed:has(#origin-x) button")
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

// TestHoldInThePage: a button is held by mouse, by touch and by key. Each beat gives back what was told
// last, letting go says so, and a page that has gone says nothing any more.
func TestHoldInThePage(t *testing.T) {
	t.Parallel()
	b := openBench(t)
	const hold = "server PUT /api/v1/runs/0190a000-0000-7000-8000-0000000000aa/hold "
	b.js(t, `document.querySelector("#place").open = true; document.querySelector(".arrows").scrollIntoView({ block: "center" })`)
	where := func(way string) (x, y float64) {
		t.Helper()
		at, err := chromedp.Run(b.ctx, chromedp.Evaluate[[]float64](fmt.Sprintf(
			`(() => { const r = document.querySelector('[data-way=%s]').getBoundingClientRect(); return [r.x + r.width / 2, r.y + r.height / 2, r.width, r.height]; })()`, way)))
		if err != nil {
			t.Fatal(err)
		}
		if at[2] < 64 || at[3] < 64 {
			t.Errorf("the button %s has %g × %g px, 64 are wanted for a glove", way, at[2], at[3])
		}
		return at[0], at[1]
	}
	held := func(way string, begin, end chromedp.Action[chromedp.Void]) {
		t.Helper()
		b.mu.Lock()
		b.calls = nil
		b.mu.Unlock()
		b.do(t, begin)
		b.called(t, hold+`{"way":"`+way+`","fine":false}`)
		for tick := 1; tick < 5; tick++ {
			b.called(t, fmt.Sprintf(`%s{"grip":"07","tick":%d}`, hold, tick))
		}
		b.until(t, `document.querySelector("#position").textContent.includes("x 40.5, y 30 mm") && document.querySelector("#carriage").getAttribute("transform") === "translate(40.5 -30)"`)
		b.do(t, end)
		b.called(t, hold+`{"grip":"07","tick":`)
		b.until(t, `!document.querySelector(".held")`)
		deadline := time.Now().Add(5 * time.Second)
		for !b.last(`"release":true}`) {
			if time.Now().After(deadline) {
				t.Fatalf("%s: the release was not the last word", way)
			}
			time.Sleep(10 * time.Millisecond)
		}
	}
	x, y := where("left")
	held("left", chromedp.MouseEvent(input.DispatchMouseEventTypeMousePressed, x, y, chromedp.ButtonLeft, chromedp.ClickCount(1)),
		chromedp.MouseEvent(input.DispatchMouseEventTypeMouseReleased, x, y, chromedp.ButtonLeft, chromedp.ClickCount(1)))
	x, y = where("away")
	touch := func(kind input.DispatchTouchEventType, points []*input.TouchPoint) chromedp.Action[chromedp.Void] {
		return chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
			_, err := cdp.Call(ctx, target, input.DispatchTouchEvent, input.DispatchTouchEventParams{Type: kind, TouchPoints: points})
			return err
		})
	}
	held("away", touch(input.DispatchTouchEventTypeTouchStart, []*input.TouchPoint{{X: x, Y: y}}),
		touch(input.DispatchTouchEventTypeTouchEnd, []*input.TouchPoint{}))
	b.js(t, `document.querySelector("[data-way=away]").focus()`)
	key := func(kind input.DispatchKeyEventType) chromedp.Action[chromedp.Void] {
		return chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
			_, err := cdp.Call(ctx, target, input.DispatchKeyEvent, input.DispatchKeyEventParams{Type: kind, Key: "ArrowRight", Code: "ArrowRight", WindowsVirtualKeyCode: 39})
			return err
		})
	}
	held("right", key(input.DispatchKeyEventTypeRawKeyDown), key(input.DispatchKeyEventTypeKeyUp))
	// A touch on the bed names a point and moves nothing.
	b.js(t, `document.querySelector("#bed").dispatchEvent(new MouseEvent("click", { bubbles: true, clientX: 300, clientY: 300 }))`)
	b.until(t, `document.querySelector("#origin-x").value !== "" && document.querySelector("#origin-y").value !== ""`)
	// The page goes in the middle of a hold.
	x, y = where("toward")
	b.do(t, chromedp.MouseEvent(input.DispatchMouseEventTypeMousePressed, x, y, chromedp.ButtonLeft, chromedp.ClickCount(1)))
	b.called(t, hold+`{"way":"toward"`)
	b.do(t, chromedp.Navigate("about:blank"))
	time.Sleep(300 * time.Millisecond)
	b.mu.Lock()
	b.calls = nil
	b.mu.Unlock()
	time.Sleep(500 * time.Millisecond)
	b.mu.Lock()
	defer b.mu.Unlock()
	if len(b.calls) > 0 {
		t.Errorf("after the page had gone: %v", b.calls)
	}
}

// last says whether the newest hold call ends so.
func (b *bench) last(end string) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	for i := len(b.calls) - 1; i >= 0; i-- {
		if strings.Contains(b.calls[i], "/hold ") {
			return strings.HasSuffix(b.calls[i], end)
		}
	}
	return false
}
