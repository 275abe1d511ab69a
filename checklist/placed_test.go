package checklist_test

import (
	"strings"
	"testing"

	"kerfgate/checklist"
	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
)

// F40: what is not placed, or placed anew after the outline was traced, is not signable; the focus is held
// against the sheet's thickness and the tool's focal distance, and said with all numbers.
func TestF40_PlacedRefuses(t *testing.T) {
	t.Parallel()
	f := facts()
	f.Profile.Tools = append(f.Profile.Tools, machine.Tool{Name: "pen", Kind: machine.ToolPen})
	f.Tool.FocalDistanceUM, f.Tool.FocusToleranceUM = 50_000, 300
	f.Stock.ThicknessUM, f.Stock.ToleranceUM = 3_000, 200
	at, other := geom.Pt(20_000, 30_000), geom.Pt(20_000, 30_001)
	good := checklist.Placed{Origin: &at, Homed: true, Traced: &at, FocusUM: 53_500, Fitted: f.Tool.Name}
	if no := good.Refuse(f); len(no) > 0 {
		t.Errorf("a good placing is refused: %+v", no)
	}
	if got, want := good.Words(), "origin x 20, y 30, focus 53.5 mm; traced; beam on the carriage"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	for name, c := range map[string]struct {
		change func(*checklist.Placed)
		want   string
	}{
		"no origin":      {func(p *checklist.Placed) { p.Origin = nil }, "not placed"},
		"not homed":      {func(p *checklist.Placed) { p.Homed = false }, "not placed"},
		"moved":          {func(p *checklist.Placed) { p.Traced = &other }, "moved after the outline was traced"},
		"no focus":       {func(p *checklist.Placed) { p.FocusUM = 0 }, "the focus is not set"},
		"focus too high": {func(p *checklist.Placed) { p.FocusUM = 53_501 }, "focus at 53.501 mm: 3 mm of sheet and 50 mm of focal distance make 53 ± 0.5 mm"},
		"focus too low":  {func(p *checklist.Placed) { p.FocusUM = 52_499 }, "make 53 ± 0.5 mm"},
		"wrong tool":     {func(p *checklist.Placed) { p.Fitted = "pen" }, "the pen is on the carriage, the plan is for the beam"},
		"tool not said":  {func(p *checklist.Placed) { p.Fitted = "" }, "nobody said that the beam"},
	} {
		p := good
		c.change(&p)
		if no := p.Refuse(f); len(no) != 1 || !strings.Contains(no[0].What, c.want) || no[0].Next == "" {
			t.Errorf("%s: %+v, want %q", name, no, c.want)
		}
	}
	// Hands are at the bed: nothing moves before the supply was said to be off.
	if no := good.MayMove(f.Profile); len(no) != 1 {
		t.Errorf("moves with the supply on: %+v", no)
	}
	good.SupplyOff = true
	if no := good.MayMove(f.Profile); len(no) > 0 {
		t.Errorf("refused with the supply off: %+v", no)
	}
}
