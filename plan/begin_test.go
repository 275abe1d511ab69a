package plan_test

import (
	"testing"

	"kerfgate/plan"
	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
)

func at(p geom.Point) geom.Box { return geom.Box{Min: p, Max: p} }

// TestRunInAndOverlap: the beam begins in the waste beside the cut, within a hole and outside an outline,
// and goes on past its beginning. What is burned outside the outline belongs to the extents.
func TestRunInAndOverlap(t *testing.T) {
	t.Parallel()
	req := request(inMM(`<rect width="60" height="60"/><rect x="20" y="20" width="20" height="20"/>`))
	req.Settings[0].Passes, req.Choices = 1, plan.Choices{NoKerf: true, RunInUM: 2_000, OverlapUM: 500}
	p := mustMake(t, req)
	if len(p.Strokes) != 2 || len(p.Pieces) != 2 {
		t.Fatalf("%+v", p.Strokes)
	}
	piece := p.Pieces[1].Extents
	for i, around := range []int64{80_000, 240_000} {
		s := p.Strokes[i]
		if !s.Closed || s.MarkedUM() != around+2_500 {
			t.Errorf("%d: %d µm", i, s.MarkedUM())
		}
		from := s.Points[0]
		waste := geom.Box{Min: p.Pieces[0].Extents.Min.Add(geom.Pt(1, 1)), Max: p.Pieces[0].Extents.Max.Sub(geom.Pt(1, 1))}
		if i == 0 && !at(from).Inside(waste) || i == 1 && at(from).Inside(piece) {
			t.Errorf("%d begins at %v, not in the waste", i, from)
		}
		if last := s.Points[len(s.Points)-1]; geom.Distance(s.Points[1], last) != 500 {
			t.Errorf("%d begins at %v, ends at %v", i, s.Points[1], last)
		}
		if !at(from).Inside(p.Extents) {
			t.Errorf("%d begins at %v, outside %v", i, from, p.Extents)
		}
	}
	if w, h := p.Extents.Width(), p.Extents.Height(); p.Extents.Min != (geom.Point{}) || w+h != 122_000 {
		t.Errorf("extents %v", p.Extents)
	}
	if p.Numbers.SheetPermille != (p.Extents.Width()*p.Extents.Height()*1000+25_200_000_000)/50_400_000_000 {
		t.Errorf("%d of the sheet", p.Numbers.SheetPermille)
	}
}

// TestRunInNeedsRoom: the sheet's edge and a neighbour bound the waste, and the warning says by how much.
func TestRunInNeedsRoom(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name, body    string
		width, height int64 // of the sheet
		want          string
	}{
		{"as large as the sheet", `<rect width="60" height="40"/>`, 60_000, 40_000, "no waste to run in over: 1"},
		{"one millimetre more", `<rect width="60" height="40"/>`, 61_000, 41_000, "should have: 1; the worst has 1.784 mm of 2 mm (what was asked for)"},
		{"half a millimetre apart", `<rect width="60" height="10"/><rect y="10.5" width="60" height="10"/><rect y="21" width="60" height="10"/>`, 60_000, 31_000, "should have: 3"},
	} {
		req := request(inMM(tc.body))
		req.Choices = plan.Choices{NoKerf: true, RunInUM: 2_000}
		req.Stock.SheetWidthUM, req.Stock.SheetHeightUM = tc.width, tc.height
		p := mustMake(t, req)
		if !warned(p, tc.want) {
			t.Errorf("%s: %+v", tc.name, p.Warnings)
		}
		for _, s := range p.Strokes { // no run-in lies in a piece
			for _, piece := range p.Pieces {
				if b := piece.Extents; at(s.Points[0]).Inside(geom.Box{Min: b.Min.Add(geom.Pt(1, 1)), Max: b.Max.Sub(geom.Pt(1, 1))}) {
					t.Errorf("%s: begins at %v in a piece", tc.name, s.Points[0])
				}
			}
		}
	}
}

// TestSlowSwitchRunsIn: a beam that takes 80 ms to come on, and at worst 20 more, is switched on while
// the carriage moves in over waste: at 5 mm/s, reached within 16 µm at 0.8 m/s² (v²/2a), it needs
// 5 × 0.1 + 0.016 = 0.516 mm. It is on for the last 0.1 mm, the 20 ms that it may be late, goes on as far past
// the beginning, and leaves the contour to go off without standing on it. Where there is no waste the
// warning tells what may be burned on one spot: 0.1 s × 5 W.
func TestSlowSwitchRunsIn(t *testing.T) {
	t.Parallel()
	req := request(inMM(`<rect width="60" height="40"/>`))
	req.Settings[0].Passes = 1
	req.Choices.NoKerf = true
	tool := &req.Profile.Tools[0]
	tool.Switch = machine.Switch{Kind: machine.SwitchHold, InMotion: true, OnDelayMS: 80, OffDelayMS: 60, JitterMS: 20}
	p := mustMake(t, req)
	s := p.Strokes[0]
	if way := geom.Distance(s.Points[0], s.Points[1]); way < 515 || way > 517 {
		t.Errorf("the run-in is %.0f µm", way)
	}
	if len(s.On) != 1 || s.On[0].From < 415 || s.On[0].From > 417 || s.MarkedUM() != 200_200 {
		t.Errorf("on %v, %d µm", s.On, s.MarkedUM())
	}
	if end := geom.Length(s.Points) - s.On[0].To; end < 115 || end > 117 {
		t.Errorf("goes on for %d µm", end)
	}
	if p.Numbers.JitterUM != 100 || p.Numbers.HotSpots != 0 {
		t.Errorf("%+v", p.Numbers)
	}
	for _, w := range p.Warnings {
		t.Errorf("warned: %+v", w)
	}
	req.Stock.SheetWidthUM, req.Stock.SheetHeightUM = 60_000, 40_000
	if p = mustMake(t, req); !warned(p, "no waste to run in over: 1; the beam may be on while the carriage stands: 0.1 s of 5 W on one spot is 0.5 J") {
		t.Errorf("warnings %+v", p.Warnings)
	}
	req.Stock.SheetWidthUM, req.Stock.SheetHeightUM = 60_020, 40_020
	if p = mustMake(t, req); !warned(p, " mm of 0.516 mm (what its switch needs, 80 ms and at worst 20 more at 5 mm/s and 0.016 mm to reach that speed)") {
		t.Errorf("warnings %+v", p.Warnings)
	}
}
