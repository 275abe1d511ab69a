package kerf_test

import (
	"errors"
	"math"
	"slices"
	"testing"

	"kerfgate/plan/geom"
	"kerfgate/plan/kerf"
	"kerfgate/plan/machine"
	"pgregory.net/rapid"
)

var bed = geom.Box{Min: geom.Pt(-100_000, -100_000), Max: geom.Pt(100_000, 100_000)}

// TestRunInNeed: 20 mm/s with 0.3 s of delay and 0.1 s of jitter go 8 mm, and reaching 20 mm/s at
// 500 mm/s² takes v²/2a = 0.4 mm (by hand).
func TestRunInNeed(t *testing.T) {
	t.Parallel()
	s := machine.Switch{OnDelayMS: 300, JitterMS: 100}
	if need, err := kerf.RunInNeedUM(s, 20_000, 500_000); err != nil || need != 8400 {
		t.Errorf("%d µm, %v", need, err)
	}
	if _, err := kerf.RunInNeedUM(s, 0, 1); err == nil {
		t.Error("no speed was taken")
	}
}

func TestRunIn(t *testing.T) {
	t.Parallel()
	outline := rect(0, 0, 10_000, 10_000)
	wall := []geom.Point{geom.Pt(-2000, -50_000), geom.Pt(-2000, 50_000)}
	for _, tc := range []struct {
		name     string
		ring     []geom.Point
		others   [][]geom.Point
		need     int64
		bounds   geom.Box
		from     geom.Point
		start    geom.Point
		length   int64
		straight bool
	}{
		{"a square, from outside along the first edge's line", outline, nil, 5000, bed, geom.Pt(-5000, 0), geom.Pt(0, 0), 5000, true},
		{"a wall beside it: the next corner", outline, [][]geom.Point{wall}, 5000, bed, geom.Pt(10_000, -5000), geom.Pt(10_000, 0), 5000, true},
		{"the sheet ends there", outline, nil, 5000, geom.Box{Min: geom.Pt(-4000, -50_000), Max: bed.Max}, geom.Pt(10_000, -5000), geom.Pt(10_000, 0), 5000, true},
		// A gap of 1 mm all around: the flattest way with a turn goes 1/0.28 = 3.57 mm in it.
		{"less room than wanted on every side", outline, [][]geom.Point{rect(-1000, -1000, 11_000, 11_000)}, 5000, bed, geom.Point{}, geom.Point{}, 3569, false},
		{"inside a drop-out", back(rect(0, 0, 10_000, 10_000)), nil, 4000, bed, geom.Pt(1120, 1160), geom.Pt(0, 5000), 4000, false},
	} {
		s := kerf.NewSheet(append([][]geom.Point{tc.ring}, tc.others...), tc.bounds)
		got, err := s.RunIn(tc.ring, tc.need)
		if err != nil {
			t.Errorf("%s: %v", tc.name, err)
			continue
		}
		if tc.name == "inside a drop-out" {
			if got.From.X <= 0 || got.From.Y <= 0 || got.From.X >= 10_000 || got.From.Y >= 10_000 || got.LengthUM != tc.length || got.Straight {
				t.Errorf("%s: %+v", tc.name, got)
			}
			continue
		}
		if got.LengthUM > tc.length+2 || got.LengthUM < tc.length-2 {
			t.Errorf("%s: %+v", tc.name, got)
		}
		if got.LengthUM == tc.need && (got.From != tc.from || got.Contour[0] != tc.start || got.Straight != tc.straight) {
			t.Errorf("%s: %+v", tc.name, got)
		}
	}
	// A piece that shares its cut with neighbours on all sides has no waste around it.
	var lines [][]geom.Point
	for _, d := range []geom.Point{{}, geom.Pt(10_000, 0), geom.Pt(-10_000, 0), geom.Pt(0, 10_000), geom.Pt(0, -10_000)} {
		lines = append(lines, rect(d.X, d.Y, d.X+10_000, d.Y+10_000))
	}
	lines = append(lines, rect(-10_000, -10_000, 20_000, 20_000))
	if got, err := kerf.NewSheet([][]geom.Point{outline}, geom.Box{Max: geom.Pt(10_000, 10_000)}).RunIn(outline, 3000); !errors.Is(err, kerf.ErrNoWaste) {
		t.Errorf("a piece as large as the sheet: %+v, %v", got, err)
	}
	if got, err := kerf.NewSheet(lines, bed).RunIn(outline, 3000); !errors.Is(err, kerf.ErrNoWaste) {
		t.Errorf("between neighbours: %+v, %v", got, err)
	}
	for _, need := range []int64{0, geom.MostCoordinateUM} {
		if _, err := kerf.NewSheet(nil, bed).RunIn(outline, need); err == nil || errors.Is(err, kerf.ErrNoWaste) {
			t.Errorf("a run-in of %d µm: %v", need, err)
		}
	}
	if _, err := kerf.NewSheet(nil, bed).RunIn(outline[:4], 100); err == nil {
		t.Error("an open line was run into")
	}
}

