package kerf_test

import (
	"math"
	"slices"
	"testing"
	"time"

	"kerfgate/plan/geom"
	"kerfgate/plan/kerf"
	"pgregory.net/rapid"
)

// must is for regions that are known to cross less often than geom.MostCrossings.
func must(rings [][]geom.Point, err error) [][]geom.Point {
	if err != nil {
		panic(err)
	}
	return rings
}

func rect(x0, y0, x1, y1 int64) []geom.Point {
	return []geom.Point{geom.Pt(x0, y0), geom.Pt(x1, y0), geom.Pt(x1, y1), geom.Pt(x0, y1), geom.Pt(x0, y0)}
}

func closed(points ...geom.Point) []geom.Point { return append(points, points[0]) }

func back(ring []geom.Point) []geom.Point {
	r := slices.Clone(ring)
	slices.Reverse(r)
	return r
}

func compensate(t *testing.T, um int64, contours ...kerf.Contour) kerf.Compensated {
	t.Helper()
	c, err := kerf.Compensate(contours, um, 1)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// TestN7_4 is the published row: for a part of 2.0 × 4.0 mm with a kerf of 0.2 the cut goes along
// 2.2 × 4.2, for an opening of that size along 1.8 × 3.8 (a cutting shop's page on kerf). The
// direction in which the line was drawn means nothing.
func TestN7_4(t *testing.T) {
	t.Parallel()
	for _, drawn := range [][]geom.Point{rect(0, 0, 2000, 4000), back(rect(0, 0, 2000, 4000))} {
		part := compensate(t, 200, kerf.Contour{Points: drawn, Parent: -1})
		opening := compensate(t, 200, kerf.Contour{Points: drawn, Dropout: true, Parent: -1})
		if len(part.Rings) != 1 || len(opening.Rings) != 1 || len(part.Findings)+len(opening.Findings) > 0 {
			t.Fatalf("%+v\n%+v", part, opening)
		}
		box, _ := geom.BoxOf(part.Rings[0].Points...)
		if box.Width() != 2200 || box.Height() != 4200 || part.Rings[0].Dropout {
			t.Errorf("part: %d × %d", box.Width(), box.Height())
		}
		// Rounded corners of 0.1 mm take (4 − π)·0.1² off the rectangle.
		if a, want := geom.Area(part.Rings[0].Points), 2200*4200-(4-math.Pi)*100*100; math.Abs(a-want) > 700 {
			t.Errorf("part: %.0f µm², want %.0f", a, want)
		}
		box, _ = geom.BoxOf(opening.Rings[0].Points...)
		if a := geom.Area(opening.Rings[0].Points); box.Width() != 1800 || box.Height() != 3800 || a != -1800*3800 || !opening.Rings[0].Dropout {
			t.Errorf("opening: %d × %d, area %.0f", box.Width(), box.Height(), a)
		}
	}
}

func TestFindings(t *testing.T) {
	t.Parallel()
	outline := func(points []geom.Point) kerf.Contour { return kerf.Contour{Points: points, Parent: -1} }
	hole := func(points []geom.Point, parent int) kerf.Contour {
		return kerf.Contour{Points: points, Dropout: true, Parent: parent}
	}
	slotted := closed(geom.Pt(0, 0), geom.Pt(10_000, 0), geom.Pt(10_000, 10_000), geom.Pt(5080, 10_000), geom.Pt(5080, 4000),
		geom.Pt(4920, 4000), geom.Pt(4920, 10_000), geom.Pt(0, 10_000)) // a slot 0.16 wide and 6 deep
	dumbbell := closed(geom.Pt(0, 0), geom.Pt(2000, 0), geom.Pt(2000, 900), geom.Pt(4000, 900), geom.Pt(4000, 0), geom.Pt(6000, 0),
		geom.Pt(6000, 2000), geom.Pt(4000, 2000), geom.Pt(4000, 1080), geom.Pt(2000, 1080), geom.Pt(2000, 2000), geom.Pt(0, 2000)) // 0.18 at the neck
	bottle := closed(geom.Pt(0, 0), geom.Pt(10_000, 0), geom.Pt(10_000, 10_000), geom.Pt(5050, 10_000), geom.Pt(5050, 7000), geom.Pt(8000, 7000),
		geom.Pt(8000, 3000), geom.Pt(2000, 3000), geom.Pt(2000, 7000), geom.Pt(4950, 7000), geom.Pt(4950, 10_000), geom.Pt(0, 10_000))
	bow := closed(geom.Pt(0, 0), geom.Pt(4000, 4000), geom.Pt(4000, 0), geom.Pt(0, 4000))
	type found struct {
		kind          kerf.Kind
		source, other int
		at            geom.Point
		count         int
	}
	for _, tc := range []struct {
		name     string
		contours []kerf.Contour
		rings    []int // their sources
		want     []found
	}{
		{"a hole narrower than the kerf", []kerf.Contour{outline(rect(0, 0, 9000, 9000)), hole(rect(1000, 1000, 1190, 3000), 0)}, []int{0},
			[]found{{kerf.Vanished, 1, -1, geom.Pt(1095, 2000), 1}}},
		{"a hole as wide as the kerf", []kerf.Contour{hole(rect(0, 0, 200, 3000), -1)}, nil, []found{{kerf.Vanished, 0, -1, geom.Pt(100, 1500), 1}}},
		{"a hole just wider", []kerf.Contour{hole(rect(0, 0, 210, 3000), -1)}, []int{0}, nil},
		{"a slot that closes", []kerf.Contour{outline(slotted)}, []int{0}, []found{{kerf.Narrow, 0, -1, geom.Pt(5000, 7000), 1}}},
		{"a drop-out that falls in two", []kerf.Contour{hole(dumbbell, -1)}, []int{0, 0},
			[]found{{kerf.Split, 0, -1, geom.Pt(4042, 990), 2}, {kerf.Narrow, 0, -1, geom.Pt(3000, 990), 1}}},
		{"a mouth that closes leaves a drop-out", []kerf.Contour{outline(bottle)}, []int{0, 0},
			[]found{{kerf.Split, 0, -1, geom.Pt(2100, 3100), 2}, {kerf.Narrow, 0, -1, geom.Pt(5000, 8500), 1}}},
		{"a bow tie", []kerf.Contour{outline(bow)}, []int{0}, []found{{kerf.Crossing, 0, -1, geom.Pt(2000, 2000), 2}}},
		{"two pieces nearer than the kerf", []kerf.Contour{outline(rect(0, 0, 3000, 3000)), outline(rect(3150, 0, 6000, 3000))}, []int{0, 1},
			[]found{{kerf.Overlap, 0, 1, geom.Pt(3075, 1500), 1}}},
		{"two pieces a kerf apart share a cut", []kerf.Contour{outline(rect(0, 0, 3000, 3000)), outline(rect(3200, 0, 6000, 3000))}, []int{0, 1}, nil},
		{"an island too near to its hole", []kerf.Contour{outline(rect(0, 0, 9000, 9000)), hole(rect(1000, 1000, 8000, 8000), 0),
			{Points: rect(1150, 3000, 4000, 5000), Parent: 1}}, []int{0, 1, 2}, []found{{kerf.Overlap, 2, 1, geom.Pt(1075, 4000), 1}}},
		{"a piece in a drop-out's middle", []kerf.Contour{outline(rect(0, 0, 9000, 9000)), hole(rect(1000, 1000, 8000, 8000), 0),
			{Points: rect(3000, 3000, 4000, 5000), Parent: 1}}, []int{0, 1, 2}, nil},
	} {
		got := compensate(t, 200, tc.contours...)
		var sources []int
		for _, r := range got.Rings {
			sources = append(sources, r.Source)
			if a := geom.Area(r.Points); (a < 0) != r.Dropout {
				t.Errorf("%s: a ring with area %.0f frees a drop-out: %v", tc.name, a, r.Dropout)
			}
		}
		if !slices.Equal(sources, tc.rings) {
			t.Errorf("%s: rings of %v, want %v", tc.name, sources, tc.rings)
		}
		var findings []found
		for _, f := range got.Findings {
			findings = append(findings, found{f.Kind, f.Source, f.Other, f.At, f.Count})
		}
		if len(findings) != len(tc.want) {
			t.Errorf("%s: found %v, want %v", tc.name, findings, tc.want)
			continue
		}
		for i, f := range findings {
			w := tc.want[i]
			near := geom.Distance(f.at, w.at) < 120 // half a kerf: places are named, not measured
			if f.kind != w.kind || f.source != w.source || f.other != w.other || f.count != w.count || !near {
				t.Errorf("%s: found %v, want %v", tc.name, f, w)
			}
		}
	}
	for _, um := range []int64{-1, kerf.MostKerfUM + 1} {
		if _, err := kerf.Compensate(nil, um, 1); err == nil {
			t.Errorf("a kerf of %d µm was taken", um)
		}
	}
}

// TestCutGivesTheDrawnPiece burns the kerf away again: what is left inside the cut around an outline
// is the outline, but for inner corners, and the opening that the cut in a hole leaves is the hole,
// but for its outer corners. Both are held by area against half a kerf squared a corner.
func TestCutGivesTheDrawnPiece(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(5, 40).Draw(t, "corners")
		var ring []geom.Point
		for i := range n { // star-shaped around the middle, so that it does not cross itself
			a, r := 2*math.Pi*float64(i)/float64(n), rapid.Float64Range(4000, 9000).Draw(t, "radius")
			ring = append(ring, geom.Pt(int64(r*math.Cos(a)), int64(r*math.Sin(a))))
		}
		um := 2 * rapid.Int64Range(10, 200).Draw(t, "half")
		for _, dropout := range []bool{false, true} {
			c, err := kerf.Compensate([]kerf.Contour{{Points: closed(ring...), Dropout: dropout, Parent: -1}}, um, 1)
			if err != nil || len(c.Rings) == 0 {
				t.Fatalf("%v, %d rings", err, len(c.Rings))
			}
			var rings [][]geom.Point
			for _, r := range c.Rings {
				if dropout {
					r.Points = back(r.Points)
				}
				rings = append(rings, r.Points)
			}
			burnt := um / 2
			if !dropout {
				burnt = -burnt
			}
			left := must(geom.Offset(rings, burnt, 1))
			drawn := [][]geom.Point{closed(ring...)}
			// A piece may be larger than drawn by what inner corners keep, an opening smaller; neither is
			// ever the other way round by more than rounding.
			lost, kept := must(geom.Difference(drawn, left)), must(geom.Difference(left, drawn))
			if dropout {
				lost, kept = kept, lost
			}
			var wrong, corners float64
			for _, r := range lost {
				wrong += geom.Area(r)
			}
			for _, r := range kept {
				corners += geom.Area(r)
			}
			if length := float64(geom.Length(drawn[0])); wrong > 2*length {
				t.Fatalf("drop-out %v: %.0f µm² too much burnt along %.0f µm", dropout, wrong, length)
			}
			narrow := slices.ContainsFunc(c.Findings, func(f kerf.Finding) bool { return f.Kind != kerf.Crossing })
			if most := float64(n) * 4 * float64(um*um); !narrow && corners > most {
				t.Fatalf("drop-out %v: %.0f µm² left in corners, most %.0f", dropout, corners, most)
			}
		}
	})
}

// BenchmarkCompensate is held against one offset of the same ring, measured in the same run; with the
// way back, by which narrow parts are found, it takes three and a difference.
func BenchmarkCompensate(b *testing.B) {
	var ring []geom.Point
	for i := range 10_000 {
		a := 2 * math.Pi * float64(i) / 10_000
		r := 100_000 + 5000*math.Sin(40*a)
		ring = append(ring, geom.Pt(int64(math.Round(r*math.Cos(a))), int64(math.Round(r*math.Sin(a)))))
	}
	floor := time.Hour
	for range 5 {
		begin := time.Now()
		must(geom.Offset([][]geom.Point{closed(ring...)}, 100, 2))
		floor = min(floor, time.Since(begin))
	}
	for b.Loop() {
		if _, err := kerf.Compensate([]kerf.Contour{{Points: closed(ring...), Parent: -1}}, 200, 2); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed())/float64(b.N)/float64(floor), "×offset")
}
