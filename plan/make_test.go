package plan_test

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/png"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"kerfgate/plan"
	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/plan/material"
	"kerfgate/plan/motion"
)

// bench is a machine with a lidded beam and a pen, as the tests use it.
func bench() machine.Profile {
	box := func(x0, y0, x1, y1 int64) geom.Box { return geom.Box{Min: geom.Pt(x0, y0), Max: geom.Pt(x1, y1)} }
	return machine.Profile{
		Name: "bench", TravelUM: box(0, 0, 300_000, 200_000), HardStops: box(-2_000, -2_000, 302_000, 202_000),
		SmallestStepUM: 12, TravelSpeedUMPerS: 150_000, WorkSpeedUMPerS: 80_000,
		AccelXUMPerS2: 1_000_000, AccelYUMPerS2: 800_000, CornerToleranceUM: 20,
		Tools: []machine.Tool{
			{Name: "beam", Kind: machine.ToolBeam, WavelengthNM: 445, PowerMW: 5_000, SpotUM: 200,
				Switch: machine.Switch{Kind: machine.SwitchLevel, OnDelayMS: 2, OffDelayMS: 2, Levels: true}},
			{Name: "pen", Kind: machine.ToolPen, SpotUM: 500,
				Switch: machine.Switch{Kind: machine.SwitchHold, OnDelayMS: 150, OffDelayMS: 120}},
		},
		Enclosure: machine.Enclosure{Kind: machine.EnclosureLidded, VolumeL: 60, Interlock: true},
		Air:       machine.Air{MeasuredFlowM3PerH: 150},
		Driver:    machine.Driver{Kind: machine.DriverSimulated},
	}
}

func plywood() material.Material {
	return material.Material{Name: "poplar plywood 3 mm", Composition: material.Of("poplar", "urea glue"), Verdict: material.Allowed}
}

func sheet() material.Stock {
	return material.Stock{Lot: "P-7", Colour: "pale", ThicknessUM: 3_000, ToleranceUM: 200, SheetWidthUM: 280_000, SheetHeightUM: 180_000}
}

func settings() []material.Setting {
	return []material.Setting{
		{Operation: "cut", SpeedUMPerS: 5_000, PowerPermille: 1000, Passes: 2, KerfUM: 180, Evidence: "run 1"},
		{Operation: "mark", SpeedUMPerS: 40_000, PowerPermille: 350, Passes: 1, Evidence: "run 1"},
		{Operation: "engrave", SpeedUMPerS: 60_000, PowerPermille: 300, Passes: 1, Evidence: "run 1"},
		{Operation: "draw", SpeedUMPerS: 30_000, PowerPermille: 1000, Passes: 1, Evidence: "run 1"},
	}
}

func request(drawing string) plan.Request {
	return plan.Request{
		Drawing: []byte(drawing), Default: plan.Cut, Tool: "beam", Profile: bench(),
		Material: plywood(), Stock: sheet(), Settings: settings(),
	}
}

func demo(t testing.TB, name string) plan.Request {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "deploy", "demo", "drawings", name))
	if err != nil {
		t.Fatal(err)
	}
	req := request(string(data))
	req.Operations = map[string]plan.Operation{"B": plan.Mark}
	return req
}