// TestRunInKeepsClear: among flowers that lie anywhere, as pieces and as drop-outs, no way in touches
// any line but its own start, and all of it lies on the waste's side.
func TestRunInKeepsClear(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		var rings [][]geom.Point
		for range rapid.IntRange(1, 5).Draw(t, "rings") {
			n := rapid.IntRange(3, 60).Draw(t, "corners")
			x, y := rapid.Int64Range(-20_000, 20_000).Draw(t, "x"), rapid.Int64Range(-20_000, 20_000).Draw(t, "y")
			var ring []geom.Point
			for i := range n {
				a, r := 2*math.Pi*float64(i)/float64(n), rapid.Float64Range(2000, 9000).Draw(t, "r")
				ring = append(ring, geom.Pt(x+int64(r*math.Cos(a)), y+int64(r*math.Sin(a))))
			}
			rings = append(rings, closed(ring...))
		}
		rings = must(geom.Settle(rings, geom.Positive))
		need := rapid.Int64Range(1, 15_000).Draw(t, "need")
		box := geom.Box{Min: geom.Pt(-30_000, -30_000), Max: geom.Pt(30_000, 30_000)}
		sheet := kerf.NewSheet(rings, box)
		for i, ring := range rings {
			r, err := sheet.RunIn(ring, need)
			if errors.Is(err, kerf.ErrNoWaste) {
				continue
			}
			if err != nil {
				t.Fatal(err)
			}
			begin := r.Contour[0]
			if r.LengthUM > need+1 || math.Abs(geom.Distance(r.From, begin)-float64(r.LengthUM)) > 1 || r.Contour[len(r.Contour)-1] != begin {
				t.Fatalf("%+v", r)
			}
			if math.Abs(geom.Area(r.Contour)-geom.Area(ring)) > float64(geom.Length(ring)) {
				t.Fatalf("the ring changed: area %.0f to %.0f", geom.Area(ring), geom.Area(r.Contour))
			}
			if !(geom.Box{Min: r.From, Max: r.From}).Inside(box) {
				t.Fatalf("%v is off the sheet", r.From)
			}
			// By hand: points along the way, 5 µm from its start on, are in no piece (the rings' pieces lie
			// to the left, so the winding number is 0 over waste).
			for k := 1.0; k <= 40; k++ {
				p := geom.Segment{A: begin, B: r.From}.At(k / 40)
				if geom.Distance(begin, p) < 5 || nearLine(rings, p, 2) {
					continue // rounding may put it on either side
				}
				inside := 0
				for _, other := range rings {
					if side := geom.NewRegion(other).Locate(p); side != geom.Outside {
						inside++
					}
				}
				if inside%2 == 1 {
					t.Fatalf("ring %d: %v on the way from %v to %v lies in a piece", i, p, r.From, begin)
				}
			}
		}
	})
}

func nearLine(rings [][]geom.Point, p geom.Point, within float64) bool {
	for _, ring := range rings {
		for i := 1; i < len(ring); i++ {
			if _, d := (geom.Segment{A: ring[i-1], B: ring[i]}).Nearest(p); d < within {
				return true
			}
		}
	}
	return false
}

func TestStroke(t *testing.T) {
	t.Parallel()
	r := kerf.RunIn{From: geom.Pt(-3000, 0), Contour: rect(0, 0, 10_000, 10_000), LengthUM: 3000, Straight: true}
	points, on, err := r.Stroke([]geom.Span{{From: 1000, To: 1400}, {From: 20_000, To: 20_400}}, 1200, 500)
	if err != nil {
		t.Fatal(err)
	}
	want := append([]geom.Point{geom.Pt(-3000, 0)}, rect(0, 0, 10_000, 10_000)...)
	if !slices.Equal(points, append(want, geom.Pt(1700, 0))) {
		t.Errorf("points %v", points)
	}
	// On from the contour's start, off at both tabs, and in the overlap at the first tab again.
	if !slices.Equal(on, []geom.Span{{From: 3000, To: 4000}, {From: 4400, To: 23_000}, {From: 23_400, To: 44_000}}) {
		t.Errorf("on %v", on)
	}
	points, on, err = r.Stroke(nil, 11_000, 0)
	if err != nil || points[len(points)-1] != geom.Pt(10_000, 1000) || !slices.Equal(on, []geom.Span{{From: 3000, To: 54_000}}) {
		t.Errorf("around a corner: %v %v %v", points, on, err)
	}
	if _, _, err := r.Stroke(nil, 40_000, 1); err == nil {
		t.Error("more than once around was taken")
	}
}
