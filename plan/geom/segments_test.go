package geom_test

import (
	"slices"
	"testing"

	"kerfgate/plan/geom"
	"pgregory.net/rapid"
)

func seg(x0, y0, x1, y1 int64) geom.Segment {
	return geom.Segment{A: geom.Pt(x0, y0), B: geom.Pt(x1, y1)}
}

// TestSegmentsMeet: worked out by hand, and the same whichever comes first and whichever way they run.
func TestSegmentsMeet(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		a, b geom.Segment
		want []geom.Point
	}{
		{seg(0, 0, 10, 10), seg(0, 10, 10, 0), []geom.Point{geom.Pt(5, 5)}},
		{seg(0, 0, 3, 1), seg(1, 1, 2, 0), []geom.Point{geom.Pt(2, 1)}}, // at (1.5, 0.5): halves away from the lesser end
		{seg(0, 0, 10, 0), seg(5, 0, 5, 9), []geom.Point{geom.Pt(5, 0)}},
		{seg(0, 0, 10, 0), seg(10, 0, 10, 9), []geom.Point{geom.Pt(10, 0)}},
		{seg(0, 0, 10, 0), seg(4, 0, 20, 0), []geom.Point{geom.Pt(4, 0), geom.Pt(10, 0)}},
		{seg(0, 0, 10, 0), seg(2, 0, 7, 0), []geom.Point{geom.Pt(2, 0), geom.Pt(7, 0)}},
		{seg(0, 0, 10, 0), seg(10, 0, 20, 0), []geom.Point{geom.Pt(10, 0)}},
		{seg(0, 0, 10, 0), seg(11, 0, 20, 0), nil},
		{seg(0, 0, 10, 0), seg(0, 1, 10, 1), nil},
		{seg(0, 0, 10, 0), seg(5, 1, 5, 9), nil},
		{seg(-10_000_000, -10_000_000, 10_000_000, 9_999_999), seg(-10_000_000, 10_000_000, 10_000_000, -10_000_000), []geom.Point{geom.Pt(0, 0)}},
	} {
		turned := func(s geom.Segment) geom.Segment { return geom.Segment{A: s.B, B: s.A} }
		for _, pair := range [][2]geom.Segment{{tc.a, tc.b}, {tc.b, tc.a}, {turned(tc.a), tc.b}, {tc.b, turned(tc.a)}, {turned(tc.b), turned(tc.a)}} {
			at, n := pair[0].Meet(pair[1])
			got := slices.Clone(at[:n])
			slices.SortFunc(got, func(p, q geom.Point) int { return int(p.X - q.X) })
			if !slices.Equal(got, tc.want) {
				t.Errorf("%v: got %v, want %v", pair, got, tc.want)
			}
		}
	}
}

// TestSegmentIndexFindsAll: what a plain look at all segments finds near a place, the index finds,
// once each, and so does asking for the surroundings of one after the other.
func TestSegmentIndexFindsAll(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		size := rapid.SampledFrom([]int64{50, 10_000, 10_000_000}).Draw(t, "size")
		v := rapid.Int64Range(-size, size)
		var segments []geom.Segment
		var lines geom.Polylines
		for range rapid.IntRange(0, 120).Draw(t, "n") {
			s := seg(v.Draw(t, "x0"), v.Draw(t, "y0"), v.Draw(t, "x1"), v.Draw(t, "y1"))
			if rapid.Bool().Draw(t, "short") {
				s.B = s.A.Add(geom.Pt(s.B.X%20, s.B.Y%20))
			}
			points := []geom.Point{s.A, s.B}
			segments = append(segments, s)
			if rapid.Bool().Draw(t, "goes on") {
				points = append(points, geom.Pt(v.Draw(t, "x2"), v.Draw(t, "y2")))
				segments = append(segments, geom.Segment{A: s.B, B: points[2]})
			}
			lines.Add(points)
		}
		for i, s := range segments {
			if first, end := lines.Segments(int(lines.Of[i])); lines.Segment(i) != s || i < first || i >= end {
				t.Fatalf("segment %d of %d is %v, want %v", i, lines.Len(), lines.Segment(i), s)
			}
		}
		search := geom.NewSegmentIndex(&lines).Search()
		check := func(box geom.Box, got []int, all bool) {
			slices.Sort(got)
			if len(slices.Compact(slices.Clone(got))) != len(got) {
				t.Fatalf("some twice: %v", got)
			}
			// The index may divide a slanted segment; then it finds it where its parts lie.
			for i, s := range segments {
				b := s.Box()
				boxesMeet := b.Min.X <= box.Max.X && box.Min.X <= b.Max.X && b.Min.Y <= box.Max.Y && box.Min.Y <= b.Max.Y
				found := slices.Contains(got, i)
				if found && !boxesMeet && all {
					t.Fatalf("%v is not near %v", s, box)
				}
				for k := range 201 {
					p := s.At(float64(k) / 200)
					if !found && (geom.Box{Min: p, Max: p}).Inside(box) {
						t.Fatalf("%v near %v not found", s, box)
					}
				}
			}
		}
		for range 5 {
			box, _ := geom.BoxOf(geom.Pt(v.Draw(t, "bx"), v.Draw(t, "by")), geom.Pt(v.Draw(t, "bx"), v.Draw(t, "by")))
			var got []int
			search.Near(box, func(i int) bool { got = append(got, i); return true })
			check(box, got, false)
		}
		grow := rapid.Int64Range(0, 30).Draw(t, "grow")
		for i, s := range segments {
			var got []int
			search.Around(i, grow, func(k int) bool { got = append(got, k); return true })
			box := s.Box()
			box.Min, box.Max = box.Min.Sub(geom.Pt(grow, grow)), box.Max.Add(geom.Pt(grow, grow))
			check(box, got, true)
			if !slices.Contains(got, i) {
				t.Fatalf("%d is not among its own surroundings %v", i, got)
			}
		}
	})
}
