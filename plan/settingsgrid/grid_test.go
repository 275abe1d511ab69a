package settingsgrid

import (
	"errors"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"kerfgate/plan"
	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/plan/material"
)

func cutter() machine.Profile {
	travel := geom.Box{Max: geom.Pt(300_000, 200_000)}
	return machine.Profile{
		Name: "cutter", TravelUM: travel, HardStops: travel, SmallestStepUM: 10, TravelSpeedUMPerS: 300_000, WorkSpeedUMPerS: 200_000,
		AccelXUMPerS2: 2_500_000, AccelYUMPerS2: 1_500_000, CornerToleranceUM: 30,
		Tools: []machine.Tool{
			{Name: "beam", Kind: machine.ToolBeam, WavelengthNM: 10_600, PowerMW: 40_000, SpotUM: 200,
				Switch: machine.Switch{Kind: machine.SwitchLevel, OnDelayMS: 2, OffDelayMS: 2, Levels: true, InMotion: true}},
			{Name: "diode", Kind: machine.ToolBeam, WavelengthNM: 445, PowerMW: 5_000, SpotUM: 180, Switch: machine.Switch{Kind: machine.SwitchHold}},
			{Name: "pen", Kind: machine.ToolPen, SpotUM: 500, Switch: machine.Switch{Kind: machine.SwitchHold, OnDelayMS: 100, OffDelayMS: 100}},
		},
		Enclosure: machine.Enclosure{Kind: machine.EnclosureLidded, VolumeL: 60, Interlock: true}, Air: machine.Air{MeasuredFlowM3PerH: 150},
	}
}

// made plans a grid in a material that is to be worked with care and has no proven setting at all.
func made(g Grid, tool string) (*plan.Plan, error) {
	return plan.Make(plan.Request{
		Drawing: g.SVG(), Operations: g.Operations(), Tool: tool, Profile: cutter(), Choices: g.Choices(),
		Material: material.Material{Name: "felt", Composition: material.Of("wool"), Verdict: material.WithCare},
		Stock:    material.Stock{Lot: "F-1", ThicknessUM: 2_000, SheetWidthUM: 100_000, SheetHeightUM: 100_000},
	})
}

// TestAnyGrid: whatever is asked for, the plan lies on 60 × 60 mm, gives each cell its own speed and power
// within its own box, and nothing weaker ever comes after something stronger (dose: P/v).
func TestAnyGrid(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		s := Spec{Operation: rapid.SampledFrom([]plan.Operation{plan.Cut, plan.Mark}).Draw(t, "operation"), Passes: rapid.Int64Range(1, 4).Draw(t, "passes")}
		s.Speeds = rapid.SliceOfNDistinct(rapid.Map(rapid.Int64Range(1, 200), func(v int64) int64 { return v * 1000 }), 1, 5, rapid.ID).Draw(t, "speeds")
		s.Powers = rapid.SliceOfNDistinct(rapid.Int64Range(1, 1000), 2, 5, rapid.ID).Draw(t, "powers")
		g, err := New(s, cutter().Tools[0])
		if err != nil {
			t.Fatal(err)
		}
		p, err := made(g, "beam")
		if err != nil {
			t.Fatal(err)
		}
		if p.Extents.Width() > 60_000 || p.Extents.Height() > 60_000 {
			t.Fatalf("extents %v", p.Extents)
		}
		cell := map[string]Cell{}
		for i, c := range g.Cells {
			cell[g.Letter(i)] = c
		}
		shift := geom.Point{} // the plan's origin is the corner of what is marked
		strokes, dose := map[string]int64{}, 0.0
		for _, s := range p.Strokes {
			if now := float64(s.PowerPermille) / float64(s.SpeedUMPerS); now < dose*(1-1e-12) {
				t.Fatalf("a stroke of %g after one of %g", now, dose)
			} else {
				dose = now
			}
			c, ok := cell[s.Group]
			if !ok {
				if s.Operation != plan.Mark {
					t.Fatalf("labels are to be %s", s.Operation)
				}
				continue
			}
			box, _ := geom.BoxOf(s.Points...)
			if strokes[s.Group] == 0 && len(strokes) == 0 {
				shift = c.Box.Min.Sub(box.Min)
			}
			strokes[s.Group]++
			if box.Move(shift) != c.Box || s.SpeedUMPerS != c.Setting.SpeedUMPerS || s.PowerPermille != c.Setting.PowerPermille || s.Operation != g.Operation {
				t.Fatalf("cell %+v got %v at %d and %d", c, box.Move(shift), s.SpeedUMPerS, s.PowerPermille)
			}
		}
		if len(strokes) != len(s.Speeds)*len(s.Powers) {
			t.Fatalf("%d cells worked", len(strokes))
		}
	})
}

