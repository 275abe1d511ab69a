package geom

import (
	"math"
	"reflect"
	"testing"

	"pgregory.net/rapid"
)

// drawnRing is mostly simple: points around a middle, some on each other or on edges, of a few µm up
// to centimetres; or any points at all.
func drawnRing(t *rapid.T) []Point {
	n := rapid.IntRange(3, 40).Draw(t, "n")
	size := rapid.SampledFrom([]float64{4, 30, 2_000, 50_000}).Draw(t, "size")
	wild := rapid.IntRange(0, 4).Draw(t, "wild") == 0
	var ring []Point
	for i := range n {
		if wild {
			ring = append(ring, Pt(rapid.Int64Range(0, 9).Draw(t, "x"), rapid.Int64Range(0, 9).Draw(t, "y")))
			continue
		}
		r := size * rapid.Float64Range(0.6, 1).Draw(t, "r")
		a := 2 * math.Pi * float64(i) / float64(n)
		ring = append(ring, Pt(int64(r*math.Cos(a)), int64(r*math.Sin(a))))
	}
	if rapid.Bool().Draw(t, "clockwise") {
		for i, k := 0, len(ring)-1; i < k; i, k = i+1, k-1 {
			ring[i], ring[k] = ring[k], ring[i]
		}
	}
	return append(ring, ring[0])
}

// TestSimpleIsSettled: what is told to be simple is what the whole network gives, point by point, by
// the sweep and by the index alike.
func TestSimpleIsSettled(t *testing.T) {
	t.Parallel()
	alone := 0
	rapid.Check(t, func(t *rapid.T) {
		ring := drawnRing(t)
		for _, rule := range []Winding{Positive, NonZero} {
			points := opened(ring)
			if len(points) >= 3 && simple(points) != simpleByIndex(points) {
				t.Fatal("the index says otherwise than the sweep")
			}
			fast, ok := settledAlone(ring, rule)
			if !ok {
				continue
			}
			alone++
			slow, err := combined(func(n turns) bool { return rule.inside(n[0]) }, [][]Point{ring})
			if err != nil {
				t.Fatal(err)
			}
			if len(fast)+len(slow) > 0 && !reflect.DeepEqual(fast, slow) {
				t.Fatalf("rule %d: alone %v, by the network %v", rule, fast, slow)
			}
		}
	})
	if alone < 20 {
		t.Errorf("only %d rings were simple", alone)
	}
}

// thickness is that of a strip with the ring's area and length; rounding and chords leave a few µm.
func thickness(ring []Point) float64 { return 2 * math.Abs(Area(ring)) / float64(Length(ring)) }

// TestAsideComesBack: a ring that is moved aside by itself is what the whole network makes of it, and
// moved back it is the same but for the corners, which lose what a disc does not reach (elementary
// geometry; two corners may hang together by rounding).
func TestAsideComesBack(t *testing.T) {
	t.Parallel()
	moved := 0
	rapid.Check(t, func(t *rapid.T) {
		ring := drawnRing(t)
		by := rapid.Int64Range(-400, 400).Draw(t, "by")
		a, err := AsideOf(ring, by, 5)
		if err != nil {
			t.Fatal(err)
		}
		if !a.Plain {
			return
		}
		moved++
		aside, region := a.Moved[0], a.Region
		// The long way round, by the whole network.
		raw, _ := parallel(region[0], float64(by), 5)
		if by == 0 {
			raw = region[0]
		}
		slow, err := combined(func(n turns) bool { return n[0] > 0 }, [][]Point{raw})
		if err != nil {
			t.Fatal(err)
		}
		apart, err := Difference([][]Point{aside}, slow)
		if err != nil {
			t.Fatal(err)
		}
		for _, part := range apart {
			if thickness(part) > 6 {
				t.Fatalf("the long way leaves %v out", part)
			}
		}
		back, err := Offset([][]Point{aside}, -by, 5)
		if err != nil {
			t.Fatal(err)
		}
		lost, within := back, region
		if by < 0 {
			lost, within = region, back
		}
		parts, err := Difference(lost, within)
		if err != nil {
			t.Fatal(err)
		}
		r := float64(by)
		for _, part := range parts {
			// A disc of radius r in a corner that turns by φ leaves r²·(tan(φ/2) − φ/2), 0.893 r² at most.
			if a := Area(part); a > 2*0.893*r*r+float64(2*Length(part)) {
				t.Fatalf("moved by %d a corner loses %.0f µm²: %v", by, a, part)
			}
		}
	})
	if moved < 20 {
		t.Errorf("only %d rings could be moved by themselves", moved)
	}
}
