package geom_test

import (
	"math"
	"testing"

	"kerfgate/plan/geom"
	"pgregory.net/rapid"
)

func rect(x0, y0, x1, y1 int64) []geom.Point {
	return []geom.Point{geom.Pt(x0, y0), geom.Pt(x1, y0), geom.Pt(x1, y1), geom.Pt(x0, y1), geom.Pt(x0, y0)}
}

// TestArea: rectangle w·h, triangle by half the product; the sign follows the direction. The star
// overflows 64 bits in between (each cross product is 2·10¹⁸) and has no net area.
func TestArea(t *testing.T) {
	t.Parallel()
	if a := geom.Area(rect(10, 20, 40, 60)); a != 1200 {
		t.Errorf("rectangle: %v", a)
	}
	if a := geom.Area([]geom.Point{{}, geom.Pt(0, 4), geom.Pt(3, 0), {}}); a != -6 {
		t.Errorf("clockwise triangle: %v", a)
	}
	big := []geom.Point{{}}
	for range 20 {
		big = append(big, geom.Pt(1_000_000_000, 0), geom.Pt(1_000_000_000, 1_000_000_000), geom.Pt(0, 1_000_000_000), geom.Pt(0, 0))
	}
	if a := geom.Area(big); a != 20e18 {
		t.Errorf("twenty turns: %v", a)
	}
	for i, j := 0, len(big)-1; i < j; i, j = i+1, j-1 {
		big[i], big[j] = big[j], big[i]
	}
	if a := geom.Area(big); a != -20e18 {
		t.Errorf("twenty turns back: %v", a)
	}
}

func TestLocate(t *testing.T) {
	t.Parallel()
	// A ring with 400 corners takes the way by bands, the square the plain one.
	var ring []geom.Point
	for i := range 401 {
		a := 2 * math.Pi * float64(i%400) / 400
		ring = append(ring, geom.Pt(int64(math.Round(1e5*math.Cos(a))), int64(math.Round(1e5*math.Sin(a)))))
	}
	for _, tc := range []struct {
		outline []geom.Point
		p       geom.Point
		want    geom.Side
	}{
		{rect(0, 0, 10, 10), geom.Pt(5, 5), geom.Within},
		{rect(0, 0, 10, 10), geom.Pt(5, 0), geom.OnEdge},
		{rect(0, 0, 10, 10), geom.Pt(5, 10), geom.OnEdge},
		{rect(0, 0, 10, 10), geom.Pt(10, 10), geom.OnEdge},
		{rect(0, 0, 10, 10), geom.Pt(11, 5), geom.Outside},
		{rect(0, 0, 10, 10), geom.Pt(-1, 10), geom.Outside},
		{[]geom.Point{{}, geom.Pt(5, 5), geom.Pt(10, 0), geom.Pt(10, 10), geom.Pt(0, 10), {}}, geom.Pt(-3, 5), geom.Outside},
		{[]geom.Point{{}, geom.Pt(5, 5), geom.Pt(10, 0), geom.Pt(10, 10), geom.Pt(0, 10), {}}, geom.Pt(5, 2), geom.Outside},
		{[]geom.Point{{}, geom.Pt(5, 5), geom.Pt(10, 0), geom.Pt(10, 10), geom.Pt(0, 10), {}}, geom.Pt(1, 5), geom.Within},
		{ring, geom.Pt(0, 0), geom.Within},
		{ring, geom.Pt(99_990, 0), geom.Within},
		{ring, geom.Pt(100_000, 0), geom.OnEdge},
		{ring, geom.Pt(80_000, 80_000), geom.Outside},
	} {
		if got := geom.NewRegion(tc.outline).Locate(tc.p); got != tc.want {
			t.Errorf("%v in %v…: got %d, want %d", tc.p, tc.outline[:3], got, tc.want)
		}
	}
}

