package plan_test

import (
	"testing"

	"kerfgate/plan"
)

// TestLinePitch: an area of 20 × 10 mm is filled with 200 mm² / pitch of lines; a pitch other than the beam's
// width is told with what it makes of the area's energy.
func TestLinePitch(t *testing.T) {
	t.Parallel()
	for pitch, want := range map[int64]float64{0: 1_000_000, 100: 2_000_000, 500: 400_000} { // µm; the beam is 0.2 mm wide
		req := request(inMM(`<rect x="20" y="20" width="20" height="10"/>`))
		req.Default, req.Choices.LinePitchUM = plan.Engrave, pitch
		p := mustMake(t, req)
		near(t, "filling", float64(p.Numbers.EngraveUM), want, 1)
		if got := warned(p, "the area gets"); got != (pitch != 0) {
			t.Errorf("pitch %d µm: told %t: %v", pitch, got, p.Warnings)
		}
	}
	req := request(inMM(`<rect x="20" y="20" width="20" height="10"/>`))
	req.Choices.LinePitchUM = 10
	if _, err := plan.Make(req); err == nil {
		t.Error("a pitch of 0.01 mm is taken")
	}
}

// TestMarksMakeFume: what is marked takes away what its energy would at the volume dose of the proven cut,
// P/(v·kerf·thickness) (numbers by hand): 5 W at 5 mm/s in two passes are 2 J/mm over 0.18 × 3 mm², 3.7037 J/mm³.
// A mark of 100 mm with 1.75 W at 40 mm/s gets 4.375 J, 1.181 mm³; the ends of it, where the carriage is slow or
// waits for the switch, some hundredths more.
func TestMarksMakeFume(t *testing.T) {
	t.Parallel()
	req := request(inMM(`<path d="M20 20h100"/>`))
	req.Default, req.Stock.GrammageGPerM2 = plan.Mark, 1_800 // 0.6 mg/mm³
	n := mustMake(t, req).Numbers
	if n.RemovedNL < 1_181 || n.RemovedNL > 1_260 {
		t.Errorf("removed %d nL, want 1181 and a little more", n.RemovedNL)
	}
	if n.FumeUG == nil || *n.FumeUG < n.RemovedNL*599/1_000 || *n.FumeUG > n.RemovedNL*601/1_000 {
		t.Errorf("fume %v µg of %d nL", n.FumeUG, n.RemovedNL)
	}
	req.Settings = req.Settings[1:] // no cut is proven
	if n := mustMake(t, req).Numbers; n.RemovedNL != 0 || n.FumeUG != nil {
		t.Errorf("nothing is known of the material and yet removed %d nL", n.RemovedNL)
	}
}
