package system_test

import (
	"context"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"kerfgate/db/dbtest"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// hold keeps a key down on an element, as a thumb would, until a condition comes to hold. On a busy host a sign of life may
// come late, and the carriage rests as it should: a person then holds again.
func (b *browser) hold(selector, key, code, what, until string) {
	b.t.Helper()
	send := func(kind input.DispatchKeyEventType) chromedp.Action[chromedp.Void] {
		return chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
			_, err := cdp.Call(ctx, target, input.DispatchKeyEvent, input.DispatchKeyEventParams{Type: kind, Key: key, Code: code,
				WindowsVirtualKeyCode: map[string]int64{"ArrowRight": 39, "ArrowUp": 38, " ": 32}[key]})
			return err
		})
	}
	for begun := time.Now(); ; {
		b.eval(fmt.Sprintf(`document.querySelector(%q).scrollIntoView({block: "center"}); document.querySelector(%q).focus()`, selector, selector))
		b.do("press "+key, send(input.DispatchKeyEventTypeRawKeyDown))
		b.holds("("+until+`) || !document.querySelector("#placing .held")`, 10*time.Second)
		b.do("let go of "+key, send(input.DispatchKeyEventTypeKeyUp))
		if b.holds(until, time.Second) {
			return
		}
		if time.Since(begun) > 2*time.Minute {
			b.keep("failed")
			b.t.Fatalf("held %s: %s\n%s", key, what, b.text("#placing"))
		}
	}
}

// touch holds a finger on an element for a while.
func (b *browser) touch(selector string, d time.Duration) {
	b.t.Helper()
	at, err := chromedp.Run(b.ctx, chromedp.Evaluate[[]float64](fmt.Sprintf(`(() => { const e = document.querySelector(%q); e.scrollIntoView({block: "center"});
		const r = e.getBoundingClientRect(); return [r.left + r.width / 2, r.top + r.height / 2]; })()`, selector)))
	if err != nil {
		b.t.Fatal(err)
	}
	send := func(kind input.DispatchTouchEventType, points ...*input.TouchPoint) chromedp.Action[chromedp.Void] {
		return chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
			_, err := cdp.Call(ctx, target, input.DispatchTouchEvent, input.DispatchTouchEventParams{Type: kind, TouchPoints: append([]*input.TouchPoint{}, points...)})
			return err
		})
	}
	b.do("touch "+selector, send(input.DispatchTouchEventTypeTouchStart, &input.TouchPoint{X: at[0], Y: at[1]}))
	time.Sleep(d)
	b.do("lift the finger", send(input.DispatchTouchEventTypeTouchEnd))
}

// A sheet is placed at the station as a person would who has gloves on and no mouse: home, hold to move by keyboard and by
// touch, take the corner where the carriage stands, focus, trace, sign, run. The pages on the way hold to WCAG 2.2 AA in
// three sizes and are readable through both lens filters.
func TestPlacingInBrowser(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("drives a browser")
	}
	h := startTry(t, filepath.Join(dbtest.Folder(t), "data"))
	b := openBrowser(t, h.address)
	rowan := h.as(t, "rowan")
	cutter := at(rowan.get("/machines").list("machines"), "bay", "Bay 1")
	b.signIn("rowan", h.password(t, "rowan"), "/station/"+cutter.str("id"))
	b.waits("the checklist to be opened", `[...document.querySelectorAll("button")].some((x) => x.innerText.includes("Open the checklist"))`, patience)
	b.clickWords("Open the checklist")
	b.waits("the gate", `!!document.querySelector("#place")`, patience)
	b.inOrder("placing-begins")
	b.clickWords("The supply is off")
	b.waitsForText("#placing", "said to be off", patience)
	b.clickWords("Home")
	b.waitsForText("#position", "carriage at x 0, y 0", patience)

	// By keyboard alone: the arrows of one button, each as long as it is held.
	x := `parseFloat(document.querySelector("#position").innerText.match(/x (-?[\d.]+)/)?.[1])`
	y := `parseFloat(document.querySelector("#position").innerText.match(/y (-?[\d.]+)/)?.[1])`
	b.hold(`[data-way="right"]`, "ArrowRight", "ArrowRight", "the carriage moves right", x+" >= 12")
	b.hold(`[data-way="right"]`, "ArrowUp", "ArrowUp", "the carriage moves away", y+" >= 8")
	b.waits("rest", fmt.Sprintf(`(() => { const now = %s; const was = window.was; window.was = now; return was === now; })()`, x), patience)
	// By touch, finely.
	b.eval(`document.querySelector('input[name="pace"][value="fine"]').click(); window.was = ` + x)
	b.touch(`[data-way="right"]`, 1200*time.Millisecond)
	b.waits("a finger to have moved it by a little, and rest", `!document.querySelector("[data-way].held") && `+x+` > window.was && `+x+` < window.was + 4`, patience)

	b.clickWords("near left\n")
	b.waitsForText("#place summary", "not traced", patience)
	b.inOrder("placing-origin")
	b.types("#focus", "40")
	b.clickWords("Set focus")
	b.waitsForText("#refused", "focal distance make", patience)
	b.types("#focus", "11.2")
	b.clickWords("Set focus")
	b.waitsForText("#place summary", "focus 11.2", patience)

	// The outline, by keyboard: let go on the way, and held again it goes on.
	b.hold(`[data-trace="outline"]`, " ", "Space", "it traces", `/Tracing|hold again/.test(document.querySelector("#position").innerText)`)
	b.waitsForText("#position", "hold again to go on", patience)
	b.inOrder("placing-half-traced")
	b.hold(`[data-trace="outline"]`, " ", "Space", "the outline is traced", `document.querySelector("#position").innerText.includes("is traced")`)
	b.waits("the summary to say so", `/, traced/.test(document.querySelector("#place summary").innerText)`, patience)
	b.inOrder("placing-traced")

	b.answerItem("eyewear", map[string]string{"marking": "10600 D LB6"}, nil)
	b.answerItem("extinguisher", map[string]string{"inspected": time.Now().Format("2006-01")}, map[string]string{"agent": "CO₂", "gauge": "no gauge, seal and weight tag intact"})
	b.answerItem("ventilation", map[string]string{"reading": "118"}, nil)
	b.answerItem("bed", nil, map[string]string{"assist": "on"})
	b.answerItem("material", map[string]string{"lot": "P118", "thickness": "3.05"}, nil)
	b.answerItem("supply", nil, nil)
	b.waitsForText(".sign-here", "focus 11.2 mm; traced", patience)
	b.inOrder("placing-signable")
	b.eval(`document.querySelector("form[data-sign] button").focus()`)
	b.do("sign by keyboard", chromedp.KeyEvent(kb.Enter))
	b.waitsForText("#go-head", "running", time.Minute)
	b.eval(`document.querySelector("#stop").dispatchEvent(new PointerEvent("pointerdown", {bubbles: true}))`)
	b.waitsForText("#go-head", "inspect: stopped", 3*time.Minute)
}
