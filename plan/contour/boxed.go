package contour

import (
	"slices"

	"kerfgate/plan/geom"
)

// boxed says of things in the order of their leftmost points whether that point lies in the box of one
// further to the left: only such a one can hold it.
//
// A tree over the heights of the points keeps how far to the right the boxes before reach at each (source:
// J. L. Bentley, Solutions to Klee's rectangle problems, 1977, whose segment tree this is; the code is own).
func boxed(order []int32, leftmost []geom.Point, boxes []geom.Box) []bool {
	n := len(order)
	heights := make([]int64, n)
	for k, c := range order {
		heights[k] = leftmost[c].Y
	}
	slices.Sort(heights)
	rank := func(y int64) int {
		at, _ := slices.BinarySearch(heights, y)
		return at
	}
	reach := make([]int64, 2*n) // µm over the first of all; the leaves are the second half
	out := make([]bool, n)
	for k, c := range order {
		p, b := leftmost[c], boxes[c]
		for i := n + rank(p.Y); i > 0; i /= 2 {
			out[k] = out[k] || reach[i] > p.X-leftmost[order[0]].X
		}
		to := b.Max.X - leftmost[order[0]].X + 1
		for lo, hi := n+rank(b.Min.Y), n+rank(b.Max.Y+1); lo < hi; lo, hi = lo/2, hi/2 {
			if lo%2 == 1 {
				reach[lo] = max(reach[lo], to)
				lo++
			}
			if hi%2 == 1 {
				hi--
				reach[hi] = max(reach[hi], to)
			}
		}
	}
	return out
}
