package plan_test

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"kerfgate/plan"
	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/plan/material"
)

// TestRefusals: each reason has its field and says what to do next.
func TestRefusals(t *testing.T) {
	t.Parallel()
	const plate = `<rect width="100" height="60"/>`
	beam := func(r *plan.Request) *machine.Tool { return &r.Profile.Tools[0] }
	for _, tc := range []struct {
		name, field, want string
		spoil             func(r *plan.Request)
	}{
		{"larger than travel", "drawing", "larger than the machine's travel", func(r *plan.Request) { r.Profile.TravelUM.Max = geom.Pt(99_999, 200_000) }},
		{"larger than sheet", "stock", "larger than the sheet", func(r *plan.Request) { r.Stock.SheetHeightUM = 59_999 }},
		{"no sheet size", "stock", "no sheet size", func(r *plan.Request) { r.Stock.SheetHeightUM = 0 }},
		{"forbidden", "material", "must not go under a beam", func(r *plan.Request) { r.Material.Verdict = material.Forbidden }},
		{"unknown verdict", "material", "unknown is forbidden", func(r *plan.Request) { r.Material.Verdict = "" }},
		{"made-up verdict", "material", "unknown is forbidden", func(r *plan.Request) { r.Material.Verdict = "fine" }},
		{"with care, unproven", "settings", "with care", func(r *plan.Request) { r.Material.Verdict = material.WithCare; r.Settings[0].Evidence = "" }},
		{"no setting", "settings", "no proven setting to cut", func(r *plan.Request) { r.Settings = r.Settings[1:] }},
		{"no speed", "settings", "no speed", func(r *plan.Request) { r.Settings[0].SpeedUMPerS = 0 }},
		{"too fast", "settings", "over the machine's greatest", func(r *plan.Request) { r.Settings[0].SpeedUMPerS = 80_001 }},
		{"too strong", "settings", "power is out of range", func(r *plan.Request) { r.Settings[0].PowerPermille = 1001 }},
		{"no levels", "settings", "between off and full", func(r *plan.Request) { beam(r).Switch.Levels = false; r.Settings[0].PowerPermille = 900 }},
		{"no passes", "settings", "passes is out of range", func(r *plan.Request) { r.Settings[0].Passes = 0 }},
		{"too many passes", "settings", "passes is out of range", func(r *plan.Request) { r.Settings[0].Passes = 51 }},
		{"no such tool", "tool", "no tool", func(r *plan.Request) { r.Tool = "knife" }},
		{"unknown kind of tool", "profile", "kind", func(r *plan.Request) { beam(r).Kind = "knife" }},
		{"pen cuts", "operations", "a pen does not cut", func(r *plan.Request) { r.Tool = "pen" }},
		{"toggle without sensor", "profile", "toggle without a sensor", func(r *plan.Request) { beam(r).Switch.Kind = machine.SwitchToggle }},
		{"unknown switch", "profile", "switch kind", func(r *plan.Request) { beam(r).Switch.Kind = "" }},
		{"no power", "profile", "power is not known", func(r *plan.Request) { beam(r).PowerMW = 0 }},
		{"no flow", "profile", "purge time cannot be computed", func(r *plan.Request) { r.Profile.Air.MeasuredFlowM3PerH = 0 }},
		{"purge too long", "profile", "purge takes too long", func(r *plan.Request) { r.Profile.Enclosure.VolumeL = 1_000 }},
		{"no enclosure", "profile", "enclosure's kind", func(r *plan.Request) { r.Profile.Enclosure.Kind = "" }},
		{"no acceleration", "profile", "accel_x_um_per_s2", func(r *plan.Request) { r.Profile.AccelXUMPerS2 = 0 }},
		{"no step", "profile", "smallest_step_um", func(r *plan.Request) { r.Profile.SmallestStepUM = -1 }},
		{"travel beyond stops", "profile", "hard stops", func(r *plan.Request) { r.Profile.HardStops.Max = geom.Pt(1, 1) }},
		{"negative corner", "profile", "corner tolerance", func(r *plan.Request) { r.Profile.CornerToleranceUM = -1 }},
		{"no operation", "operations.A", "group A has no operation", func(r *plan.Request) { r.Default = "" }},
		{"unknown operation", "operations.A", "not known", func(r *plan.Request) { r.Operations = map[string]plan.Operation{"A": "melt"} }},
		{"no such group", "operations", "no group", func(r *plan.Request) { r.Operations = map[string]plan.Operation{"Q": plan.Cut} }},
		{"nothing drawn", "drawing", "no line", func(r *plan.Request) { r.Drawing = []byte(inMM("")) }},
		{"text alone", "drawing", "no line", func(r *plan.Request) { r.Drawing = []byte(inMM("<text>Kale</text>")) }},
		{"open lines engraved", "operations", "nothing is left", func(r *plan.Request) {
			r.Drawing, r.Default = []byte(inMM(`<path d="M0 0h5"/>`)), plan.Engrave
		}},
		{"not SVG", "drawing", "not SVG", func(r *plan.Request) { r.Drawing = []byte("<html/>") }},
		{"rest too short for the switch", "settings", "longer than it may be", func(r *plan.Request) {
			beam(r).LongestOnMS, beam(r).Switch.OffDelayMS = 100, 100
		}},
	} {
		req := request(inMM(plate))
		tc.spoil(&req)
		_, err := plan.Make(req)
		var refusal *plan.Refusal
		if !errors.As(err, &refusal) {
			t.Errorf("%s: got %v", tc.name, err)
			continue
		}
		found := false
		for _, r := range refusal.Reasons {
			found = found || r.Field == tc.field && strings.Contains(r.What, tc.want)
			if r.What == "" || r.Next == "" || r.Field == "" {
				t.Errorf("%s: reason %+v", tc.name, r)
			}
		}
		if !found {
			t.Errorf("%s: no reason with %q in field %s: %+v", tc.name, tc.want, tc.field, refusal.Reasons)
		}
	}
}

