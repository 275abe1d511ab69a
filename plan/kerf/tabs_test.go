package kerf_test

import (
	"errors"
	"math"
	"slices"
	"testing"

	"kerfgate/plan/geom"
	"kerfgate/plan/kerf"
	"pgregory.net/rapid"
)

func TestTabs(t *testing.T) {
	t.Parallel()
	square := rect(0, 0, 10_000, 10_000)
	// A square that begins in the middle of a side: even spacing from there would hit the corners.
	shifted := closed(geom.Pt(5000, 0), geom.Pt(10_000, 0), geom.Pt(10_000, 10_000), geom.Pt(0, 10_000), geom.Pt(0, 0))
	var circle []geom.Point
	for i := range 720 {
		a := 2 * math.Pi * float64(i) / 720
		circle = append(circle, geom.Pt(int64(math.Round(3000*math.Cos(a))), int64(math.Round(3000*math.Sin(a)))))
	}
	circle = closed(circle...)
	for _, tc := range []struct {
		name    string
		contour []geom.Point
		rule    kerf.TabRule
		want    []geom.Span
		err     error
	}{
		{"one a side", square, kerf.TabRule{Count: 4, WidthUM: 400}, []geom.Span{{From: 4800, To: 5200}, {From: 14_800, To: 15_200}, {From: 24_800, To: 25_200}, {From: 34_800, To: 35_200}}, nil},
		{"one every 20 mm", square, kerf.TabRule{SpacingUM: 20_000, WidthUM: 1000}, []geom.Span{{From: 9500 - 1000 - 1000 + 1000, To: 9500}, {From: 28_500, To: 29_500}}, nil},
		{"an edge three tabs long has one place", rect(0, 0, 3000, 900), kerf.TabRule{Count: 2, WidthUM: 1000}, []geom.Span{{From: 1000, To: 2000}, {From: 4900, To: 5900}}, nil},
		{"edges a little too short", rect(0, 0, 2990, 900), kerf.TabRule{Count: 2, WidthUM: 1000}, nil, kerf.ErrNoStraight},
		{"a small circle has no straight stretch", circle, kerf.TabRule{Count: 2, WidthUM: 1000, StraightUM: 20}, nil, kerf.ErrNoStraight},
		{"more than there is room for", rect(0, 0, 3000, 900), kerf.TabRule{Count: 9, WidthUM: 1000}, []geom.Span{{From: 1000, To: 2000}, {From: 4900, To: 5900}}, nil},
	} {
		got, err := kerf.Tabs(tc.contour, tc.rule)
		if !errors.Is(err, tc.err) {
			t.Errorf("%s: %v", tc.name, err)
		}
		if tc.name == "one every 20 mm" {
			if len(got) != 2 {
				t.Errorf("%s: %v", tc.name, got)
			}
			continue
		}
		if !slices.Equal(got, tc.want) {
			t.Errorf("%s: %v, want %v", tc.name, got, tc.want)
		}
	}
	if got, err := kerf.Tabs(circle, kerf.TabRule{Count: 3, WidthUM: 200, StraightUM: 20}); err != nil || len(got) != 3 {
		t.Errorf("narrow tabs on a circle: %v, %v", got, err)
	}
	got, err := kerf.Tabs(shifted, kerf.TabRule{Count: 4, WidthUM: 400})
	if err != nil || len(got) != 4 {
		t.Fatalf("shifted square: %v, %v", got, err)
	}
	for i := 1; i < len(got); i++ { // 10 mm apart but for a quarter
		if d := got[i].From - got[i-1].From; d < 7500 || d > 12_500 {
			t.Errorf("shifted square: %v", got)
		}
	}
	for _, bad := range []kerf.TabRule{{}, {Count: 1}, {Count: 1, SpacingUM: 1, WidthUM: 1}, {Count: -1, WidthUM: 5}, {SpacingUM: 10, WidthUM: 5}} {
		if _, err := kerf.Tabs(square, bad); err == nil || errors.Is(err, kerf.ErrNoStraight) {
			t.Errorf("%+v was taken: %v", bad, err)
		}
	}
}

// TestTabsKeepClear: on any contour every tab has its width, lies with its width to either side on a
// stretch that leaves a straight line by no more than was allowed, and is its width from the next.
func TestTabsKeepClear(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		var ring []geom.Point
		n := rapid.IntRange(3, 300).Draw(t, "corners")
		wobble := rapid.Float64Range(0, 1).Draw(t, "wobble")
		for i := range n {
			a, r := 2*math.Pi*float64(i)/float64(n), 30_000*(1-wobble*rapid.Float64Range(0, 0.9).Draw(t, "r"))
			ring = append(ring, geom.Pt(int64(r*math.Cos(a)), int64(r*math.Sin(a))))
		}
		ring = closed(ring...)
		rule := kerf.TabRule{Count: rapid.IntRange(1, 12).Draw(t, "count"), WidthUM: rapid.Int64Range(1, 3000).Draw(t, "width"),
			StraightUM: rapid.Int64Range(1, 30).Draw(t, "straight")}
		tabs, err := kerf.Tabs(ring, rule)
		if errors.Is(err, kerf.ErrNoStraight) {
			return
		}
		if err != nil || len(tabs) == 0 || len(tabs) > rule.Count {
			t.Fatalf("%v, %v", tabs, err)
		}
		for i, tab := range tabs {
			if tab.To-tab.From != rule.WidthUM || tab.From < rule.WidthUM || tab.To > geom.Length(ring)-rule.WidthUM+1 {
				t.Fatalf("tab %v of a contour of %d", tab, geom.Length(ring))
			}
			if i > 0 && tab.From-tabs[i-1].To < rule.WidthUM {
				t.Fatalf("%v and %v are too near", tabs[i-1], tab)
			}
			part := between(ring, float64(tab.From-rule.WidthUM), float64(tab.To+rule.WidthUM))
			line := geom.Segment{A: part[0], B: part[len(part)-1]}
			for _, p := range part {
				// Any part of a stretch within d of a line is within 2d of its own ends' line; 2 µm of rounding.
				if _, d := line.Nearest(p); d > 2*float64(rule.StraightUM)+2 {
					t.Fatalf("tab %v: %v is %.1f µm off a straight line", tab, p, d)
				}
			}
		}
	})
}

// between gives the points of a polyline from one place along it to another.
func between(line []geom.Point, from, to float64) []geom.Point {
	var out []geom.Point
	at := 0.0
	for i := 1; i < len(line); i++ {
		s := geom.Segment{A: line[i-1], B: line[i]}
		d := geom.Distance(s.A, s.B)
		if at <= from && from <= at+d && len(out) == 0 {
			out = append(out, s.At((from-at)/d))
		}
		if at+d > from && at+d < to {
			out = append(out, s.B)
		}
		if to <= at+d {
			return append(out, s.At((to-at)/d))
		}
		at += d
	}
	return append(out, line[len(line)-1])
}