// TestBandsAgree: the way by bands finds what plain counting finds.
func TestBandsAgree(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(64, 150).Draw(t, "n")
		points := make([]geom.Point, 0, n+1)
		for range n {
			points = append(points, geom.Pt(rapid.Int64Range(0, 60).Draw(t, "x"), rapid.Int64Range(0, 60).Draw(t, "y")))
		}
		points = append(points, points[0])
		region := geom.NewRegion(points)
		for range 30 {
			p := geom.Pt(rapid.Int64Range(-2, 62).Draw(t, "px"), rapid.Int64Range(-2, 62).Draw(t, "py"))
			edge, odd := false, false
			for i := 1; i < len(points); i++ {
				a, b := points[i-1], points[i]
				if geom.Cross(a, b, p) == 0 && p.X >= min(a.X, b.X) && p.X <= max(a.X, b.X) && p.Y >= min(a.Y, b.Y) && p.Y <= max(a.Y, b.Y) {
					edge = true
				}
				if (a.Y > p.Y) != (b.Y > p.Y) {
					x := float64(a.X) + float64(p.Y-a.Y)*float64(b.X-a.X)/float64(b.Y-a.Y)
					if float64(p.X) < x {
						odd = !odd
					}
				}
			}
			want := geom.Outside
			if edge {
				want = geom.OnEdge
			} else if odd {
				want = geom.Within
			}
			if got := region.Locate(p); got != want {
				t.Fatalf("%v: got %d, want %d", p, got, want)
			}
		}
	})
}

func TestNest(t *testing.T) {
	t.Parallel()
	outlines := [][]geom.Point{
		rect(0, 0, 100, 100),                                  // 0 outermost
		rect(10, 10, 90, 90),                                  // 1 hole
		rect(20, 20, 40, 40),                                  // 2 island
		rect(50, 50, 60, 60),                                  // 3 island
		{geom.Pt(25, 25), geom.Pt(30, 30)},                    // 4 open, in 2
		rect(200, 0, 300, 100),                                // 5 apart
		rect(0, 0, 100, 100),                                  // 6 equal to 0: held by the earlier
		{geom.Pt(500, 0), geom.Pt(600, 0), geom.Pt(600, 100)}, // 7 open: holds nothing
		rect(595, 5, 598, 8),                                  // 8
		rect(0, 0, 50, 50),                                    // 9 touches 0's edges from inside; crosses 1, which has more area
	}
	closed := []bool{true, true, true, true, false, true, true, false, true, true}
	got := geom.Nest(outlines, closed)
	want := map[int]int{0: -1, 2: 1, 3: 1, 4: 2, 5: -1, 7: -1, 8: -1}
	for i, p := range want {
		if i == 2 || i == 4 {
			continue // 9 crosses these: any of their holders will do
		}
		if got[i] != p {
			t.Errorf("outline %d lies in %d, want %d", i, got[i], p)
		}
	}
	if got[6] != 0 {
		t.Errorf("equal outlines: %d", got[6])
	}
	if got[9] != 0 && got[9] != 6 {
		t.Errorf("touching outline: %d", got[9])
	}
}

// TestNestMany: a tree of squares, each holding up to four, comes out as it was made.
func TestNestMany(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		var outlines [][]geom.Point
		var closed []bool
		var want []int
		var grow func(x, y, size int64, parent int)
		grow = func(x, y, size int64, parent int) {
			me := len(outlines)
			outlines, closed, want = append(outlines, rect(x, y, x+size, y+size)), append(closed, true), append(want, parent)
			if size < 40 {
				return
			}
			for k := range int64(4) {
				if rapid.Bool().Draw(t, "child") {
					grow(x+size/16+k%2*size/2, y+size/16+k/2*size/2, size/3, me)
				}
			}
		}
		grow(0, 0, 9_000, -1)
		got := geom.Nest(outlines, closed)
		for i := range want {
			if got[i] != want[i] {
				t.Fatalf("square %d lies in %d, want %d", i, got[i], want[i])
			}
		}
	})
}

func TestDivide(t *testing.T) {
	t.Parallel()
	parts := geom.Divide(rect(0, 0, 1000, 1000), 7)
	if len(parts) != 7 {
		t.Fatalf("%d parts", len(parts))
	}
	for i, part := range parts {
		if l := geom.Length(part); l < 569 || l > 574 { // 4000/7 = 571.4
			t.Errorf("part %d is %d long", i, l)
		}
		if i > 0 && part[0] != parts[i-1][len(parts[i-1])-1] {
			t.Errorf("part %d does not go on where the last one ended", i)
		}
	}
	if one := geom.Divide(rect(0, 0, 10, 10), 1); len(one) != 1 || len(one[0]) != 5 {
		t.Errorf("one part: %v", one)
	}
}
