package geom_test

import (
	"math"
	"slices"
	"testing"

	"kerfgate/plan/geom"
	"pgregory.net/rapid"
)

// must is for regions that are known to cross less often than MostCrossings.
func must(rings [][]geom.Point, err error) [][]geom.Point {
	if err != nil {
		panic(err)
	}
	return rings
}

// areaMM2 is the area in mm² inside rings of Settle's form.
func areaMM2(rings [][]geom.Point) float64 {
	var sum float64
	for _, r := range rings {
		sum += geom.Area(r)
	}
	return sum / 1e6
}

func about(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if math.Abs(got-want) > within {
		t.Errorf("%s: got %.4f, want %.4f ± %g", what, got, want, within)
	}
}

func mm(coordinates ...float64) []geom.Point {
	var ring []geom.Point
	for i := 0; i < len(coordinates); i += 2 {
		ring = append(ring, geom.Pt(int64(math.Round(1000*coordinates[i])), int64(math.Round(1000*coordinates[i+1]))))
	}
	return append(ring, ring[0])
}

// TestSettle: figures whose areas are known by counting.
func TestSettle(t *testing.T) {
	t.Parallel()
	square, inner := mm(0, 0, 10, 0, 10, 10, 0, 10), mm(2, 2, 2, 4, 4, 4, 4, 2)
	bow := mm(0, 0, 10, 10, 10, 0, 0, 10)
	for _, tc := range []struct {
		name  string
		rings [][]geom.Point
		rule  geom.Winding
		area  float64
		count int
	}{
		{"nothing", nil, geom.Positive, 0, 0},
		{"square", [][]geom.Point{square}, geom.Positive, 100, 1},
		{"square without its last point", [][]geom.Point{square[:4]}, geom.Positive, 100, 1},
		{"clockwise square", [][]geom.Point{reversed(square)}, geom.Positive, 0, 0},
		{"clockwise square, any direction", [][]geom.Point{reversed(square)}, geom.NonZero, 100, 1},
		{"identical squares", [][]geom.Point{square, square}, geom.Positive, 100, 1},
		{"square and its reverse", [][]geom.Point{square, reversed(square)}, geom.Positive, 0, 0},
		{"with a hole", [][]geom.Point{square, inner}, geom.Positive, 96, 2},
		{"with a hole, any direction", [][]geom.Point{square, inner}, geom.NonZero, 96, 2},
		{"bow tie: one lobe runs clockwise", [][]geom.Point{bow}, geom.Positive, 25, 1},
		{"bow tie: both lobes touch in a point", [][]geom.Point{bow}, geom.NonZero, 50, 2},
		{"shared edge", [][]geom.Point{square, mm(10, 0, 20, 0, 20, 10, 10, 10)}, geom.Positive, 200, 1},
		{"corners touch", [][]geom.Point{square, mm(10, 10, 20, 10, 20, 20, 10, 20)}, geom.Positive, 200, 2},
		{"hole touches the outline", [][]geom.Point{square, mm(0, 5, 4, 7, 4, 3)}, geom.Positive, 92, 2},
		{"crossing bars", [][]geom.Point{mm(-20, -1, 20, -1, 20, 1, -20, 1), mm(-1, -20, 1, -20, 1, 20, -1, 20)}, geom.Positive, 156, 1},
		{"frame of four bars", [][]geom.Point{mm(0, 0, 10, 0, 10, 1, 0, 1), mm(0, 9, 10, 9, 10, 10, 0, 10), mm(0, 0, 1, 0, 1, 10, 0, 10), mm(9, 0, 10, 0, 10, 10, 9, 10)}, geom.Positive, 36, 2},
		{"line there and back", [][]geom.Point{mm(0, 0, 10, 3)}, geom.NonZero, 0, 0},
		{"points on a side", [][]geom.Point{mm(0, 0, 3, 0, 7, 0, 10, 0, 10, 10, 0, 10, 0, 5)}, geom.Positive, 100, 1},
	} {
		got := must(geom.Settle(tc.rings, tc.rule))
		if len(got) != tc.count {
			t.Errorf("%s: %d rings, want %d: %v", tc.name, len(got), tc.count, got)
		}
		about(t, tc.name, areaMM2(got), tc.area, 1e-9)
	}
	if got := must(geom.Settle([][]geom.Point{{geom.Pt(5, 5), geom.Pt(0, 5), geom.Pt(0, 0), geom.Pt(5, 0)}}, geom.Positive)); len(got) != 1 ||
		!slices.Equal(got[0], []geom.Point{geom.Pt(0, 0), geom.Pt(5, 0), geom.Pt(5, 5), geom.Pt(0, 5), geom.Pt(0, 0)}) {
		t.Errorf("start and direction: %v", got)
	}
}

