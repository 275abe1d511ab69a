package plan_test

import (
	"errors"
	"strings"
	"testing"

	"kerfgate/plan"
	"kerfgate/plan/material"
)

// cells are two small squares and an open line between, drawn in this order, each its own group.
const cells = `<svg xmlns="http://www.w3.org/2000/svg" width="40mm" height="20mm" viewBox="0 0 40 20" fill="none" stroke="#000">
<g id="two"><path d="M30 5h8v8h-8z"/></g><g id="one"><path d="M15 8h4"/></g><g id="three"><path d="M2 5h8v8h-8z"/></g></svg>`

func trial() plan.Request {
	r := request(cells)
	r.Settings, r.Operations = nil, map[string]plan.Operation{"B": plan.Mark}
	r.Choices = plan.Choices{AsDrawn: true, Trial: plan.Trial{{"A", 20_000, 500, 1}, {"B", 10_000, 500, 1}, {"C", 5_000, 500, 2}}}
	return r
}

// TestTrial: each group with its own setting, in the order and the direction in which it is drawn, and no
// kerf allowed for; a material that is to be worked with care may be tried.
func TestTrial(t *testing.T) {
	t.Parallel()
	r := trial()
	r.Material.Verdict = material.WithCare
	p, err := plan.Make(r)
	if err != nil {
		t.Fatal(err)
	}
	want := []plan.TrialSetting{{"A", 20_000, 500, 1}, {"B", 10_000, 500, 1}, {"C", 5_000, 500, 1}, {"C", 5_000, 500, 1}}
	if len(p.Strokes) != len(want) {
		t.Fatalf("%d strokes, want %d", len(p.Strokes), len(want))
	}
	for i, s := range p.Strokes {
		if s.Group != want[i].Group || s.SpeedUMPerS != want[i].SpeedUMPerS || s.PowerPermille != want[i].PowerPermille {
			t.Errorf("stroke %d: group %s at %d µm/s and %d, want %+v", i, s.Group, s.SpeedUMPerS, s.PowerPermille, want[i])
		}
	}
	if first := p.Strokes[0].Points[0]; first.X != 28_000 || first.Y != 8_000 {
		t.Errorf("begins at %v, want the upper left corner of the right square", first)
	}
	if p.Extents.Width() != 36_000 || len(p.Pieces) != 2 || p.Strokes[0].Piece != 1 || p.Strokes[3].Piece != 2 {
		t.Errorf("extents %v, pieces %+v", p.Extents, p.Pieces)
	}
}

// TestTrialRules: what an unproven setting must not do.
func TestTrialRules(t *testing.T) {
	t.Parallel()
	for want, spoil := range map[string]func(*plan.Request){
		"once and as drawn":         func(r *plan.Request) { r.Choices.AsDrawn = false },
		"as drawn, one":             func(r *plan.Request) { r.Choices.Array = plan.Array{Columns: 2, Rows: 1, GapUM: 1_000} },
		"2 settings for 3 groups":   func(r *plan.Request) { r.Choices.Trial = r.Choices.Trial[:2] },
		"group C stands where B":    func(r *plan.Request) { r.Choices.Trial[1].Group = "C" },
		"weaker than the one":       func(r *plan.Request) { r.Choices.Trial[2].PowerPermille = 100 },
		"larger than it may be":     func(r *plan.Request) { r.Drawing = []byte(strings.Replace(cells, "M2 5", "M-25 5", 1)) },
		"engrave is not tried here": func(r *plan.Request) { r.Operations["B"] = plan.Engrave },
		"must not go under a beam":  func(r *plan.Request) { r.Material.Verdict = material.Forbidden },
		"over the machine's":        func(r *plan.Request) { r.Choices.Trial[0].SpeedUMPerS = 90_000 },
		"power is out of range":     func(r *plan.Request) { r.Choices.Trial[2].PowerPermille = 1_001 },
		"number of passes is out":   func(r *plan.Request) { r.Choices.Trial[2].Passes = 51 },
	} {
		r := trial()
		spoil(&r)
		_, err := plan.Make(r)
		var refusal *plan.Refusal
		if !errors.As(err, &refusal) {
			t.Errorf("%s: %v", want, err)
			continue
		}
		said := ""
		for _, reason := range refusal.Reasons {
			said += reason.What + "; " + reason.Next + "; "
		}
		if !strings.Contains(said, want) {
			t.Errorf("%s: said %s", want, said)
		}
	}
}
