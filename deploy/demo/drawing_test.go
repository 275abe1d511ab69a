package demo_test

import (
	"strings"
	"testing"

	"kerfgate/deploy/demo"
	"kerfgate/plan"
)

// TestDrawingsAreClean: each of the demo's drawings fits a sheet of its material and gives a plan
// without a warning, but for the one that its material brings and for small pieces that the bed's
// supports may not hold.
func TestDrawingsAreClean(t *testing.T) {
	t.Parallel()
	cutter := demo.Machines()[0]
	lots := map[string]demo.Lot{}
	for _, lot := range demo.Shelf() {
		lots[lot.Material.Name] = lot
	}
	for _, d := range demo.Drawings() {
		t.Run(d.File, func(t *testing.T) {
			t.Parallel()
			lot := lots[d.Material]
			p, err := plan.Make(plan.Request{Drawing: d.Data(), Operations: d.Operations, Default: plan.Cut, Tool: "beam", Profile: cutter.Profile,
				Material: lot.Material, Stock: lot.Stock, Settings: demo.Settings(cutter, "beam", d.Material)})
			if err != nil {
				t.Fatal(err)
			}
			for _, g := range p.Groups {
				t.Logf("%s: layer %q, %s, %d shapes, %d µm: %s", g.Letter, g.Layer, g.Colour, g.Shapes, g.LengthUM, d.Operations[g.Letter])
			}
			for _, w := range p.Warnings {
				supports := strings.HasPrefix(w.What, "pieces that may fall") || strings.HasPrefix(w.What, "pieces that may tip")
				if !strings.Contains(w.What, "to be worked with care") && !supports {
					t.Errorf("warning: %s (%s)", w.What, w.Where)
				}
			}
			if len(p.Pieces) == 0 {
				t.Error("nothing comes loose")
			}
		})
	}
}