func mustMake(t testing.TB, req plan.Request) *plan.Plan {
	t.Helper()
	p, err := plan.Make(req)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// inMM wraps elements in a page of 250 × 150 mm whose user unit is a millimetre.
func inMM(body string) string {
	return `<svg xmlns="http://www.w3.org/2000/svg" width="250mm" height="150mm" viewBox="0 0 250 150"><g fill="none" stroke="black">` + body + `</g></svg>`
}

// TestGroups: layers and line colours make groups, with letters by order of appearance.
func TestGroups(t *testing.T) {
	t.Parallel()
	p := mustMake(t, demo(t, "plant-labels.svg"))
	if len(p.Groups) != 2 || p.Groups[0].Letter != "A" || p.Groups[0].Layer != "label edge" || p.Groups[0].Colour != "#b03a2e" ||
		p.Groups[1].Letter != "B" || p.Groups[1].Layer != "label row" || p.Groups[0].Shapes != 6 || p.Groups[1].Shapes != 6 {
		t.Errorf("groups %+v", p.Groups)
	}
	for _, s := range p.Strokes {
		if want := map[string]plan.Operation{"A": plan.Cut, "B": plan.Mark}[s.Group]; s.Operation != want {
			t.Errorf("group %s: %s", s.Group, s.Operation)
		}
	}
	var body strings.Builder
	for i := range 30 {
		fmt.Fprintf(&body, `<path d="M0 %dh5" stroke="#0000%02x"/>`, i, i)
	}
	p = mustMake(t, request(inMM(body.String())))
	if got := p.Groups[25].Letter + p.Groups[26].Letter + p.Groups[29].Letter; got != "ZAAAD" {
		t.Errorf("letters %q", got)
	}
}

// TestLengthsAndArea against formulas: a plate of 100 × 60 mm with a hole of radius 10 mm.
func TestLengthsAndArea(t *testing.T) {
	t.Parallel()
	req := request(inMM(`<rect x="20" y="30" width="100" height="60"/><circle cx="50" cy="60" r="10"/><path d="M30 35h40"/>`))
	req.Choices.NoKerf = true
	p := mustMake(t, req)
	near(t, "cut", float64(p.Numbers.CutUM), 2*(320_000+20_000*math.Pi+40_000), 100) // two passes
	if p.Numbers.WorkUM != p.Numbers.CutUM || p.Numbers.MarkUM != 0 {
		t.Errorf("numbers %+v", p.Numbers)
	}
	if len(p.Pieces) != 2 || !p.Pieces[0].Dropout || p.Pieces[1].Dropout {
		t.Fatalf("pieces %+v", p.Pieces)
	}
	near(t, "drop-out", float64(p.Pieces[0].AreaMM2), 100*math.Pi, 1)
	near(t, "piece", float64(p.Pieces[1].AreaMM2), 6000-100*math.Pi, 1)
	if want := (geom.Box{Max: geom.Pt(100_000, 60_000)}); p.Extents != want {
		t.Errorf("extents %v", p.Extents)
	}
	// y is turned over: the hole lies in the middle of the plate's height, the slot near its top.
	for _, s := range p.Strokes {
		if !s.Closed && s.Points[0].Y != 55_000 {
			t.Errorf("slot at %v", s.Points[0])
		}
	}
	n := p.Numbers
	if d := n.TotalMS - n.BeamMS - n.TravelMS - n.WaitMS; d < -3 || d > 3 {
		t.Errorf("times do not add up: %+v", n)
	}
	// 5 W over the time with the beam on; switching off adds 6 × 2 ms.
	near(t, "energy", float64(n.EnergyMJ), 5*float64(n.BeamMS+12), 10)
	if n.BeamMS < n.WorkUM/5 {
		t.Errorf("%d ms for %d µm at 5 mm/s", n.BeamMS, n.WorkUM)
	}
	if p.PurgeS != 100 {
		t.Errorf("purge %d s", p.PurgeS)
	}
}

// TestPieces: a ring in a plate: plate and inner disc are pieces, the ring between is waste.
func TestPieces(t *testing.T) {
	t.Parallel()
	p := mustMake(t, request(inMM(`<rect width="100" height="100"/><circle cx="50" cy="50" r="30"/><circle cx="50" cy="50" r="20"/>`)))
	if len(p.Pieces) != 3 {
		t.Fatalf("pieces %+v", p.Pieces)
	}
	for i, want := range []struct {
		dropout bool
		area    float64 // mm²
	}{{false, 400 * math.Pi}, {true, 500 * math.Pi}, {false, 10_000 - 900*math.Pi}} {
		piece := p.Pieces[i]
		if piece.Number != int64(i+1) || piece.Dropout != want.dropout {
			t.Errorf("piece %d: %+v", i, piece)
		}
		near(t, "area", float64(piece.AreaMM2), want.area, 2) // chords of 12 µm sagitta
	}
	seen := int64(0)
	for _, s := range p.Strokes {
		if s.Piece > 0 {
			if seen++; s.Piece != seen {
				t.Errorf("piece %d comes loose as number %d", s.Piece, seen)
			}
		}
	}
	if seen != 3 {
		t.Errorf("%d pieces come loose", seen)
	}
}

// TestCleaning: doubles go with a warning that says how many mm, and open ends that meet are joined.
func TestCleaning(t *testing.T) {
	t.Parallel()
	req := request(inMM(`<rect width="30" height="20"/><path d="M30 20V0H0V20Z"/>
		<path d="M0 40h10"/><path d="M10 40v10"/><path d="M0 50.005h10"/><path d="M0 50V40"/><path d="M50 50h0"/>`))
	req.Settings[0].Passes = 1
	p := mustMake(t, req)
	if len(p.Strokes) != 2 || !p.Strokes[0].Closed || !p.Strokes[1].Closed {
		t.Errorf("strokes %+v", p.Strokes)
	}
	if !warned(p, "100 mm of lines lie on others") {
		t.Errorf("warnings %+v", p.Warnings)
	}
	// Of three ends in one point those are joined that go on straightest.
	req.Drawing = []byte(inMM(`<path d="M0 0h10"/><path d="M10 0h10"/><path d="M10 0v10"/>`))
	if p = mustMake(t, req); len(p.Strokes) != 2 {
		t.Errorf("%d strokes at a fork", len(p.Strokes))
	}
	if !warned(p, "open cut lines, which free nothing: 2") {
		t.Errorf("warnings %+v", p.Warnings)
	}
	// A line drawn as a chain of four in changing directions is one.
	req.Drawing = []byte(inMM(`<path d="M20 0h-10"/><path d="M0 0h10"/><path d="M30 5L20 0"/><path d="M30 5h9"/>`))
	if p = mustMake(t, req); len(p.Strokes) != 1 || len(p.Strokes[0].Points) != 5 {
		t.Errorf("chain: %+v", p.Strokes)
	}
}

func warned(p *plan.Plan, what string) bool {
	for _, w := range p.Warnings {
		if strings.Contains(w.What, what) && w.Where != "" && w.Next != "" {
			return true
		}
	}
	return false
}

func near(t testing.TB, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: got %v, want %v within %v", what, got, want, within)
	}
}

