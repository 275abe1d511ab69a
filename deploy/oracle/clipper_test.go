package oracle_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"kerfgate/plan/geom"
)

// clipperJob is what clipper.js does.
type clipperJob struct {
	A         [][][2]int64 `json:"a"`
	B         [][][2]int64 `json:"b"`
	Do        string       `json:"do"`
	Rule      string       `json:"rule"`
	By        int64        `json:"by"`
	Tolerance int64        `json:"tolerance"`
}

// toClipper gives rings whose last point does not repeat the first.
func toClipper(rings [][]geom.Point) [][][2]int64 {
	out := [][][2]int64{}
	for _, r := range rings {
		var ring [][2]int64
		for i, p := range r {
			if i+1 == len(r) && p == r[0] {
				break
			}
			ring = append(ring, [2]int64{p.X, p.Y})
		}
		out = append(out, ring)
	}
	return out
}

func fromClipper(rings [][][2]int64) (out [][]geom.Point, area float64, length int64) {
	for _, r := range rings {
		var ring []geom.Point
		for _, p := range r {
			ring = append(ring, geom.Pt(p[0], p[1]))
		}
		ring = append(ring, ring[0])
		out = append(out, ring)
		area += geom.Area(ring)
		length += geom.Length(ring)
	}
	return out, area, length
}

type clipperCase struct {
	name  string
	rings [][]geom.Point
	by    int64
}

// TestRegionsAgainstClipper settles and offsets figures with ours and with Clipper2 (clipper2-wasm
// 0.4.0 from npm): what lies in one result and not in the other is thinner than a few micrometres
// along the whole boundary.
func TestRegionsAgainstClipper(t *testing.T) {
	t.Parallel()
	cases := clipperCases()
	var jobs []clipperJob
	for _, c := range cases {
		jobs = append(jobs,
			clipperJob{A: toClipper(c.rings), Do: "settle", Rule: "nonzero"},
			clipperJob{A: toClipper(c.rings), Do: "offset", Rule: "nonzero", By: c.by, Tolerance: 1})
	}
	var theirs [][][][2]int64
	node(t, "clipper.js", jobs, &theirs)
	if len(theirs) != len(jobs) {
		t.Fatalf("%d answers to %d jobs", len(theirs), len(jobs))
	}
	var compare []clipperJob
	var ours [][][]geom.Point
	for i, c := range cases {
		settled, err := geom.Settle(c.rings, geom.NonZero)
		if err != nil {
			t.Fatal(err)
		}
		moved, err := geom.Offset(settled, c.by, 1)
		if err != nil {
			t.Fatal(err)
		}
		ours = append(ours, settled, moved)
		for k, rings := range [][][]geom.Point{settled, moved} {
			compare = append(compare, clipperJob{A: toClipper(rings), B: theirs[2*i+k], Do: "symmetric", Rule: "nonzero"})
		}
	}
	var different [][][][2]int64
	node(t, "clipper.js", compare, &different)
	var worst float64
	for i, rings := range ours {
		c, what := cases[i/2], "settled"
		if i%2 == 1 {
			what = "offset"
		}
		var area float64
		for _, r := range rings {
			area += geom.Area(r)
		}
		_, theirArea, length := fromClipper(theirs[i])
		_, apart, _ := fromClipper(different[i])
		bound := 2*float64(length) + 200
		if i%2 == 1 && c.by < 0 {
			// Rounding moves the boundary that shrinks, also where nothing is left of it.
			for _, r := range ours[i-1] {
				length += geom.Length(r)
			}
			bound = float64(length) + 200
		}
		if math.Abs(area-theirArea) > bound || math.Abs(apart) > bound {
			t.Errorf("%s, %s by %d: area %.0f µm², Clipper2's %.0f; %.0f µm² apart, over %.0f", c.name, what, c.by, area, theirArea, apart, bound)
		}
		worst = max(worst, math.Abs(apart)/bound)
	}
	t.Logf("%d comparisons, the worst at %.2f of its bound", len(ours), worst)
}

func clipperCases() []clipperCase {
	r := rand.New(rand.NewPCG(7, 4))
	round := func(n int, radius func(angle float64) float64) []geom.Point {
		var ring []geom.Point
		for i := range n {
			a := 2 * math.Pi * float64(i) / float64(n)
			ring = append(ring, geom.Pt(int64(math.Round(1000*radius(a)*math.Cos(a))), int64(math.Round(1000*radius(a)*math.Sin(a)))))
		}
		return append(ring, ring[0])
	}
	wavy := [][]geom.Point{round(10_000, func(a float64) float64 { return 100 + 8*math.Sin(210*a) })}
	dense := [][]geom.Point{round(10_000, func(a float64) float64 { return 30 + 5*math.Sin(9*a) })}
	cases := []clipperCase{
		{"wavy ring", wavy, 100}, {"wavy ring", wavy, -100}, {"wavy ring", wavy, -900},
		{"dense ring", dense, 75}, {"dense ring", dense, -75}, {"dense ring", dense, -3000},
	}
	for range 60 {
		var rings [][]geom.Point
		extent := []int64{2000, 20_000, 200_000}[r.IntN(3)]
		for range 1 + r.IntN(4) {
			var ring []geom.Point
			for range 3 + r.IntN(20) {
				ring = append(ring, geom.Pt(r.Int64N(extent), r.Int64N(extent)))
			}
			rings = append(rings, append(ring, ring[0]))
		}
		cases = append(cases, clipperCase{"random rings", rings, r.Int64N(extent/10) - extent/20})
	}
	for range 20 { // many rings with hundreds of points that overlap
		var rings [][]geom.Point
		for range 12 {
			dx, dy, size, waves := r.Int64N(60_000), r.Int64N(60_000), 1+9*r.Float64(), float64(3+r.IntN(12))
			ring := round(300, func(a float64) float64 { return size * (1 + 0.4*math.Sin(waves*a)) })
			for i := range ring {
				ring[i] = ring[i].Add(geom.Pt(dx, dy))
			}
			rings = append(rings, ring)
		}
		cases = append(cases, clipperCase{"overlapping flowers", rings, r.Int64N(2000) - 1000})
	}
	return cases
}
