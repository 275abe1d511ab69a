package geom_test

import (
	"math"
	"slices"
	"testing"

	"kerfgate/plan/geom"
	"pgregory.net/rapid"
)

// TestHull: small figures whose hull is plain to see, in any order and with doubles.
func TestHull(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct{ points, want []geom.Point }{
		"nothing":         {nil, nil},
		"a point":         {[]geom.Point{geom.Pt(3, 4), geom.Pt(3, 4)}, []geom.Point{geom.Pt(3, 4)}},
		"a line":          {[]geom.Point{geom.Pt(0, 0), geom.Pt(5, 5), geom.Pt(10, 10), geom.Pt(5, 5)}, []geom.Point{geom.Pt(0, 0), geom.Pt(10, 10)}},
		"with its inside": {[]geom.Point{geom.Pt(10, 10), geom.Pt(5, 5), geom.Pt(0, 0), geom.Pt(5, 0), geom.Pt(10, 0), geom.Pt(0, 10)}, rect(0, 0, 10, 10)[:4]},
	} {
		if got := geom.Hull(slices.Clone(c.points)); !slices.Equal(got, c.want) {
			t.Errorf("%s: %v, want %v", name, got, c.want)
		}
	}
}

// TestHull_Holds: by the definition alone: each corner is one of the points, every turn is to the left, and
// no point lies to the right of any side.
func TestHull_Holds(t *testing.T) {
	t.Parallel()
	coordinate := rapid.Int64Range(-1_000_000, 1_000_000)
	rapid.Check(t, func(t *rapid.T) {
		var points []geom.Point
		for range rapid.IntRange(3, 80).Draw(t, "n") {
			points = append(points, geom.Pt(coordinate.Draw(t, "x"), coordinate.Draw(t, "y")))
		}
		hull := geom.Hull(slices.Clone(points))
		for i, a := range hull {
			b := hull[(i+1)%len(hull)]
			if !slices.Contains(points, a) {
				t.Fatalf("corner %v is none of the points", a)
			}
			if len(hull) < 3 {
				continue
			}
			if c := hull[(i+2)%len(hull)]; geom.Cross(a, b, c) <= 0 {
				t.Fatalf("no turn to the left at %v", b)
			}
			for _, p := range points {
				if geom.Cross(a, b, p) < 0 {
					t.Fatalf("%v lies outside of %v to %v", p, a, b)
				}
			}
		}
	})
}

// TestFewer: of a circle of 100 mm in 2,000 corners 64 at most remain, and none that was left out stands out
// by more than the sagitta of 64 sides, r·(1 − cos π/64), and the rounding of its corners; a square keeps its four.
func TestFewer(t *testing.T) {
	t.Parallel()
	const r = 50_000
	var ring []geom.Point
	for i := range 2000 {
		a := 2 * math.Pi * float64(i) / 2000
		ring = append(ring, geom.Pt(int64(math.Round(r*math.Cos(a))), int64(math.Round(r*math.Sin(a)))))
	}
	few := geom.Fewer(ring, 50, 64)
	if len(few) > 64 || len(few) < 24 {
		t.Errorf("%d corners", len(few))
	}
	for i, a := range few {
		b := few[(i+1)%len(few)]
		middle := math.Hypot(float64(a.X+b.X)/2, float64(a.Y+b.Y)/2)
		if out := r - middle; out > 4*r*(1-math.Cos(math.Pi/64))+1 { // the slack doubles once at most past that
			t.Errorf("side %d leaves %.0f µm outside", i, out)
		}
	}
	if got := geom.Fewer(rect(0, 0, 1000, 1000)[:4], 50, 64); len(got) != 4 {
		t.Errorf("a square: %v", got)
	}
}