// TestPasses: closed lines are repeated from the same point, open ones there and back; only the
// last pass frees the piece.
func TestPasses(t *testing.T) {
	t.Parallel()
	req := request(inMM(`<rect width="30" height="20"/><path d="M50 0h10"/>`))
	req.Settings[0].Passes = 3
	p := mustMake(t, req)
	if len(p.Strokes) != 6 {
		t.Fatalf("%d strokes", len(p.Strokes))
	}
	var free []int64
	for i, s := range p.Strokes {
		if s.Closed {
			free = append(free, s.Piece)
		}
		if i > 0 && s.Closed == p.Strokes[i-1].Closed {
			before := p.Strokes[i-1].Points
			if s.Points[0] != before[len(before)-1] {
				t.Errorf("pass %d does not begin where the last one ended", i)
			}
		}
	}
	if fmt.Sprint(free) != "[0 0 1]" {
		t.Errorf("pieces %v", free)
	}
}

// TestEngrave: the filling of an area has area over pitch as its length, holes left out.
func TestEngrave(t *testing.T) {
	t.Parallel()
	req := request(inMM(`<rect width="40" height="30"/><circle cx="20" cy="15" r="10"/><path d="M100 0h10"/>`))
	req.Default = plan.Engrave
	p := mustMake(t, req)
	near(t, "filling", float64(p.Numbers.EngraveUM)*0.2/1000, 1200-100*math.Pi, 3)
	if len(p.Pieces) != 0 || !warned(p, "left out: 1") {
		t.Errorf("pieces %v, warnings %v", p.Pieces, p.Warnings)
	}
	for _, s := range p.Strokes {
		if s.Closed || len(s.Points) != 2 || s.Points[0].Y != s.Points[1].Y {
			t.Fatalf("stroke %+v", s)
		}
	}
}

