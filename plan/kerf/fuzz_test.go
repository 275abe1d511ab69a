package kerf_test

import (
	"errors"
	"testing"

	"kerfgate/plan/geom"
	"kerfgate/plan/kerf"
)

// FuzzKerf takes any closed line through compensation, tabs, run-in and stroke: every ring comes out
// closed and in its direction, and every span lies on the way, in order.
func FuzzKerf(f *testing.F) {
	f.Add([]byte{0, 0, 90, 0, 90, 90, 0, 90}, uint8(20), uint8(30), true)
	f.Add([]byte{0, 0, 200, 200, 200, 0, 0, 200}, uint8(7), uint8(5), false)
	f.Fuzz(func(t *testing.T, data []byte, width, tab uint8, dropout bool) {
		var ring []geom.Point
		for i := 0; i+1 < len(data) && i < 120; i += 2 {
			ring = append(ring, geom.Pt(int64(data[i])*40, int64(data[i+1])*40))
		}
		if len(ring) == 0 {
			return
		}
		c, err := kerf.Compensate([]kerf.Contour{{Points: closed(ring...), Dropout: dropout, Parent: -1}}, int64(width), 2)
		if err != nil {
			t.Fatal(err)
		}
		var lines [][]geom.Point
		for _, r := range c.Rings {
			lines = append(lines, r.Points)
		}
		sheet := kerf.NewSheet(lines, bed)
		for _, r := range c.Rings {
			if a := geom.Area(r.Points); a == 0 || (a < 0) != r.Dropout {
				t.Fatalf("a ring with area %v frees a drop-out: %v", a, r.Dropout)
			}
			in, err := sheet.RunIn(r.Points, 1000)
			if errors.Is(err, kerf.ErrNoWaste) {
				continue
			}
			if err != nil {
				t.Fatal(err)
			}
			tabs, err := kerf.Tabs(in.Contour, kerf.TabRule{Count: 4, WidthUM: int64(tab) + 1, StraightUM: 2})
			if err != nil && !errors.Is(err, kerf.ErrNoStraight) {
				t.Fatal(err)
			}
			around := geom.Length(in.Contour)
			points, on, err := in.Stroke(tabs, around/10, around/20)
			if err != nil {
				t.Fatal(err)
			}
			end := geom.Length(points)
			at := in.LengthUM
			for _, s := range on {
				if s.From < at || s.To <= s.From || s.To > end+1 {
					t.Fatalf("spans %v on a way of %d µm", on, end)
				}
				at = s.To
			}
		}
	})
}
