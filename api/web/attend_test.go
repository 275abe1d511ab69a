package web

import (
	"context"
	"slices"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
)

// toneRecorder stands in for the loudspeaker: when each tone begins, in ms of the page, and how high it is.
const toneRecorder = `window.tones = []; window.AudioContext = class {
	constructor() { this.state = "suspended"; this.destination = {}; }
	get currentTime() { return performance.now() / 1000; }
	resume() { this.state = "running"; return Promise.resolve(); }
	createGain() { return { gain: { setValueAtTime() {} }, connect(to) { return to; } }; }
	createOscillator() { const f = { value: 0 }; return { frequency: f, connect(to) { return to; }, start(at) { window.tones.push([at * 1000, f.value]); }, stop() {} }; }
}`

// I9: in its last 15 seconds attendance is heard, each second anew; any key answers it but one that does
// something else here, one that is held down, and one that is typed into a field.
func TestI9_HeardAndAnsweredByAnyKey(t *testing.T) {
	t.Parallel()
	b := openBench(t)
	b.js(t, toneRecorder)
	const down, up = input.DispatchKeyEventTypeKeyDown, input.DispatchKeyEventTypeKeyUp
	taps := func() int {
		b.mu.Lock()
		defer b.mu.Unlock()
		n := 0
		for _, c := range b.calls {
			if c == `worker POST /attend {"token":"abc-_"}` {
				n++
			}
		}
		return n
	}
	key := func(kind input.DispatchKeyEventType, name string, again bool) {
		t.Helper()
		params := input.DispatchKeyEventParams{Type: kind, Key: name, AutoRepeat: &again}
		if kind == input.DispatchKeyEventTypeKeyDown && name == "Enter" {
			params.Text, params.WindowsVirtualKeyCode = "\r", 13 // what makes a browser press a button
		}
		b.do(t, chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
			_, err := cdp.Call(ctx, target, input.DispatchKeyEvent, params)
			return err
		}))
	}
	press := func(name string) { t.Helper(); key(down, name, false); key(up, name, false) }
	answered := func(by string, want int) {
		t.Helper()
		for deadline := time.Now().Add(10 * time.Second); taps() < want; time.Sleep(20 * time.Millisecond) {
			if time.Now().After(deadline) {
				t.Fatalf("%s: %d taps, want %d", by, taps(), want)
			}
		}
		time.Sleep(200 * time.Millisecond)
		if n := taps(); n != want {
			t.Fatalf("%s: %d taps, want %d", by, n, want)
		}
	}
	b.do(t, chromedp.SendKeys(chromedp.CSS("#f-vent-pa"), "7"))
	answered("before the run, in a field", 0)
	b.mu.Lock()
	b.ready, b.left = true, 60
	b.mu.Unlock()
	b.js(t, `document.querySelector("#f-vent-pa").value = ""; document.querySelectorAll("form[data-dirty]").forEach((f) => f.removeAttribute("data-dirty"))`)
	b.events <- "entry"
	b.until(t, `!document.querySelector(".start").hasAttribute("aria-disabled")`)
	b.click(t, ".start")
	b.until(t, `document.querySelector("#attend") !== null`)

	press("b")
	answered("a foot switch that types b", 1)
	press("PageDown")
	answered("one that turns pages", 2)
	key(down, "b", false)
	for range 20 {
		key(down, "b", true)
	}
	key(up, "b", false)
	answered("a key that something lies on", 3)
	press("Tab")
	press("ArrowLeft")
	answered("keys that move about", 3)
	b.js(t, `document.querySelector("#stop").focus()`)
	press("x")
	answered("a key while Stop run has the focus", 4)
	press("Enter")
	b.called(t, "worker POST /stop")
	answered("the key that presses Stop run", 4)
	b.js(t, `document.activeElement.blur()`)

	tones := func() []float64 {
		t.Helper()
		all, err := chromedp.Run(b.ctx, chromedp.Evaluate[[][2]float64](`window.tones`))
		if err != nil {
			t.Fatal(err)
		}
		var at []float64
		for _, tone := range all {
			if tone[1] < 500 || tone[1] > 2500 {
				t.Errorf("a tone of %g Hz", tone[1])
			}
			at = append(at, tone[0])
		}
		return at
	}
	if n := len(tones()); n != 0 {
		t.Fatalf("%d tones with a minute left", n)
	}
	b.mu.Lock()
	b.left = 17
	b.mu.Unlock()
	press("b")
	answered("17 s left", 5)
	b.until(t, `window.tones.length >= 6`) // three seconds of the fifteen
	if left, err := chromedp.Run(b.ctx, chromedp.Evaluate[float64](`parseInt(document.querySelector('[data-live="attendance"]').textContent)`)); err != nil || left > 15 || left < 1 {
		t.Errorf("%g s are shown while it sounds, %v", left, err)
	}
	b.mu.Lock()
	b.left = 60
	b.mu.Unlock()
	press("b")
	answered("in the last seconds", 6)
	heard := tones()
	if !slices.IsSorted(heard) {
		t.Errorf("tones at %v", heard)
	}
	time.Sleep(1500 * time.Millisecond)
	if n := len(tones()); n != len(heard) {
		t.Errorf("it goes on sounding after the answer: %d tones, then %d", len(heard), n)
	}
}
