package plan_test

import (
	"math"
	"testing"

	"kerfgate/plan"
)

// TestEngravedAreas: what is engraved is what the drawing fills, by its fill rule (SVG 2, 13.4.2); the
// areas by arithmetic.
func TestEngravedAreas(t *testing.T) {
	t.Parallel()
	const (
		two  = `M0 0h20v20h-20zM10 10h20v20h-20z`
		ring = `M0 0h20v20h-20zM5 5h10v10h-10z`
	)
	for _, tc := range []struct {
		name, body string
		mm2        float64
	}{
		{"not filled", `<path d="` + two + `"/>`, 700},
		{"not filled, even-odd", `<path fill-rule="evenodd" d="` + two + `"/>`, 600},
		{"filled", `<path fill="black" d="` + two + `"/>`, 700},
		{"filled, even-odd", `<path fill="black" fill-rule="evenodd" d="` + two + `"/>`, 600},
		{"inside", `<path fill="black" d="` + ring + `"/>`, 400},
		{"inside, even-odd", `<path fill="black" fill-rule="evenodd" d="` + ring + `"/>`, 300},
		{"two filled shapes", `<rect fill="black" width="20" height="20"/><rect fill="black" x="10" y="10" width="20" height="20"/>`, 700},
		{"an outline in another", `<rect width="20" height="20"/><rect x="5" y="5" width="10" height="10"/>`, 300},
		{"an outline drawn twice", `<rect width="20" height="20"/><path d="M20 20v-20h-20v20z"/>`, 400},
		{"filled and not closed", `<path fill="black" d="M0 0h20v20h-20"/>`, 400},
		{"joined out of lines", `<path d="M0 0h20v20"/><path d="M0 0v20h20"/>`, 400},
	} {
		req := request(inMM(tc.body))
		req.Default = plan.Engrave
		req.Profile.Tools[0].Switch.InMotion = true
		p := mustMake(t, req)
		if got := float64(p.Numbers.EngraveUM) * 200 / 1e6; math.Abs(got-tc.mm2) > 0.001*tc.mm2 {
			t.Errorf("%s: %.2f mm², want %g", tc.name, got, tc.mm2)
		}
	}
	req := request(inMM(`<rect width="20" height="20"/><path d="M20 20v-20h-20v20z"/>`))
	req.Default = plan.Engrave
	if p := mustMake(t, req); p.Numbers.DoubledUM != 80_000 {
		t.Errorf("%d µm drawn twice", p.Numbers.DoubledUM)
	}
	req.Drawing = []byte(inMM(`<rect fill="black" width="20" height="20"/><rect fill="white" x="5" y="5" width="10" height="10"/>`))
	if p := mustMake(t, req); !warned(p, "filled shapes of 2 colours are engraved alike") {
		t.Errorf("warnings %+v", p.Warnings)
	}
}
