package browsertest

import (
	"fmt"
	"math"
	"testing"
)

// What window.colour reckons: black on white is 21 to 1 by WCAG 2.2's own note ("contrast ratios can range from 1 to
// 21"); the grey #767676 is known as the lightest that passes 4.5 to 1 on white, #949494 as the lightest that passes 3 to 1.
func TestColours(t *testing.T) {
	t.Parallel()
	ctx := Open(t, 100, 100)
	for _, c := range []struct {
		top, under string
		least      float64
		most       float64
	}{
		{"rgb(0, 0, 0)", "rgb(255, 255, 255)", 21, 21},
		{"rgb(118, 118, 118)", "rgb(255, 255, 255)", 4.5, 4.55},
		{"rgb(119, 119, 119)", "rgb(255, 255, 255)", 4.45, 4.4999},
		{"color(srgb 0.58039 0.58039 0.58039)", "rgb(255, 255, 255)", 3, 3.05},
		{"rgb(149, 149, 149)", "rgb(255, 255, 255)", 2.95, 2.9999},
		{"rgba(0, 0, 0, 0.5)", "rgb(255, 255, 255)", 3.9, 4}, // as rgb(127.5, …): luminance 0.2122, by hand 1.05/0.2622
		{"none", "rgb(1, 2, 3)", 1, 1},
	} {
		var ratio float64
		ask(t, ctx, colourScript+fmt.Sprintf(`(() => {
			const under = colour.parse(%q);
			return JSON.stringify(colour.contrast(colour.over(colour.parse(%q), under), under));
		})()`, c.under, c.top), &ratio)
		if math.Round(ratio*1e6)/1e6 < c.least || math.Round(ratio*1e6)/1e6 > c.most {
			t.Errorf("%s on %s: %.4f to 1, want %g to %g", c.top, c.under, ratio, c.least, c.most)
		}
	}
}