// TestTenMillionPointsTakeLittleMemory: a drawing of ten million points, and one that passes make so many of, are refused
// with the bound, and memory stays within it.
func TestTenMillionPointsTakeLittleMemory(t *testing.T) {
	if raceDetector {
		t.Skip("SKIPPED: the race detector takes memory of its own; make test runs this without it")
	}
	var drawn strings.Builder
	drawn.WriteString(`<svg xmlns="http://www.w3.org/2000/svg" width="250mm" height="150mm" viewBox="0 0 250 150"><path fill="none" stroke="black" d="M9 9`)
	for range 5_000_000 {
		drawn.WriteString("h9h-9")
	}
	drawn.WriteString(`"/></svg>`)
	often := request(string(outlines(210_000)))
	often.Profile.TravelUM.Max, often.Profile.HardStops.Max = geom.Pt(600_000, 600_000), geom.Pt(600_000, 600_000)
	often.Stock.SheetWidthUM, often.Stock.SheetHeightUM = 500_000, 500_000
	often.Default, often.Choices.Effort = plan.Mark, plan.NoEffort
	often.Settings[1].Passes = 50
	for _, tc := range []struct {
		name, limit string
		req         plan.Request
	}{{"ten million points", "1500000", request(drawn.String())}, {"fifty passes", "10000000", often}} {
		most := peak()
		_, err := plan.Make(tc.req)
		var refusal *plan.Refusal
		if !errors.As(err, &refusal) || len(refusal.Reasons) != 1 || refusal.Reasons[0].Limit != tc.limit || refusal.Reasons[0].Next == "" {
			t.Errorf("%s: %v", tc.name, err)
		}
		if mib := most(); mib > 1024 {
			t.Errorf("%s took %.0f MiB", tc.name, mib)
		}
	}
}

