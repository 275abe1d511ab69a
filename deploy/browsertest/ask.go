package browsertest

import (
	"context"
	_ "embed"
	"encoding/json"
	"testing"

	"github.com/chromedp/chromedp"
)

// colourScript is what the others reckon with.
//
//go:embed colour.js
var colourScript string

// ask has the page's answer, which is JSON or the promise of it.
func ask(t testing.TB, ctx context.Context, script string, into any) {
	t.Helper()
	text, err := chromedp.Run(ctx, chromedp.Evaluate[string](script, chromedp.EvalAwaitPromise))
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal([]byte(text), into); err != nil {
		t.Fatalf("%v: %s", err, text)
	}
}