// TestLongestOn: a stroke longer than the beam may stay on is divided, and the parts rest.
func TestLongestOn(t *testing.T) {
	t.Parallel()
	req := request(inMM(`<rect width="100" height="50"/>`))
	req.Profile.Tools[0].LongestOnMS, req.Profile.Tools[0].RestMS = 20_000, 5_000
	req.Choices.NoKerf = true
	req.Settings[0].Passes = 1
	p := mustMake(t, req)
	if len(p.Strokes) < 4 || !warned(p, "lines divided for it: 1") {
		t.Fatalf("%d strokes, %v", len(p.Strokes), p.Warnings)
	}
	for i, s := range p.Strokes {
		if last := i == len(p.Strokes)-1; (s.Piece == 1) != last || s.Closed {
			t.Errorf("part %d: piece %d, closed %v", i, s.Piece, s.Closed)
		}
	}
	near(t, "cut", float64(p.Numbers.CutUM), 300_000, 5)
	if p.Numbers.WaitMS < 5_000*int64(len(p.Strokes)-1) {
		t.Errorf("waits %d ms", p.Numbers.WaitMS)
	}
	var on int64
	var before motion.Line
	for l := range plan.Lines(p, req.Profile, geom.Point{}) {
		if before.On {
			on += l.EndMS - before.EndMS
		} else if strings.HasPrefix(l.Text, "G4") && l.EndMS-before.EndMS > 100 {
			on = 0
		}
		if on > 20_000 {
			t.Fatalf("%d ms without a rest", on)
		}
		before = l
	}
}

// TestSlowSwitch: 0.3 s of 5 W on one spot is 1.5 J, and the warning shows the arithmetic.
func TestSlowSwitch(t *testing.T) {
	t.Parallel()
	req := demo(t, "bed-sign.svg")
	req.Profile.Tools[0].Switch.OffDelayMS = 300
	if p := mustMake(t, req); !warned(p, "0.3 s of 5 W on one spot is 1.5 J") {
		t.Errorf("warnings %+v", p.Warnings)
	}
}

// TestPen: no purge, no energy, and a material that no beam may touch.
func TestPen(t *testing.T) {
	t.Parallel()
	req := demo(t, "plant-labels.svg")
	req.Tool, req.Default, req.Operations = "pen", plan.Draw, nil
	req.Material.Verdict = material.Forbidden
	p := mustMake(t, req)
	if p.PurgeS != 0 || p.Numbers.EnergyMJ != 0 || p.ToolKind != machine.ToolPen || p.Numbers.DrawUM == 0 {
		t.Errorf("%+v, purge %d", p.Numbers, p.PurgeS)
	}
	req = demo(t, "plant-labels.svg")
	req.Profile.Enclosure = machine.Enclosure{Kind: machine.EnclosureOpen}
	if p = mustMake(t, req); p.PurgeS != 60 {
		t.Errorf("open enclosure: %d s", p.PurgeS)
	}
}

// TestPlacement: everything marked lies within travel, hard stops and sheet.
func TestPlacement(t *testing.T) {
	t.Parallel()
	req := request(inMM(`<rect width="100" height="60"/>`))
	req.Choices.NoKerf = true
	p := mustMake(t, req)
	sheet := geom.Box{Min: geom.Pt(10_000, 10_000), Max: geom.Pt(290_000, 190_000)}
	for _, tc := range []struct {
		origin  geom.Point
		reasons int
	}{
		{geom.Pt(10_000, 10_000), 0},
		{geom.Pt(190_000, 130_000), 0},
		{geom.Pt(190_001, 130_000), 1},
		{geom.Pt(9_999, 10_000), 1},
		{geom.Pt(-1, 10_000), 2},
		{geom.Pt(-2_001, 10_000), 3},
	} {
		reasons := p.CheckPlacement(bench(), tc.origin, sheet)
		if len(reasons) != tc.reasons {
			t.Errorf("%v: %+v", tc.origin, reasons)
		}
		for _, r := range reasons {
			if r.What == "" || r.Next == "" || r.Field != "placement" || r.Limit == "" || r.Value == "" {
				t.Errorf("reason %+v", r)
			}
		}
	}
}