// TestPentagram: by non-zero the five-pointed star of circumradius r is ten triangles between r and
// the radius of its inner corners, which is r/φ² (φ the golden ratio; elementary geometry).
func TestPentagram(t *testing.T) {
	t.Parallel()
	var star []float64
	for i := range 5 {
		a := math.Pi/2 + 4*math.Pi*float64(i)/5
		star = append(star, 100*math.Cos(a), 100*math.Sin(a))
	}
	phi := (1 + math.Sqrt(5)) / 2
	want := 5 * 100 * (100 / (phi * phi)) * math.Sin(math.Pi/5)
	got := must(geom.Settle([][]geom.Point{mm(star...)}, geom.NonZero))
	if len(got) != 1 || len(got[0]) != 11 {
		t.Errorf("%d rings, first with %d points", len(got), len(got[0]))
	}
	about(t, "pentagram", areaMM2(got), want, 0.3) // a micrometre along 730 mm of outline
}

// TestFarOut: at the edge of what is allowed nothing overflows.
func TestFarOut(t *testing.T) {
	t.Parallel()
	const m = geom.MostCoordinateUM
	square := []geom.Point{geom.Pt(-m, -m), geom.Pt(m, -m), geom.Pt(m, m), geom.Pt(-m, m)}
	cross := []geom.Point{geom.Pt(-m, -m), geom.Pt(m, m), geom.Pt(m, -m), geom.Pt(-m, m)} // two quarters
	got := must(geom.Settle([][]geom.Point{square, cross}, geom.NonZero))
	about(t, "square, of which a clockwise triangle takes a quarter", areaMM2(got), 3e12, 0)
	got = must(geom.Settle([][]geom.Point{cross}, geom.NonZero))
	about(t, "two triangles", areaMM2(got), 2e12, 0)
	if len(got) != 2 {
		t.Errorf("two triangles: %v", got)
	}
}

// TestCombine: two squares that share a quarter.
func TestCombine(t *testing.T) {
	t.Parallel()
	a, b := [][]geom.Point{mm(0, 0, 10, 0, 10, 10, 0, 10)}, [][]geom.Point{mm(5, 5, 15, 5, 15, 15, 5, 15)}
	about(t, "union", areaMM2(must(geom.Union(a, b))), 175, 0)
	about(t, "difference", areaMM2(must(geom.Difference(a, b))), 75, 0)
	about(t, "intersection", areaMM2(must(geom.Intersect(a, b))), 25, 0)
	about(t, "nothing left", areaMM2(must(geom.Difference(a, a))), 0, 0)
	about(t, "itself", areaMM2(must(geom.Intersect(a, a))), 100, 0)
}

func anyRings(t *rapid.T, label string, extent int64) [][]geom.Point {
	return rapid.SliceOfN(rapid.SliceOfN(rapid.Custom(func(t *rapid.T) geom.Point {
		return geom.Pt(rapid.Int64Range(0, extent).Draw(t, "x"), rapid.Int64Range(0, extent).Draw(t, "y"))
	}), 3, 30), 1, 4).Draw(t, label)
}

// TestSettledForm: whatever goes in, no two edges of what comes out cross or touch but at ends, the
// region is on the left everywhere, and the winding number at any point is that of the input, as
// counted by hand, but for points within a micrometre of an edge.
func TestSettledForm(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		extent := rapid.SampledFrom([]int64{6, 40, 3000}).Draw(t, "extent")
		rings := anyRings(t, "rings", extent)
		rule := rapid.SampledFrom([]geom.Winding{geom.Positive, geom.NonZero}).Draw(t, "rule")
		out := must(geom.Settle(rings, rule))
		checkForm(t, out)
		for range 20 {
			p := geom.Pt(rapid.Int64Range(0, extent).Draw(t, "px"), rapid.Int64Range(0, extent).Draw(t, "py"))
			// Thin parts are left out, and edges move by up to √½ µm: two micrometres keep clear of both.
			if near(rings, p, 2) || near(out, p, 2) {
				continue
			}
			w := windingAt(rings, p)
			want := w > 0 || rule == geom.NonZero && w < 0
			if got := windingAt(out, p); got != map[bool]int{true: 1}[want] {
				t.Fatalf("at %v: winding %d in the input, %d in the result", p, w, got)
			}
		}
	})
}

