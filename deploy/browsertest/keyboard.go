package browsertest

import (
	"context"
	_ "embed"
	"encoding/json"
	"fmt"
	"slices"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
)

//go:embed keyboard.js
var keyboardScript string

// Keyboard goes through the page that is open with Tab alone, everything that can be unfolded being so, and
// tells what is wrong: a control that a mouse can use and Tab never reaches, a stop out of turn, a trap,
// a focus that is not shown (an outline of at least 2 px, 3 to 1 against what it lies on) or that
// something covers (WCAG 2.2, 2.4.11), a target too small (24 px by WCAG 2.2, 2.5.8; at a station 64 px
// with gaps).
func Keyboard(t testing.TB, ctx context.Context) (faults []string) {
	t.Helper()
	var all struct {
		Stops, Presses int
		Other          []string
	}
	ask(t, ctx, colourScript+keyboardScript+"byKeyboard.begin()", &all)
	for _, o := range all.Other {
		faults = append(faults, o+": a mouse can press it, Tab does not lead there")
	}
	var reached []int
	for presses := 0; len(reached) < all.Stops; presses++ {
		if presses > all.Presses {
			var missed []string
			list, err := json.Marshal(reached)
			if err != nil {
				t.Fatal(err)
			}
			ask(t, ctx, fmt.Sprintf("byKeyboard.missing(%s)", list), &missed)
			return append(faults, fmt.Sprintf("Tab never leads to %q", missed))
		}
		for _, kind := range []input.DispatchKeyEventType{input.DispatchKeyEventTypeRawKeyDown, input.DispatchKeyEventTypeKeyUp} {
			if err := chromedp.Do(ctx, chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
				_, err := cdp.Call(ctx, target, input.DispatchKeyEvent, input.DispatchKeyEventParams{Type: kind, Key: "Tab", Code: "Tab", WindowsVirtualKeyCode: 9})
				return err
			})); err != nil {
				t.Fatal(err)
			}
		}
		var stop struct {
			At     int
			Name   string
			Faults []string
		}
		ask(t, ctx, "byKeyboard.step()", &stop)
		for _, f := range stop.Faults {
			faults = append(faults, stop.Name+": "+f)
		}
		if stop.At < 0 || slices.Contains(reached, stop.At) {
			continue
		}
		if n := len(reached); n > 0 && stop.At < reached[n-1] || n == 0 && stop.At != 0 {
			faults = append(faults, fmt.Sprintf("%s comes as stop %d and stands as %d of the page", stop.Name, n, stop.At))
		}
		reached = append(reached, stop.At)
	}
	return faults
}
