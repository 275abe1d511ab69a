package geom_test

import (
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"kerfgate/plan/geom"
	"pgregory.net/rapid"
)

// star is a star of n tips between the radii outer and inner, in mm, with a tip at the top.
func star(n int, outer, inner float64) []geom.Point {
	var c []float64
	for i := range 2 * n {
		r := outer
		if i%2 == 1 {
			r = inner
		}
		a := math.Pi/2 + math.Pi*float64(i)/float64(n)
		c = append(c, r*math.Cos(a), r*math.Sin(a))
	}
	return mm(c...)
}

// wavy is a ring of n points around a circle of 100 mm with 40 waves of 5 mm.
func wavy(n int) []geom.Point {
	var c []float64
	for i := range n {
		a := 2 * math.Pi * float64(i) / float64(n)
		r := 100 + 5*math.Sin(40*a)
		c = append(c, r*math.Cos(a), r*math.Sin(a))
	}
	return mm(c...)
}

// TestOffsetSquare: by Steiner's formula a convex figure with area A and perimeter P that grows by d
// has the area A + P·d + π·d²; a square that shrinks by d has (s − 2d)².
func TestOffsetSquare(t *testing.T) {
	t.Parallel()
	square := [][]geom.Point{mm(0, 0, 10, 0, 10, 10, 0, 10)}
	for _, tc := range []struct {
		by    int64
		area  float64
		count int
	}{
		{1000, 12*12 - (4 - math.Pi), 1}, {50, 10.1*10.1 - (4-math.Pi)*0.0025, 1},
		{-1000, 64, 1}, {-4900, 0.04, 1}, {-5100, 0, 0}, {0, 100, 1},
	} {
		got := must(geom.Offset(square, tc.by, 1))
		if len(got) != tc.count {
			t.Errorf("%d µm: %d rings, want %d", tc.by, len(got), tc.count)
		}
		// Chords lie up to 1 µm inside the arcs, all around two corners' worth of length.
		about(t, "square", areaMM2(got), tc.area, 1e-3*2*math.Pi*float64(max(0, tc.by))/1000)
	}
	if got := must(geom.Offset(square, -1000, 1)); len(got) != 1 || len(got[0]) != 5 || got[0][0] != geom.Pt(1000, 1000) {
		t.Errorf("shrunk square: %v", got)
	}
	// A hole grows where the part shrinks, and closes where it grows.
	holed := append(square, mm(4, 4, 4, 6, 6, 6, 6, 4))
	about(t, "square with a hole −0.5", areaMM2(must(geom.Offset(holed, -500, 1))), 81-(9-(4-math.Pi)*0.25), 0.01)
	about(t, "square with a hole +0.5", areaMM2(must(geom.Offset(holed, 500, 1))), 121-(4-math.Pi)*0.25-1, 0.01)
	if got := must(geom.Offset(holed, 1100, 1)); len(got) != 1 {
		t.Errorf("the hole did not close: %d rings", len(got))
	}
	if got := must(geom.Offset(holed, -1600, 1)); len(got) != 2 {
		t.Errorf("a frame 4 mm wide, 1.6 mm off each side: %d rings", len(got))
	}
	if got := must(geom.Offset(holed, -2100, 1)); len(got) != 4 { // the sides are gone, the corners are not: √2·1.9 > 2.1
		t.Errorf("a frame 4 mm wide, 2.1 mm off each side: %d rings", len(got))
	}
}

// TestOffsetCircle: a circle of radius r that moves by d has the radius r + d.
func TestOffsetCircle(t *testing.T) {
	t.Parallel()
	for _, by := range []int64{75, 1000, 7000, -75, -1000, -9000} {
		var c []float64
		for i := range 2000 {
			a := 2 * math.Pi * float64(i) / 2000
			c = append(c, 10*math.Cos(a), 10*math.Sin(a))
		}
		got := must(geom.Offset([][]geom.Point{mm(c...)}, by, 2))
		if len(got) != 1 {
			t.Errorf("%d µm: %d rings", by, len(got))
			continue
		}
		r := 10 + float64(by)/1000
		about(t, "area", areaMM2(got), math.Pi*r*r, 2*math.Pi*r*0.003)
		// Corners rounded to the grid turn the edges of 31 µm a little, and far inwards that scallops.
		about(t, "perimeter", float64(geom.Length(got[0]))/1000, 2*math.Pi*r, 0.01*r+0.07)
		for _, p := range got[0] {
			if d := geom.Distance(geom.Point{}, p) - 1000*r; d < -3 || d > 3 {
				t.Errorf("%d µm: a point lies %.2f µm off the circle", by, d)
			}
		}
	}
}

