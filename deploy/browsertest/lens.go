package browsertest

import (
	"context"
	_ "embed"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
)

//go:embed lens.js
var lensScript string

// Lens tells what of the page that is open cannot be read, in the light and in the dark theme, bare or
// through eyewear that takes away all below 530 nm (blue and green) or all red: words under 4.5 to 1 (3
// where large), edges of fields, shapes of pictures and what is drawn on safety signs under 3 to 1.
func Lens(t testing.TB, ctx context.Context) (faults []string) {
	t.Helper()
	for _, theme := range []string{"dark", "light"} {
		if _, err := chromedp.Call(ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
			Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: theme}}}); err != nil {
			t.Fatal(err)
		}
		var seen struct {
			Words  int
			Faults []string
		}
		ask(t, ctx, colourScript+lensScript+"throughLens.look()", &seen)
		if seen.Words == 0 {
			faults = append(faults, theme+": no words on the page")
		}
		for _, f := range seen.Faults {
			faults = append(faults, theme+", "+f)
		}
	}
	return faults
}