// TestKerf: a piece is cut half a kerf outside of its outline and an opening half a kerf inside, so
// that both get the drawn size (row N7.4; source: a cutting shop's page on kerf): with 0.2 mm, 2.0 × 4.0
// mm is cut along 2.2 × 4.2, an opening of that size along 1.8 × 3.8.
func TestKerf(t *testing.T) {
	t.Parallel()
	req := request(inMM(`<rect width="2" height="4"/><rect x="10" width="20" height="20"/><rect x="12" y="2" width="2" height="4"/>`))
	req.Settings[0].Passes, req.Settings[0].KerfUM = 1, 200
	p := mustMake(t, req)
	sizes := map[string]int{}
	for _, s := range p.Strokes {
		b, _ := geom.BoxOf(s.Points...)
		sizes[fmt.Sprint(b.Width(), b.Height())]++
	}
	if len(p.Strokes) != 3 || sizes["2200 4200"] != 1 || sizes["1800 3800"] != 1 || sizes["20200 20200"] != 1 {
		t.Errorf("cut along %v", sizes)
	}
	for _, piece := range p.Pieces { // pieces and openings have the drawn size
		if b := piece.Extents; b.Width() != 2_000 && b.Width() != 20_000 || piece.AreaMM2 != 8 && piece.AreaMM2 != 392 {
			t.Errorf("piece %+v", piece)
		}
	}
	req.Choices.NoKerf = true
	if p = mustMake(t, req); p.Extents.Max != geom.Pt(30_000, 20_000) {
		t.Errorf("without: %v", p.Extents)
	}
	req.Choices.NoKerf, req.Drawing = false, []byte(inMM(`<rect width="50" height="50"/><rect x="10" y="10" width="0.1" height="20"/>`))
	if p = mustMake(t, req); !warned(p, "closed cuts narrower than the kerf: 1, the narrowest 0.1 mm") || !warned(p, "nothing of it is cut") {
		t.Errorf("warnings %+v", p.Warnings)
	}
}

// TestTabs: what is left standing is not marked, and the piece is still counted; neither do waste
// pieces get fewer.
func TestTabs(t *testing.T) {
	t.Parallel()
	req := request(inMM(`<rect width="60" height="40"/>`))
	req.Settings[0].Passes, req.Choices = 2, plan.Choices{NoKerf: true, Tabs: plan.Tabs{Count: 4, WidthUM: 1_000}}
	p := mustMake(t, req)
	if len(p.Strokes) != 2 || len(p.Strokes[0].On) != 5 || len(p.Pieces) != 1 || p.Numbers.CutUM != 2*196_000 {
		t.Errorf("%+v, %+v", p.Strokes, p.Numbers)
	}
	burned := int64(0)
	for _, part := range p.Strokes[0].Marked() {
		burned += geom.Length(part)
	}
	if burned != 196_000 {
		t.Errorf("burned %d µm", burned)
	}
	req.Drawing, req.Choices.Tabs.WidthUM = []byte(inMM(`<circle cx="9" cy="9" r="4"/>`)), 5_000
	if p = mustMake(t, req); !warned(p, "long enough for a holding tab: 1") {
		t.Errorf("warnings %+v", p.Warnings)
	}
}

// TestOverlapLeavesTabs: where the overlap comes by a holding tab for the second time, the tab still
// stands.
func TestOverlapLeavesTabs(t *testing.T) {
	t.Parallel()
	req := request(inMM(`<rect width="60" height="40"/>`))
	req.Settings[0].Passes = 1
	req.Choices = plan.Choices{NoKerf: true, OverlapUM: 10_000, Tabs: plan.Tabs{Count: 20, WidthUM: 1_000}}
	s := mustMake(t, req).Strokes[0]
	const around = 200_000
	standing := make([]bool, around) // by µm around the outline
	for i := 1; i < len(s.On); i++ {
		for at := s.On[i-1].To; at < min(s.On[i].From, around); at++ {
			standing[at] = true
		}
	}
	again := 0
	for _, on := range s.On {
		for at := max(on.From, around); at < on.To; at++ {
			if standing[at-around] {
				t.Fatalf("the tab at %d µm is burned at %d µm: %v", at-around, at, s.On)
			}
			again++
		}
	}
	if again == 0 || !standing[s.On[0].To] || s.On[0].To >= 10_000 {
		t.Errorf("no tab lies within the overlap: %v", s.On)
	}
}