// TestAllReasonsAtOnce: who corrects one thing should not meet the next one afterwards.
func TestAllReasonsAtOnce(t *testing.T) {
	t.Parallel()
	req := request(inMM(`<rect width="100" height="60"/>`))
	req.Material.Verdict = material.Forbidden
	req.Profile.Air.MeasuredFlowM3PerH = 0
	req.Settings = nil
	req.Operations = map[string]plan.Operation{"Z": plan.Mark}
	_, err := plan.Make(req)
	var refusal *plan.Refusal
	if !errors.As(err, &refusal) || len(refusal.Reasons) != 4 {
		t.Fatalf("got %v", err)
	}
	if text := refusal.Error(); !strings.HasPrefix(text, "no plan: ") || strings.Count(text, "; ") < 3 {
		t.Errorf("error %q", text)
	}
}

func FuzzMake(f *testing.F) {
	for _, body := range []string{
		`<rect width="100" height="60"/><circle cx="50" cy="30" r="9"/>`,
		`<path d="M0 0h10"/><path d="M10 0v10L0 0"/><path d="M0 0h10"/>`,
		`<use href="#a"/><path id="a" transform="rotate(3)" d="M0 0c9 9 9-9 50 50a4 5 6 1 0 3 3z"/>`,
	} {
		for more := range uint8(32) {
			f.Add([]byte(inMM(body)), uint8(3), more)
		}
	}
	f.Add([]byte("0\nSECTION\n2\nENTITIES\n0\nCIRCLE\n10\n20\n20\n20\n40\n9\n0\nENDSEC\n0\nEOF\n"), uint8(3), uint8(0))
	f.Fuzz(func(t *testing.T, data []byte, op, more uint8) {
		if len(data) > 4096 {
			return
		}
		req := request(string(data))
		req.Default = []plan.Operation{plan.Engrave, plan.Mark, plan.Draw, plan.Cut}[op%4]
		req.Settings[0].Passes = 1
		req.Choices = plan.Choices{UnitUM: 1_000, PictureWidthUM: 30_000, NoKerf: more&1 > 0, Effort: 1}
		req.Profile.Tools[0].Switch.InMotion = more&2 > 0
		if more&4 > 0 {
			req.Choices.Tabs, req.Choices.RunInUM, req.Choices.OverlapUM = plan.Tabs{Count: 3}, 1_500, 400
		}
		if more&16 > 0 {
			s := &req.Profile.Tools[0].Switch
			s.OnDelayMS, s.OffDelayMS, s.JitterMS = 80, 60, 20
		}
		if more&8 > 0 {
			req.Choices.Array = plan.Array{Columns: 2, Rows: 2, GapUM: 1_000}
		}
		p, err := plan.Make(req)
		if err != nil {
			var refusal *plan.Refusal
			if !errors.As(err, &refusal) || len(refusal.Reasons) == 0 {
				t.Fatalf("not a refusal: %v", err)
			}
			return
		}
		if p.Extents.Min != (geom.Point{}) {
			t.Fatalf("extents %v", p.Extents)
		}
		for _, s := range p.Strokes {
			if len(s.Points) < 2 || s.Closed && req.Choices.RunInUM == 0 && more&18 != 18 && !slices.Contains(s.Points[1:], s.Points[0]) {
				t.Fatalf("stroke %+v", s)
			}
			for _, part := range s.Marked() {
				for _, q := range part {
					if box := (geom.Box{Min: q, Max: q}); !box.Inside(p.Extents) {
						t.Fatalf("%v outside %v", q, p.Extents)
					}
				}
			}
		}
		n, on := 0, false
		for l := range plan.Lines(p, req.Profile, geom.Point{}) {
			on = l.On
			if n++; n > 200_000 {
				return
			}
		}
		if on {
			t.Fatal("the tool stays on")
		}
	})
}
