package route

import (
	"math"
	"slices"
	"testing"

	"kerfgate/plan/geom"
	"kerfgate/plan/motion"

	"pgregory.net/rapid"
)

// TestTimeIsTravelTime: the cost is the motion planner's time, to a nanosecond, and never falls.
func TestTimeIsTravelTime(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		l := motion.Limits{
			TravelUMPerS:  rapid.Int64Range(1_000, 2_000_000).Draw(t, "v"),
			AccelXUMPerS2: rapid.Int64Range(10_000, 20_000_000).Draw(t, "ax"),
			AccelYUMPerS2: rapid.Int64Range(10_000, 20_000_000).Draw(t, "ay"),
		}
		cost := Time(l)
		dx, dy := rapid.Int64Range(0, 2_000_000).Draw(t, "dx"), rapid.Int64Range(0, 2_000_000).Draw(t, "dy")
		got, want := cost(dx, dy), l.TravelTime(dx, dy)*1e9
		if math.Abs(float64(got)-want) > 1 {
			t.Fatalf("%d ns, the motion planner says %.3f", got, want)
		}
		more := rapid.Int64Range(0, 1000).Draw(t, "more")
		if cost(dx+more, dy) < got-1 || cost(dx, dy+more) < got-1 {
			t.Fatal("a longer way takes less time")
		}
	})
	if got := Time(brisk)(0, 0); got != 0 {
		t.Errorf("no way takes %d ns", got)
	}
}

// TestBestEntry: the boxes find what looking at every vertex finds.
func TestBestEntry(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		var points []geom.Point
		for range rapid.IntRange(1, 200).Draw(t, "n") {
			points = append(points, geom.Pt(rapid.Int64Range(0, 50).Draw(t, "x"), rapid.Int64Range(0, 50).Draw(t, "y")))
		}
		a := geom.Pt(rapid.Int64Range(-20, 70).Draw(t, "ax"), rapid.Int64Range(-20, 70).Draw(t, "ay"))
		b := geom.Pt(rapid.Int64Range(-20, 70).Draw(t, "bx"), rapid.Int64Range(-20, 70).Draw(t, "by"))
		cost := func(box geom.Box) int64 {
			return gap(straight, geom.Box{Min: a, Max: a}, box) + gap(straight, geom.Box{Min: b, Max: b}, box)
		}
		want := int64(math.MaxInt64)
		for _, p := range points {
			want = min(want, between(straight, a, p)+between(straight, p, b))
		}
		e, got := newContour(points).best(cost, math.MaxInt64)
		if got != want || between(straight, a, points[e])+between(straight, points[e], b) != want {
			t.Fatalf("entry %d at %d, the best costs %d", e, got, want)
		}
		if e, _ := newContour(points).best(cost, want); e != -1 {
			t.Fatalf("entry %d is said to cost less than %d", e, want)
		}
	})
}

// TestNearestAgreesWithSearch: the tree finds what looking at every open sample finds, everywhere
// and in one quadrant.
func TestNearestAgreesWithSearch(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		var samples []sample
		for i := range rapid.IntRange(1, 200).Draw(t, "n") {
			samples = append(samples, sample{geom.Pt(rapid.Int64Range(0, 60).Draw(t, "x")*1000, rapid.Int64Range(0, 60).Draw(t, "y")*1000), int32(i / 3)})
		}
		tr := newTree(samples, Time(brisk))
		for i := range tr.samples {
			tr.set(int32(i), rapid.Bool().Draw(t, "open"))
		}
		q := nearest{
			tree: tr, from: geom.Pt(rapid.Int64Range(0, 60).Draw(t, "fx")*1000, rapid.Int64Range(0, 60).Draw(t, "fy")*1000),
			but: [2]int32{int32(rapid.IntRange(-1, 60).Draw(t, "but")), none}, quadrant: rapid.IntRange(everywhere, 3).Draw(t, "quadrant"),
			most: rapid.IntRange(1, 10).Draw(t, "most"),
		}
		least := map[int32]int64{}
		for i, s := range tr.samples {
			if !tr.open[i] || s.node == q.but[0] || q.quadrant != everywhere && quadrantOf(q.from, s.at) != q.quadrant {
				continue
			}
			c := between(q.cost, q.from, s.at)
			if known, ok := least[s.node]; !ok || c < known {
				least[s.node] = c
			}
		}
		var want []found
		for node, c := range least {
			want = append(want, found{node, c})
		}
		slices.SortFunc(want, func(a, b found) int {
			if a.cost != b.cost {
				return int(a.cost - b.cost)
			}
			return int(a.node - b.node)
		})
		want = want[:min(len(want), q.most)]
		q.search()
		if len(q.found) != len(want) {
			t.Fatalf("got %v, want %v", q.found, want)
		}
		for k, f := range q.found {
			// Of equal ones any will do.
			if f.cost != want[k].cost || f.cost != least[f.node] || slices.Index(q.found, f) != k {
				t.Fatalf("got %v, want %v", q.found, want)
			}
		}
	})
}

// TestSpread: holes that lie 2 mm apart in a row are not drilled one after the other, and the
// allowance is kept.
func TestSpread(t *testing.T) {
	t.Parallel()
	var items []Item
	for i := range 100 {
		items = append(items, ring(mm(float64(i%20)*2, float64(i/20)*30)))
	}
	o := Options{Cost: Time(brisk), Steps: 200}
	hot := func(visits []Visit) (n int) {
		for k := range visits[1:] {
			if between(straight, items[visits[k].Item].Entries[0], items[visits[k+1].Item].Entries[0]) < 3000 {
				n++
			}
		}
		return n
	}
	plain, err := Order(items, nil, o)
	if err != nil {
		t.Fatal(err)
	}
	before := hot(plain)
	for _, permille := range []int64{50, 300, 1000} {
		o.SpreadPermille, o.SpreadUM = permille, 3000
		spread, err := Order(items, nil, o)
		if err != nil {
			t.Fatal(err)
		}
		least, got := Travel(items, plain, o), Travel(items, spread, o)
		after := hot(spread)
		t.Logf("%d ‰: %d ways of 2 mm instead of %d, travel %.3f s instead of %.3f", permille, after, before, float64(got)/1e9, float64(least)/1e9)
		if got > least+least*permille/1000 {
			t.Errorf("%d ‰: %d ns is more than allowed over %d", permille, got, least)
		}
		if after >= before {
			t.Errorf("%d ‰: still %d ways of 2 mm, %d before", permille, after, before)
		}
		before = after
	}
}
