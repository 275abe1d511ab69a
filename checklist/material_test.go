package checklist_test

import (
	"strings"
	"testing"

	"kerfgate/checklist"
	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/plan/material"
)

// With care asks one more answer, which names the fume; a pen run and an allowed material do not.
func TestCareNamesTheFume(t *testing.T) {
	t.Parallel()
	f := facts()
	l, _ := material.ListedAs(18)
	list := checklist.Standard(f.Profile)
	with := list.ForMaterial(f.Tool, l.Material)
	care, ok := with.Item(checklist.ItemCare)
	if !ok || !strings.Contains(care.Ask, "hydrogen cyanide") || !strings.Contains(care.Fields[0].Title, "hydrogen cyanide") {
		t.Fatalf("%+v", care)
	}
	if n := len(with.Items); n != 7 || with.Items[n-1].Key != checklist.ItemSupply || len(list.Items) != 6 {
		t.Errorf("%+v", with.Items)
	}
	if err := with.Validate(f.Profile); err != nil {
		t.Error(err)
	}
	if len(list.ForMaterial(f.Profile.Tools[1], l.Material).Items) != 6 || len(list.ForMaterial(f.Tool, f.Material).Items) != 6 {
		t.Error("a pen run or an allowed material asks for care")
	}
	for said, up := range map[string]bool{"yes": true, "no": false} {
		if bar := checklist.Judge(care, checklist.Values{"drawn": said}, nil, f); bar.Up != up || !strings.Contains(bar.Needs, "hydrogen cyanide") {
			t.Errorf("%s: %+v", said, bar)
		}
	}
	// Craft paper without a data sheet is told by its marks, each time.
	paper, _ := material.ListedAs(53)
	care, _ = list.ForMaterial(f.Tool, paper.Material).Item(checklist.ItemCare)
	if len(care.Fields) != 2 || !strings.Contains(care.Fields[1].Title, "fibre edge when torn") {
		t.Errorf("%+v", care.Fields)
	}
}

// What a run's plan does has to be proven, and still is what was proven; the settings trial alone may not be.
func TestUnprovenIsRefused(t *testing.T) {
	t.Parallel()
	cut := material.Setting{Operation: "cut", SpeedUMPerS: 10_000, PowerPermille: 1000, Passes: 1, Evidence: "run 12", DoseUJPerMM: 500_000} // 5 W
	for name, c := range map[string]struct {
		change func(f *checklist.Facts)
		want   string // empty: it passes
	}{
		"as proven":           {func(*checklist.Facts) {}, ""},
		"a little off":        {func(f *checklist.Facts) { f.Work.Proven[0].DoseUJPerMM = 450_000 }, ""},
		"too far off":         {func(f *checklist.Facts) { f.Work.Proven[0].DoseUJPerMM = 400_000 }, "25 %"},
		"a share of its own":  {func(f *checklist.Facts) { f.Work.Proven[0].DoseUJPerMM = 450_000; f.Profile.DoseSharePermille = 50 }, "11.2 %"},
		"another beam":        {func(f *checklist.Facts) { f.Tool.PowerMW = 10_000 }, "1.000 J/mm lies 100 % from the 0.500 J/mm"},
		"dose not kept":       {func(f *checklist.Facts) { f.Work.Proven[0].DoseUJPerMM = 0 }, ""},
		"proven anew":         {func(f *checklist.Facts) { f.Work.Proven[0].DoseUJPerMM = 0; f.Work.Proven[0].SpeedUMPerS = 20_000 }, "100 %"},
		"withdrawn":           {func(f *checklist.Facts) { f.Work.Proven = nil }, "nothing is proven any more to cut"},
		"with care, no proof": {func(f *checklist.Facts) { f.Material.Verdict = material.WithCare; f.Work.Proven[0].Evidence = " " }, "names no run"},
		"not kept":            {func(f *checklist.Facts) { f.Work.Lost = true }, "was not kept"},
		"mark only":           {func(f *checklist.Facts) { f.Material.Only = []string{"mark"} }, "may only mark"},
		"a trial":             {func(f *checklist.Facts) { f.Work = checklist.Work{Trial: true} }, ""},
		"a trial in halogen": {func(f *checklist.Facts) {
			f.Work = checklist.Work{Trial: true}
			f.Material.Composition = material.Of("pvc")
		}, "chlorine"},
		"a tested lot": {func(f *checklist.Facts) { f.Stock.Halogen = true }, "copper-wire"},
		"a pen": {func(f *checklist.Facts) {
			f.Tool = f.Profile.Tools[1]
			f.Work, f.Stock.Halogen, f.Material = checklist.Work{Lost: true}, true, material.Material{}
		}, ""},
	} {
		f := facts()
		f.Work = checklist.Work{Settings: []material.Setting{cut}, Proven: []material.Setting{cut}}
		c.change(&f)
		no := f.Forbidden()
		if c.want == "" && len(no) > 0 || c.want != "" && (len(no) != 1 || !strings.Contains(no[0].What, c.want) || no[0].Next == "") {
			t.Errorf("%s: %v", name, no)
		}
	}
}

// Alone, a test piece of at most 60 × 60 mm on the same lot comes before the first run in a new material.
func TestAloneFirstPiece(t *testing.T) {
	t.Parallel()
	beam, pen := facts().Tool, machine.Tool{Kind: machine.ToolPen}
	piece, sheet := geom.Pt(60_000, 60_000), geom.Pt(60_001, 20_000)
	for name, c := range map[string]struct {
		alone bool
		tool  machine.Tool
		size  geom.Point
		tried checklist.Tried
		may   bool
	}{
		"a test piece":            {true, beam, piece, checklist.Tried{}, true},
		"a whole sheet":           {true, beam, sheet, checklist.Tried{}, false},
		"after a test piece":      {true, beam, sheet, checklist.Tried{Lot: true}, true},
		"no longer new":           {true, beam, sheet, checklist.Tried{Whole: true}, true},
		"size not kept":           {true, beam, geom.Point{}, checklist.Tried{}, false},
		"a pen":                   {true, pen, sheet, checklist.Tried{}, true},
		"with others about":       {false, beam, sheet, checklist.Tried{}, true},
		"too high":                {true, beam, geom.Pt(10_000, 60_001), checklist.Tried{}, false},
		"nothing that it marks":   {true, beam, geom.Pt(0, 10_000), checklist.Tried{}, false},
		"small on another, tried": {true, beam, piece, checklist.Tried{Whole: true}, true},
	} {
		r, ok := checklist.FirstPiece(c.alone, c.tool, c.size, c.tried)
		if ok != c.may || !ok && !strings.Contains(r.Next, "60 × 60 mm") {
			t.Errorf("%s: %v %+v", name, ok, r)
		}
	}
}