// TestOffsetRows holds figures against areas that two independent libraries found (measured with a
// float boolean library and Clipper2, both with round corners; own).
func TestOffsetRows(t *testing.T) {
	t.Parallel()
	dumbbell := mm(0, 0, 10, 0, 10, 4, 20, 4, 20, 0, 30, 0, 30, 10, 20, 10, 20, 6, 10, 6, 10, 10, 0, 10)
	for _, tc := range []struct {
		name   string
		ring   []geom.Point
		by     int64
		area   float64
		within float64
		count  int
	}{
		{"dumbbell −1.5 falls in two", dumbbell, -1500, 98.485, 0.02, 2},
		{"star −1", star(5, 10, 4), -1000, 57.30, 0.02, 1},
		{"star −2", star(5, 10, 4), -2000, 19.735, 0.02, 1},
		{"star −3.2", star(5, 10, 4), -3200, 2.452, 0.015, 1},
		{"star +1", star(5, 10, 4), 1000, 191.85, 0.03, 1},
	} {
		got := must(geom.Offset([][]geom.Point{tc.ring}, tc.by, 1))
		if len(got) != tc.count {
			t.Errorf("%s: %d rings, want %d", tc.name, len(got), tc.count)
		}
		about(t, tc.name, areaMM2(got), tc.area, tc.within)
	}
}

// TestOffsetLaws: growing further never loses a point, growing and shrinking by the same keeps every
// point of the region (closing), shrinking and growing keeps none outside (opening), and every corner
// of a grown region is as far from the old one as it was moved.
func TestOffsetLaws(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		rings := anyRings(t, "rings", 60)
		for _, r := range rings {
			for i := range r { // on a lattice of 50 µm slivers are rare, whose loss moves boundaries further
				r[i] = geom.Pt(50*r[i].X, 50*r[i].Y)
			}
		}
		small := rapid.Int64Range(1, 400).Draw(t, "small")
		more := rapid.Int64Range(1, 400).Draw(t, "more")
		// Spikes and gaps thinner than a few micrometres may vanish, which moves a boundary by more than
		// the slack: opening and closing by 15 µm takes them away first. TestRegionsAgainstClipper holds
		// figures that have them.
		region := must(geom.Settle(rings, geom.NonZero))
		for _, by := range []int64{-15, 30, -15} {
			region = must(geom.Offset(region, by, 1))
		}
		grown := must(geom.Offset(region, small, 1))
		shrunk := must(geom.Offset(region, -small, 1))
		checkForm(t, grown)
		checkForm(t, shrunk)
		// Points are rounded and chords lie a micrometre inside arcs: 6 µm of slack everywhere.
		const slack = 6
		lies := func(what string, inner, outer [][]geom.Point) {
			t.Helper()
			for _, r := range must(geom.Difference(inner, outer)) {
				for _, p := range r {
					if !near(outer, p, slack) {
						t.Fatalf("%s: %v lies outside", what, p)
					}
				}
			}
		}
		lies("monotonic", grown, must(geom.Offset(region, small+more, 1)))
		lies("monotonic inwards", must(geom.Offset(region, -small-more, 1)), shrunk)
		// Corners come back less exactly the more acute they are, so these are held by area.
		mostly := func(what string, inner, outer [][]geom.Point) {
			t.Helper()
			var length int64
			for _, r := range inner {
				length += geom.Length(r)
			}
			if lost := areaMM2(must(geom.Difference(inner, outer))); lost > 2e-6*float64(length) {
				t.Fatalf("%s: %v mm² of %d µm of boundary lie outside", what, lost, length)
			}
		}
		mostly("closing", region, must(geom.Offset(grown, -small, 1)))
		mostly("opening", must(geom.Offset(shrunk, small, 1)), region)
		for _, side := range [][][]geom.Point{grown, shrunk} {
			for _, r := range side {
				for _, p := range r {
					if near(region, p, float64(small)-slack) || !near(region, p, float64(small)+slack) {
						t.Fatalf("%v does not lie %d µm from the old boundary", p, small)
					}
				}
			}
		}
	})
}

// TestOffsetWavy: by Steiner's formula for a smooth closed curve that moves by less than its least
// radius of curvature (here 1.2 mm) the area becomes A + P·d + π·d², inwards as outwards.
func TestOffsetWavy(t *testing.T) {
	t.Parallel()
	ring := wavy(10_000)
	area, length := geom.Area(ring)/1e6, float64(geom.Length(ring))/1000
	for _, by := range []int64{100, 1000, -100, -1000} {
		d := float64(by) / 1000
		got := must(geom.Offset([][]geom.Point{ring}, by, 2))
		if len(got) != 1 {
			t.Errorf("%d µm: %d rings", by, len(got))
		}
		about(t, "wavy ring", areaMM2(got), area+length*d+math.Pi*d*d, length*0.001)
	}
}

