package geom

import (
	"cmp"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// TestSortKeyed against the library's stable sort, with keys that share digits and keys that do not.
func TestSortKeyed(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		shift := rapid.IntRange(0, 60).Draw(t, "shift")
		mask := rapid.Uint64().Draw(t, "mask")
		seed := rapid.Uint64().Draw(t, "seed") | 1
		items := make([]Keyed, rapid.IntRange(0, 3*radixFrom).Draw(t, "n"))
		for i := range items {
			seed = seed*6364136223846793005 + 1442695040888963407
			items[i] = Keyed{seed >> shift & mask, int32(i)}
		}
		want := slices.Clone(items)
		slices.SortStableFunc(want, func(a, b Keyed) int { return cmp.Compare(a.Key, b.Key) })
		SortKeyed(items)
		if !slices.Equal(items, want) {
			t.Fatal("not in order, or equal ones changed places")
		}
	})
}

// TestPointKey: keys stand as points do.
func TestPointKey(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		coordinate := rapid.OneOf(rapid.Int64Range(-2, 2), rapid.Int64Range(-MostKeyedUM+1, MostKeyedUM-1))
		p, q := Pt(coordinate.Draw(t, "x"), coordinate.Draw(t, "y")), Pt(coordinate.Draw(t, "x"), coordinate.Draw(t, "y"))
		if got, want := cmp.Compare(PointKey(p), PointKey(q)), Compare(p, q); got != want {
			t.Fatalf("%v and %v: keys %d, points %d", p, q, got, want)
		}
	})
}