// TestDoseOfCells: doses by the formula P/v, and the energy that the planner reckons for the whole from its
// motion, corners included, is what doses and lengths make.
func TestDoseOfCells(t *testing.T) {
	t.Parallel()
	g, err := New(Spec{Operation: plan.Mark, Speeds: []int64{100_000, 50_000}, Powers: []int64{200, 800}, Passes: 1}, cutter().Tools[0])
	if err != nil {
		t.Fatal(err)
	}
	p, err := made(g, "beam")
	if err != nil {
		t.Fatal(err)
	}
	least, most := g.Cells[0].DoseUJPerMM, g.Cells[3].DoseUJPerMM
	if least != 80_000 || most != 640_000 { // 40 W × 0.2 ÷ 100 mm/s, 40 W × 0.8 ÷ 50 mm/s
		t.Errorf("doses %d and %d µJ/mm", least, most)
	}
	told := map[string]int64{}
	for i, c := range g.Cells {
		told[g.Letter(i)] = c.DoseUJPerMM
	}
	want := 0.0
	for _, s := range p.Strokes {
		dose, ok := told[s.Group]
		if !ok {
			dose = g.Cells[g.labels].DoseUJPerMM
		}
		want += float64(dose) * float64(s.MarkedUM()) / 1e6 // µJ/mm × µm = nJ; in mJ
	}
	if got := float64(p.Numbers.EnergyMJ); got < 0.98*want || got > 1.05*want {
		t.Errorf("the planner finds %g mJ, the cells say %g", got, want)
	}
}

// TestReached: of a run that ended early only what was surely worked whole may be chosen; the cell under
// way is told as broken off, the rest as not worked.
func TestReached(t *testing.T) {
	t.Parallel()
	g, err := New(Spec{Operation: plan.Cut, Speeds: []int64{4_000, 8_000}, Powers: []int64{400, 700, 1000}, Passes: 1}, cutter().Tools[0])
	if err != nil {
		t.Fatal(err)
	}
	p, err := made(g, "beam")
	if err != nil {
		t.Fatal(err)
	}
	whole := 0
	for doneMS := int64(0); doneMS < p.Numbers.TotalMS; doneMS += 100 {
		now, last := 0, Whole
		for _, s := range g.Reached(p, cutter(), doneMS, false) {
			if s == Whole && last != Whole || s == Broken && last == Untried {
				t.Fatalf("at %d ms: %v", doneMS, g.Reached(p, cutter(), doneMS, false))
			}
			if last = s; s == Whole {
				now++
			}
		}
		if now < whole || now > whole+1 {
			t.Fatalf("at %d ms %d cells are whole, before it were %d", doneMS, now, whole)
		}
		whole = now
	}
	if whole < 5 {
		t.Errorf("at the end %d cells are whole", whole)
	}
	for _, s := range g.Reached(p, cutter(), 0, true) {
		if s != Whole {
			t.Error("a run that went to its end left a cell out")
		}
	}
}

// TestSpecs: what is refused, with all reasons at once.
func TestSpecs(t *testing.T) {
	t.Parallel()
	ok := Spec{Operation: plan.Cut, Speeds: []int64{5_000, 10_000}, Powers: []int64{500, 1000}, Passes: 1}
	for want, spoil := range map[string]struct {
		tool  int
		spoil func(*Spec)
	}{
		"a pen does not cut":        {2, func(*Spec) {}},
		"no power between":          {1, func(*Spec) {}},
		"not tried by a grid":       {0, func(s *Spec) { s.Operation = plan.Engrave }},
		"6 speeds":                  {0, func(s *Spec) { s.Speeds = []int64{1_000, 2_000, 3_000, 4_000, 5_000, 6_000} }},
		"0 powers":                  {0, func(s *Spec) { s.Powers = nil }},
		"one cell is no grid":       {0, func(s *Spec) { s.Powers, s.Speeds = s.Powers[:1], s.Speeds[:1] }},
		"stands twice":              {0, func(s *Spec) { s.Powers[1] = 500 }},
		"too long to be written":    {0, func(s *Spec) { s.Speeds[0] = 5_125 }},
		"0.05 mm/s; choose":         {0, func(s *Spec) { s.Speeds[0] = 50 }},
		"a power of 100.1 %":        {0, func(s *Spec) { s.Powers[0] = 1_001 }},
		"0 passes; choose 1 to 20.": {0, func(s *Spec) { s.Passes = 0 }},
	} {
		s := ok
		s.Speeds, s.Powers = append([]int64(nil), ok.Speeds...), append([]int64(nil), ok.Powers...)
		spoil.spoil(&s)
		_, err := New(s, cutter().Tools[spoil.tool])
		if !errors.Is(err, ErrSpec) || !strings.Contains(err.Error()+".", want) {
			t.Errorf("%s: %v", want, err)
		}
	}
	if _, err := New(Spec{Operation: plan.Draw, Speeds: []int64{20_000, 60_000}, Powers: []int64{1000}, Passes: 1}, cutter().Tools[2]); err != nil {
		t.Errorf("a pen's speeds: %v", err)
	}
}
