package plan_test

import (
	"fmt"
	"testing"

	"kerfgate/plan"
	"kerfgate/plan/geom"
)

func TestMarked(t *testing.T) {
	t.Parallel()
	corner := []geom.Point{geom.Pt(0, 0), geom.Pt(100, 0), geom.Pt(100, 50), geom.Pt(200, 50)}
	span := func(from, to int64) geom.Span { return geom.Span{From: from, To: to} }
	for _, tc := range []struct {
		on   []geom.Span
		want string
		um   int64
	}{
		{nil, "[[{0 0} {100 0} {100 50} {200 50}]]", 250},
		{[]geom.Span{span(0, 250)}, "[[{0 0} {100 0} {100 50} {200 50}]]", 250},
		{[]geom.Span{span(10, 20), span(20, 30)}, "[[{10 0} {20 0}] [{20 0} {30 0}]]", 20},
		{[]geom.Span{span(90, 160)}, "[[{90 0} {100 0} {100 50} {110 50}]]", 70},
		{[]geom.Span{span(0, 100), span(150, 250)}, "[[{0 0} {100 0}] [{100 50} {200 50}]]", 200},
		{[]geom.Span{span(20, 40), span(120, 130), span(240, 250)}, "[[{20 0} {40 0}] [{100 20} {100 30}] [{190 50} {200 50}]]", 40},
	} {
		s := plan.Stroke{Points: corner, On: tc.on}
		var got [][]string
		for _, part := range s.Marked() {
			var words []string
			for _, p := range part {
				words = append(words, fmt.Sprintf("{%d %d}", p.X, p.Y))
			}
			got = append(got, words)
		}
		if fmt.Sprint(got) != tc.want || s.MarkedUM() != tc.um {
			t.Errorf("%v: %v, %d µm", tc.on, got, s.MarkedUM())
		}
	}
}