// TestArray: rows and columns make more pieces of one plan, and what no plan or sheet can hold is
// refused before any copy is made.
func TestArray(t *testing.T) {
	t.Parallel()
	req := request(inMM(`<rect width="30" height="20"/><circle cx="10" cy="10" r="5"/>`))
	req.Choices = plan.Choices{NoKerf: true, Array: plan.Array{Columns: 4, Rows: 3, GapUM: 5_000}}
	p := mustMake(t, req)
	if p.Numbers.Pieces != 12 || p.Numbers.Dropouts != 12 || p.Extents.Max != geom.Pt(4*35_000-5_000, 3*25_000-5_000) {
		t.Errorf("%+v, %v", p.Numbers, p.Extents)
	}
	if p.Groups[0].Shapes != 2 {
		t.Errorf("groups %+v", p.Groups)
	}
	if want := int64(math.Round(1000 * 135 * 70 / (280.0 * 180))); p.Numbers.SheetPermille != want {
		t.Errorf("%d ‰ of the sheet, want %d", p.Numbers.SheetPermille, want)
	}
	for _, tc := range []struct {
		array plan.Array
		field string
	}{
		{plan.Array{Columns: 9, GapUM: 5_000}, "choices.array"},
		{plan.Array{Columns: 2}, "choices.array.gap"},
		{plan.Array{Columns: 201, GapUM: 5_000}, "choices.array.columns"},
		{plan.Array{Rows: -1}, "choices.array.rows"},
		{plan.Array{Columns: 200, Rows: 200, GapUM: 100}, "choices.array"}, // more points than a plan takes
	} {
		req.Choices.Array = tc.array
		_, err := plan.Make(req)
		var refusal *plan.Refusal
		if !errors.As(err, &refusal) || refusal.Reasons[0].Field != tc.field {
			t.Errorf("%+v: %v", tc.array, err)
		}
	}
}

// TestPictures: a picture's group is engraved where there is a setting, left out with a warning where
// there is none, and never cut.
func TestPictures(t *testing.T) {
	t.Parallel()
	img := image.NewGray(image.Rect(0, 0, 20, 10))
	for i := range img.Pix {
		img.Pix[i] = uint8(i % 20 / 10 * 255) // left half black
	}
	var data bytes.Buffer
	if err := png.Encode(&data, img); err != nil {
		t.Fatal(err)
	}
	req := request("")
	req.Drawing = data.Bytes()
	_, err := plan.Make(req)
	var refusal *plan.Refusal
	if !errors.As(err, &refusal) || refusal.Reasons[0].Field != "choices.picture_width" {
		t.Fatalf("without a size: %v", err)
	}
	req.Choices.PictureWidthUM = 40_000
	req.Profile.Tools[0].Switch = machine.Switch{Kind: machine.SwitchLevel, InMotion: true, Levels: true}
	p := mustMake(t, req)
	if len(p.Groups) != 1 || p.Groups[0].Pictures != 1 || p.Strokes[0].Operation != plan.Engrave {
		t.Errorf("%+v", p.Groups)
	}
	// 20 × 20 mm of black in lines of 0.2 mm.
	near(t, "engraved", float64(p.Numbers.EngraveUM)*0.2/1000, 400, 8)
	near(t, "width", float64(p.Extents.Width()), 20_000, 250)
	if p.Reach.Width() <= p.Extents.Width() {
		t.Errorf("no over-travel: %v of %v", p.Reach, p.Extents)
	}
	req.Settings = req.Settings[:2]
	if _, err = plan.Make(req); !errors.As(err, &refusal) || !strings.Contains(err.Error(), "nothing is left") {
		t.Errorf("without a setting: %v", err)
	}
	req.Operations = map[string]plan.Operation{"A": plan.Cut}
	if _, err = plan.Make(req); !errors.As(err, &refusal) || !strings.Contains(err.Error(), "can only be engraved") {
		t.Errorf("cut: %v", err)
	}
}
