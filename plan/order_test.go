package plan

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/plan/material"

	"pgregory.net/rapid"
)

// TestHolesBeforeOutlines (N2.4): whatever the travel costs, no outline is cut before what lies in
// it: random nested squares and slots, through the whole planner.
func TestHolesBeforeOutlines(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		var body strings.Builder
		var grow func(x, y, size float64)
		grow = func(x, y, size float64) {
			fmt.Fprintf(&body, `<rect x="%.3f" y="%.3f" width="%.3f" height="%.3f"/>`, x, y, size, size)
			if size < 2 {
				fmt.Fprintf(&body, `<path d="M%.3f %.3fh%.3f"/>`, x+size/4, y+size/4, size/4)
				return
			}
			for k := range 4 {
				if rapid.Bool().Draw(t, "child") {
					grow(x+size/16+float64(k%2)*size/2, y+size/16+float64(k/2)*size/2, size/3)
				}
			}
		}
		for i := range rapid.IntRange(1, 3).Draw(t, "plates") {
			grow(float64(i)*80, 0, 70)
		}
		req := plateRequest(body.String())
		req.Choices.Effort = 1 // the rule holds however hard the planner looks
		p, err := Make(req)
		if err != nil {
			t.Fatal(err)
		}
		boxes := make([]geom.Box, len(p.Strokes))
		for i, s := range p.Strokes {
			boxes[i], _ = geom.BoxOf(s.Points...)
		}
		for i := range boxes {
			for k := i + 1; k < len(boxes); k++ {
				if p.Strokes[i].Closed && boxes[k] != boxes[i] && boxes[k].Inside(boxes[i]) {
					t.Fatalf("stroke %d %v lies in stroke %d %v and comes later", k, boxes[k], i, boxes[i])
				}
			}
		}
	})
}

func plateRequest(body string) Request {
	return Request{
		Drawing: []byte(`<svg width="250mm" height="100mm" viewBox="0 0 250 100"><g fill="none" stroke="black">` + body + `</g></svg>`),
		Default: Cut, Tool: "beam",
		Profile: machine.Profile{
			TravelUM: geom.Box{Max: geom.Pt(1_000_000, 1_000_000)}, HardStops: geom.Box{Max: geom.Pt(1_000_000, 1_000_000)},
			SmallestStepUM: 10, TravelSpeedUMPerS: 100_000, WorkSpeedUMPerS: 50_000, AccelXUMPerS2: 1_000_000, AccelYUMPerS2: 500_000,
			Tools: []machine.Tool{{Name: "beam", Kind: machine.ToolBeam, PowerMW: 1_000, SpotUM: 100,
				Switch: machine.Switch{Kind: machine.SwitchHold}}},
			Enclosure: machine.Enclosure{Kind: machine.EnclosureOpen},
		},
		Material: material.Material{Name: "card", Composition: material.Of("cellulose"), Verdict: material.Allowed},
		Stock:    material.Stock{SheetWidthUM: 1_000_000, SheetHeightUM: 1_000_000},
		Settings: []material.Setting{{Operation: "cut", SpeedUMPerS: 10_000, PowerPermille: 1000, Passes: 1}},
	}
}

// TestOrderOfOperations: engrave, mark, draw, cut, whatever the drawing's order is.
func TestOrderOfOperations(t *testing.T) {
	t.Parallel()
	var body strings.Builder
	ops := []Operation{Cut, Mark, Engrave, Cut, Engrave, Mark}
	req := plateRequest("")
	req.Operations = map[string]Operation{}
	for i, op := range ops {
		fmt.Fprintf(&body, `<g id="layer %d"><rect x="%d" width="5" height="5"/></g>`, i, i*10)
		req.Operations[GroupLetter(i)] = op
		if op != Cut {
			req.Settings = append(req.Settings, material.Setting{Operation: string(op), SpeedUMPerS: 20_000, PowerPermille: 1000, Passes: 1})
		}
	}
	req.Drawing = plateRequest(body.String()).Drawing
	p, err := Make(req)
	if err != nil {
		t.Fatal(err)
	}
	var got []Operation
	for _, s := range p.Strokes {
		if len(got) == 0 || got[len(got)-1] != s.Operation {
			got = append(got, s.Operation)
		}
	}
	if !slices.Equal(got, []Operation{Engrave, Mark, Cut}) {
		t.Errorf("got %v", got)
	}
}