type failer interface {
	Helper()
	Fatalf(string, ...any)
}

// checkForm holds rings against what Settle promises.
func checkForm(t failer, rings [][]geom.Point) {
	t.Helper()
	type segment struct{ a, b geom.Point }
	var all []segment
	for i, r := range rings {
		if len(r) < 4 || r[0] != r[len(r)-1] {
			t.Fatalf("ring %d is not closed: %v", i, r)
		}
		if i > 0 && slices.CompareFunc(rings[i-1], r, compare) >= 0 {
			t.Fatalf("rings %d and %d are out of order", i-1, i)
		}
		seen := map[geom.Point]bool{}
		for k, p := range r[1:] {
			if seen[p] {
				t.Fatalf("ring %d goes through %v twice", i, p)
			}
			if compare(p, r[0]) < 0 {
				t.Fatalf("ring %d starts at %v and not at %v", i, r[0], p)
			}
			seen[p] = true
			all = append(all, segment{r[k], p})
		}
	}
	if len(all) > 2000 {
		return
	}
	for i, s := range all {
		for _, u := range all[:i] {
			shared := s.a == u.a || s.a == u.b || s.b == u.a || s.b == u.b
			c1, c2 := geom.Cross(s.a, s.b, u.a), geom.Cross(s.a, s.b, u.b)
			c3, c4 := geom.Cross(u.a, u.b, s.a), geom.Cross(u.a, u.b, s.b)
			opposite := func(p, q int64) bool { return p > 0 && q < 0 || p < 0 && q > 0 }
			if opposite(c1, c2) && opposite(c3, c4) {
				t.Fatalf("%v and %v cross", s, u)
			}
			if !shared && (on(s.a, s.b, u.a) || on(s.a, s.b, u.b) || on(u.a, u.b, s.a) || on(u.a, u.b, s.b)) {
				t.Fatalf("%v and %v touch", s, u)
			}
			if shared && c1 == 0 && c2 == 0 && (s.a == u.a && s.b == u.b || s.a == u.b && s.b == u.a) {
				t.Fatalf("%v is there twice", s)
			}
		}
	}
}

func compare(p, q geom.Point) int {
	if p.X != q.X {
		return int(p.X - q.X)
	}
	return int(p.Y - q.Y)
}

func on(a, b, p geom.Point) bool {
	return geom.Cross(a, b, p) == 0 && p.X >= min(a.X, b.X) && p.X <= max(a.X, b.X) && p.Y >= min(a.Y, b.Y) && p.Y <= max(a.Y, b.Y)
}

func reversed(ring []geom.Point) []geom.Point {
	r := slices.Clone(ring)
	slices.Reverse(r)
	return r
}

func windingAt(rings [][]geom.Point, p geom.Point) int {
	w := 0
	for _, r := range rings {
		for i := range r {
			a, b := r[i], r[(i+1)%len(r)]
			if a.Y <= p.Y && b.Y > p.Y && geom.Cross(a, b, p) > 0 {
				w++
			} else if b.Y <= p.Y && a.Y > p.Y && geom.Cross(a, b, p) < 0 {
				w--
			}
		}
	}
	return w
}

// near says whether p is within d of an edge.
func near(rings [][]geom.Point, p geom.Point, d float64) bool {
	for _, r := range rings {
		for i := range r {
			a, b := r[i], r[(i+1)%len(r)]
			ab, ap := b.Sub(a), p.Sub(a)
			t := 0.0
			if l := float64(ab.X*ab.X + ab.Y*ab.Y); l > 0 {
				t = max(0, min(1, float64(ab.X*ap.X+ab.Y*ap.Y)/l))
			}
			if math.Hypot(float64(ap.X)-t*float64(ab.X), float64(ap.Y)-t*float64(ab.Y)) <= d {
				return true
			}
		}
	}
	return false
}