// TestOffsetSameBytes: rings made of whole numbers alone give these very bytes on every target (run
// it under GOAMD64=v1 and v3: v3 may fuse multiplication and addition).
func TestOffsetSameBytes(t *testing.T) {
	t.Parallel()
	var rings [][]geom.Point
	state := uint64(1)
	next := func(n uint64) int64 { // Knuth's MMIX congruence
		state = state*6364136223846793005 + 1442695040888963407
		return int64(state >> 33 % n)
	}
	for range 12 {
		x, y := next(200_000), next(200_000)
		var ring []geom.Point
		for range 30 {
			ring = append(ring, geom.Pt(x+next(50_000), y+next(50_000)))
		}
		rings = append(rings, ring)
	}
	sum := sha256.New()
	for _, by := range []int64{75, -75, 1234} {
		for _, ring := range must(geom.Offset(must(geom.Settle(rings, geom.NonZero)), by, 2)) {
			for _, p := range ring {
				fmt.Fprintln(sum, p.X, p.Y)
			}
		}
	}
	const want = "f16b103009ba7b1eadff2d440d66820d7a1c94ae3d9ae3852b4e7ae77dc521ab"
	if got := fmt.Sprintf("%x", sum.Sum(nil)); got != want {
		t.Errorf("SHA-256 of the points is %s, want %s", got, want)
	}
}

// TestTooManyCrossings: 3000 lines across each other are refused, not computed.
func TestTooManyCrossings(t *testing.T) {
	t.Parallel()
	var ring []geom.Point
	for i := range int64(3000) {
		ring = append(ring, geom.Pt(i*10, i%2*100_000), geom.Pt(100_000-i*7, (i+1)%2*100_000))
	}
	if _, err := geom.Settle([][]geom.Point{ring}, geom.NonZero); !errors.Is(err, geom.ErrCrossings) {
		t.Errorf("got %v", err)
	}
}

func FuzzOffset(f *testing.F) {
	f.Add([]byte{0, 0, 9, 0, 9, 9, 0, 9}, int16(3), uint8(1))
	f.Add([]byte{0, 0, 9, 9, 9, 0, 0, 9, 4, 4}, int16(-2), uint8(200))
	f.Fuzz(func(t *testing.T, data []byte, by int16, scale uint8) {
		var ring []geom.Point
		for i := 0; i+1 < len(data) && i < 200; i += 2 {
			ring = append(ring, geom.Pt(int64(data[i])*int64(scale), int64(data[i+1])*int64(scale)))
		}
		region := must(geom.Settle([][]geom.Point{ring}, geom.NonZero))
		checkForm(t, region)
		moved := must(geom.Offset(region, int64(by), 2))
		checkForm(t, moved)
		before, after := areaMM2(region), areaMM2(moved)
		if slack := 1e-5 * (1 + math.Sqrt(before+after)); by > 0 && after < before-slack || by < 0 && after > before+slack {
			t.Fatalf("moved by %d the area went from %v to %v", by, before, after)
		}
	})
}

// slotted is a bar of n points with slots half as wide as twice what it will be moved by, 5 mm deep.
func slotted(n int) []geom.Point {
	ring := []geom.Point{geom.Pt(0, 0)}
	for i := range int64(n / 4) {
		x := i * 400
		ring = append(ring, geom.Pt(x+100, 0), geom.Pt(x+100, 5_000), geom.Pt(x+200, 5_000), geom.Pt(x+200, 0))
	}
	last := ring[len(ring)-1].X + 300
	return append(ring, geom.Pt(last, 0), geom.Pt(last, 10_000), geom.Pt(0, 10_000), geom.Pt(0, 0))
}

// needles is a star of n points whose rays, 50 mm long, lie no farther apart than they are moved.
func needles(n int) []geom.Point {
	ring := make([]geom.Point, n+1)
	for i := range ring {
		r := 100_000 - float64(i%2)*50_000
		s, c := math.Sincos(2 * math.Pi * float64(i%n) / float64(n))
		ring[i] = geom.Pt(int64(math.Round(r*c)), int64(math.Round(r*s)))
	}
	return ring
}

// BenchmarkOffset moves the boundary of a ring. The floors are measured in the same run: SHA-256 of
// the bytes of the same points, and sorting the points.
func BenchmarkOffset(b *testing.B) {
	for _, drawn := range []struct {
		name string
		n    int
		of   func(int) []geom.Point
	}{{"wavy", 1_000, wavy}, {"wavy", 10_000, wavy}, {"wavy", 100_000, wavy}, {"slots", 10_000, slotted}, {"needles", 10_000, needles}} {
		ring := drawn.of(drawn.n)
		b.Run(fmt.Sprintf("%s/%d points", drawn.name, drawn.n), func(b *testing.B) {
			var data []byte
			for _, p := range ring {
				data = binary.LittleEndian.AppendUint64(binary.LittleEndian.AppendUint64(data, uint64(p.X)), uint64(p.Y))
			}
			hashed := fastest(func() { sha256.Sum256(data) })
			sorted := fastest(func() { slices.SortFunc(slices.Clone(ring), compare) })
			for b.Loop() {
				must(geom.Offset([][]geom.Point{ring}, 100, 2))
			}
			each := float64(b.Elapsed()) / float64(b.N)
			b.ReportMetric(each/float64(hashed), "×sha256")
			b.ReportMetric(each/float64(sorted), "×sort")
		})
	}
}

// fastest is the least of twenty times that do took.
func fastest(do func()) time.Duration {
	least := time.Hour
	for range 20 {
		start := time.Now()
		do()
		least = min(least, time.Since(start))
	}
	return least
}
