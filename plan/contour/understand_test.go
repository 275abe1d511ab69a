package contour_test

import (
	"math"
	"slices"
	"testing"

	"kerfgate/plan/contour"
	"kerfgate/plan/geom"
)

func understand(t testing.TB, o contour.Options, lines ...contour.Line) contour.Structure {
	t.Helper()
	s, err := contour.Understand(lines, o)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func circle(x, y, r int64, corners int) contour.Line {
	l := contour.Line{Op: "cut", Closed: true}
	for i := range corners + 1 {
		a := 2 * math.Pi * float64(i%corners) / float64(corners)
		l.Points = append(l.Points, geom.Pt(x+int64(math.Round(float64(r)*math.Cos(a))), y+int64(math.Round(float64(r)*math.Sin(a)))))
	}
	return l
}

// TestPieces: areas by width times height, drop-outs by counting outlines.
func TestPieces(t *testing.T) {
	t.Parallel()
	type piece struct {
		dropout bool
		mm2     float64
		inside  int
		centre  geom.Point
		lines   []int
	}
	square := rect(0, 0, 10_000, 10_000)
	u := cut(10_000, 0, 20_000, 0, 20_000, 10_000, 10_000, 10_000)
	for _, tc := range []struct {
		name    string
		in      []contour.Line
		pieces  []piece
		parents []int
	}{
		{"nothing", nil, nil, nil},
		{"a mark frees nothing", []contour.Line{path("mark", 0, 0, 9, 0, 9, 9, 0, 0)}, nil, []int{-1}},
		{"an open cut frees nothing", []contour.Line{cut(0, 0, 9_000, 0)}, nil, []int{-1}},
		{"outline, hole, island", []contour.Line{rect(3_000, 3_000, 5_000, 5_000), square, rect(1_000, 1_000, 7_000, 7_000)},
			[]piece{
				{false, 4, 3, geom.Pt(4_000, 4_000), []int{0}},
				{false, 64, 0, geom.Pt(5_563, 5_563), []int{1}}, // (100·5 − 36·4)/64
				{true, 32, 2, geom.Pt(4_000, 4_000), []int{2}},
			}, []int{2, -1, 1}},
		{"a shared edge", []contour.Line{square, u}, []piece{
			{false, 100, 0, geom.Pt(5_000, 5_000), []int{0}}, {false, 100, 0, geom.Pt(15_000, 5_000), []int{0, 1}},
		}, []int{-1, -1}},
		{"a hole beside a shared edge", []contour.Line{rect(14_000, 4_000, 16_000, 6_000), square, u}, []piece{
			{true, 4, 3, geom.Pt(15_000, 5_000), []int{0}}, {false, 100, 0, geom.Pt(5_000, 5_000), []int{1}},
			{false, 96, 0, geom.Pt(15_000, 5_000), []int{1, 2}},
		}, []int{2, -1, -1}},
		{"ends that nearly reach", []contour.Line{square, cut(10_008, 2_000, 20_000, 2_000, 20_000, 8_000, 9_995, 8_000)}, []piece{
			{false, 100, 0, geom.Pt(5_000, 5_000), []int{0}}, {false, 60, 0, geom.Pt(15_000, 5_000), []int{0, 1}},
		}, []int{-1, -1}},
		{"a hole that touches", []contour.Line{square, cut(0, 5_000, 2_000, 4_000, 2_000, 6_000, 0, 5_000)}, []piece{
			{false, 98, 0, geom.Pt(5_075, 5_000), []int{0, 1}}, // (500 − 2·4/3)/98
			{true, 2, 0, geom.Pt(1_333, 5_000), []int{1}},
		}, []int{-1, 0}},
		{"a cut through a square", []contour.Line{square, cut(-2_000, 4_000, 12_000, 4_000)}, []piece{
			{false, 60, 0, geom.Pt(5_000, 7_000), []int{0, 1}}, {false, 40, 0, geom.Pt(5_000, 2_000), []int{0, 1}},
		}, []int{-1, -1}},
		{"squares that overlap", []contour.Line{square, rect(8_000, 0, 18_000, 10_000)}, []piece{
			{true, 20, 0, geom.Pt(9_000, 5_000), []int{0, 1}}, // within both: even
			{false, 80, 0, geom.Pt(14_000, 5_000), []int{0, 1}}, {false, 80, 0, geom.Pt(4_000, 5_000), []int{0, 1}},
		}, []int{-1, -1}},
	} {
		s := understand(t, contour.Options{}, tc.in...)
		var got []piece
		for i, p := range s.Pieces {
			if p.Number != i+1 {
				t.Errorf("%s: piece %d is number %d", tc.name, i, p.Number)
			}
			got = append(got, piece{p.Dropout, p.AreaUM2 / 1e6, p.Inside, p.Centre, p.Lines})
		}
		if !slices.EqualFunc(got, tc.pieces, func(a, b piece) bool {
			return a.dropout == b.dropout && a.mm2 == b.mm2 && a.inside == b.inside && a.centre == b.centre && slices.Equal(a.lines, b.lines)
		}) {
			t.Errorf("%s:\n got %v\nwant %v", tc.name, got, tc.pieces)
		}
		if !slices.Equal(s.Parents, tc.parents) {
			t.Errorf("%s: parents %v, want %v", tc.name, s.Parents, tc.parents)
		}
	}
}

func TestDepth(t *testing.T) {
	t.Parallel()
	s := understand(t, contour.Options{}, rect(3_000, 3_000, 5_000, 5_000), rect(0, 0, 9_000, 9_000), rect(1_000, 1_000, 7_000, 7_000), path("mark", 0, 0, 5, 5))
	if !slices.Equal(s.Depth, []int{2, 0, 1, 0}) {
		t.Errorf("got %v", s.Depth)
	}
}

// TestFindings: one drawing a kind, the length worked out by hand.
func TestFindings(t *testing.T) {
	t.Parallel()
	o := contour.Options{KerfUM: 150, ResolutionUM: 100, BridgeUM: 1_000, SupportUM: 20_000}
	sheet := rect(0, 0, 100_000, 100_000)
	for _, tc := range []struct {
		name  string
		in    []contour.Line
		kind  contour.Kind
		count int
		first contour.Place
	}{
		{"a gap of 30 µm", []contour.Line{cut(0, 0, 40_000, 0, 40_000, 40_000, 0, 40_000, 0, 30)}, contour.OpenCut, 1,
			contour.Place{At: geom.Pt(0, 0), UM: 30, Line: 0, Other: -1}},
		{"crossing outlines", []contour.Line{sheet, rect(50_000, -60_000, 150_000, 50_000)}, contour.Crossing, 2,
			contour.Place{At: geom.Pt(50_000, 0), Line: 0, Other: 1}},
		{"a slot of 100 µm at an angle", []contour.Line{sheet, cut(30_000, 30_000, 38_000, 36_000, 37_940, 36_080, 29_940, 30_080, 30_000, 30_000)},
			contour.BelowKerf, 1, contour.Place{At: geom.Pt(33_970, 33_040), UM: 100, Line: 1, Other: -1}},
		{"a dot", []contour.Line{path("mark", 50, 50, 130, 50)}, contour.BelowResolution, 1,
			contour.Place{At: geom.Pt(90, 50), UM: 80, Line: 0, Other: -1}},
		{"outlines 100 µm apart", []contour.Line{sheet, rect(100_100, 0, 200_000, 100_000)}, contour.NearCuts, 1,
			contour.Place{UM: 100, Line: 0, Other: 1}},
		{"a hole near the edge", []contour.Line{sheet, rect(50_000, 600, 80_000, 30_000)}, contour.ThinBridge, 1,
			contour.Place{UM: 600, Line: 0, Other: 1, Piece: 1}},
		{"a hole near the edge, edge only on one line", []contour.Line{circle(50_000, 50_000, 40_000, 400), circle(50_000, 50_000, 39_300, 300)}, contour.ThinBridge, 1,
			contour.Place{Line: 0, Other: 1, Piece: 1}},
		{"pieces 500 µm apart", []contour.Line{sheet, rect(100_500, 0, 200_000, 100_000)}, contour.ThinWeb, 1,
			contour.Place{UM: 500, Line: 0, Other: 1}},
		// Two squares joined by a neck of 0.8 mm.
		{"a neck", []contour.Line{cut(0, 0, 30_000, 0, 30_000, 14_600, 40_000, 14_600, 40_000, 0, 70_000, 0, 70_000, 30_000,
			40_000, 30_000, 40_000, 15_400, 30_000, 15_400, 30_000, 30_000, 0, 30_000, 0, 0)}, contour.ThinBridge, 1,
			contour.Place{UM: 800, Line: 0, Other: 0, Piece: 1}},
		{"slits in a row", []contour.Line{sheet, cut(20_000, 50_000, 50_000, 50_000), cut(50_700, 50_000, 80_000, 50_000)}, contour.ThinBridge, 1,
			contour.Place{At: geom.Pt(50_350, 50_000), UM: 700, Line: 1, Other: 2, Piece: 1}},
		{"a small drop-out", []contour.Line{sheet, rect(30_000, 30_000, 49_000, 40_000)}, contour.MayFall, 1,
			contour.Place{At: geom.Pt(39_500, 35_000), UM: 19_000, Line: 1, Other: -1, Piece: 2}},
		{"a strip", []contour.Line{rect(0, 0, 100_000, 30_000)}, contour.MayTip, 1,
			contour.Place{At: geom.Pt(50_000, 15_000), UM: 15_000, Line: 0, Other: -1, Piece: 1}},
		{"nothing: wide bridge", []contour.Line{sheet, rect(40_000, 1_001, 90_000, 50_000)}, contour.ThinBridge, 0, contour.Place{}},
		{"nothing: a drop-out's own neck", []contour.Line{sheet, rect(30_000, 30_000, 80_000, 30_700)}, contour.ThinBridge, 0, contour.Place{}},
		{"nothing: an end on an outline", []contour.Line{sheet, cut(0, 50_000, 20_000, 40_000, 100_000, 50_000)}, contour.OpenCut, 0, contour.Place{}},
		{"nothing: a square's corners", []contour.Line{sheet}, contour.ThinBridge, 0, contour.Place{}},
		{"nothing: large piece", []contour.Line{sheet}, contour.MayTip, 0, contour.Place{}},
	} {
		s := understand(t, o, tc.in...)
		var f contour.Finding
		for _, g := range s.Findings {
			if g.Kind == tc.kind {
				f = g
			}
		}
		if f.Count != tc.count {
			t.Errorf("%s: %d, want %d (%+v)", tc.name, f.Count, tc.count, s.Findings)
			continue
		}
		if tc.count == 0 {
			continue
		}
		got := f.Places[0]
		if tc.first.At == (geom.Point{}) {
			got.At = geom.Point{}
		}
		if tc.first.UM == 0 {
			got.UM = 0
		}
		if got != tc.first {
			t.Errorf("%s: %+v, want %+v", tc.name, got, tc.first)
		}
	}
}

// TestPlaces: a finding counts all and names at most MostPlaces, the smallest first.
func TestPlaces(t *testing.T) {
	t.Parallel()
	var lines []contour.Line
	for i := range int64(20) {
		lines = append(lines, rect(i*100_000, 0, i*100_000+20_000-i*100, 1_000))
	}
	s := understand(t, contour.Options{SupportUM: 30_000}, lines...)
	if len(s.Findings) != 1 || s.Findings[0].Count != 20 || len(s.Findings[0].Places) != contour.MostPlaces || s.Findings[0].Places[0].UM != 18_100 {
		t.Errorf("got %+v", s.Findings)
	}
}
