package geom

import (
	"math"
	"slices"
)

// Nest gives for every polyline the index of the smallest closed one that holds it, −1 for none.
// closed[i] says whether outlines[i] may hold others. Of equal outlines the earlier holds the later.
func Nest(outlines [][]Point, closed []bool) []int {
	parents := make([]int, len(outlines))
	boxes := make([]Box, len(outlines))
	areas := make([]float64, len(outlines))
	var holders []int
	for i, points := range outlines {
		parents[i] = -1
		boxes[i], _ = BoxOf(points...)
		if closed[i] && len(points) > 3 {
			areas[i] = math.Abs(Area(points))
			holders = append(holders, i)
		}
	}
	tree := newBoxTree(boxes, holders)
	regions := make([]*Region, len(outlines))
	for i, points := range outlines {
		if len(points) == 0 {
			continue
		}
		best := -1
		tree.holding(boxes[i], func(j int) {
			if j == i || closed[i] && (areas[j] < areas[i] || areas[j] == areas[i] && j > i) {
				return
			}
			if best >= 0 && (areas[j] > areas[best] || areas[j] == areas[best] && j < best) {
				return
			}
			if regions[j] == nil {
				regions[j] = NewRegion(outlines[j])
			}
			if regions[j].Holds(points) || sameOutline(outlines[j], points) {
				best = j
			}
		})
		parents[i] = best
	}
	return parents
}

func sameOutline(a, b []Point) bool { return slices.Equal(a, b) }

// boxTree finds boxes that hold a given one: a balanced binary tree over their middles.
type boxTree struct {
	boxes []Box
	items []int // in tree order
	union []Box // of the range that each node covers, heap order
}

const leafSize = 8

func newBoxTree(boxes []Box, items []int) *boxTree {
	t := &boxTree{boxes: boxes, items: slices.Clone(items)}
	if len(items) > 0 {
		t.build(0, 0, len(items), true)
	}
	return t
}

func (t *boxTree) build(node, lo, hi int, byX bool) {
	for len(t.union) <= node {
		t.union = append(t.union, Box{})
	}
	u := t.boxes[t.items[lo]]
	for _, i := range t.items[lo+1 : hi] {
		u = u.Union(t.boxes[i])
	}
	t.union[node] = u
	if hi-lo <= leafSize {
		return
	}
	slices.SortFunc(t.items[lo:hi], func(a, b int) int {
		ka, kb := t.boxes[a].Min.X+t.boxes[a].Max.X, t.boxes[b].Min.X+t.boxes[b].Max.X
		if !byX {
			ka, kb = t.boxes[a].Min.Y+t.boxes[a].Max.Y, t.boxes[b].Min.Y+t.boxes[b].Max.Y
		}
		if ka != kb {
			if ka < kb {
				return -1
			}
			return 1
		}
		return a - b
	})
	mid := (lo + hi) / 2
	t.build(2*node+1, lo, mid, !byX)
	t.build(2*node+2, mid, hi, !byX)
}

// holding calls visit for every item whose box holds b.
func (t *boxTree) holding(b Box, visit func(item int)) {
	if len(t.items) > 0 {
		t.search(0, 0, len(t.items), b, visit)
	}
}

func (t *boxTree) search(node, lo, hi int, b Box, visit func(int)) {
	if !b.Inside(t.union[node]) {
		return
	}
	if hi-lo <= leafSize {
		for _, i := range t.items[lo:hi] {
			if b.Inside(t.boxes[i]) {
				visit(i)
			}
		}
		return
	}
	mid := (lo + hi) / 2
	t.search(2*node+1, lo, mid, b, visit)
	t.search(2*node+2, mid, hi, b, visit)
}
