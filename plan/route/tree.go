package route

import (
	"cmp"
	"math"

	"kerfgate/plan/geom"
)

// sample is a point that stands for a node in searches.
type sample struct {
	at   geom.Point
	node int32
}

// tree finds samples that are reached at little cost. It is a balanced k-d tree whose nodes know
// how many open samples lie below them.
type tree struct {
	cost    func(dx, dy int64) int64
	samples []sample // in tree order
	open    []bool
	leafOf  []int32
	nodes   []treeNode
}

type treeNode struct {
	box    geom.Box
	lo, hi int32
	open   int32
}

const leafSamples = 8

// newTree takes the samples over; all are open.
func newTree(samples []sample, cost func(dx, dy int64) int64) *tree {
	t := &tree{cost: cost, samples: samples, open: make([]bool, len(samples)), leafOf: make([]int32, len(samples))}
	for i := range t.open {
		t.open[i] = true
	}
	if len(samples) > 0 {
		nodes := 1
		for n := len(samples); n > leafSamples; n = (n + 1) / 2 { // of the larger half
			nodes = 2*nodes + 1
		}
		t.nodes = make([]treeNode, nodes)
		t.build(0, 0, len(samples))
	}
	return t
}

func (t *tree) build(node, lo, hi int) {
	box := geom.Box{Min: t.samples[lo].at, Max: t.samples[lo].at}
	for _, s := range t.samples[lo+1 : hi] {
		box = box.With(s.at)
	}
	t.nodes[node] = treeNode{box: box, lo: int32(lo), hi: int32(hi), open: int32(hi - lo)}
	if hi-lo <= leafSamples {
		for i := lo; i < hi; i++ {
			t.leafOf[i] = int32(node)
		}
		return
	}
	mid := (lo + hi) / 2
	split(t.samples[lo:hi], mid-lo, box.Width() >= box.Height())
	t.build(2*node+1, lo, mid)
	t.build(2*node+2, mid, hi)
}

// split moves the samples so that those before mid are not greater than those from mid on.
func split(s []sample, mid int, byX bool) {
	order := func(a, b sample) int {
		ka, kb := a.at.X, b.at.X
		if !byX {
			ka, kb = a.at.Y, b.at.Y
		}
		if ka != kb {
			return cmp.Compare(ka, kb)
		}
		return cmp.Compare(a.node, b.node)
	}
	lo, hi := 0, len(s)
	for hi-lo > 1 {
		// The middle of three guards against sorted input.
		a, b, c := s[lo], s[(lo+hi)/2], s[hi-1]
		if order(b, a) < 0 {
			a, b = b, a
		}
		if order(c, b) < 0 {
			b = c
			if order(b, a) < 0 {
				b = a
			}
		}
		i, j := lo, hi-1
		for i <= j {
			for order(s[i], b) < 0 {
				i++
			}
			for order(b, s[j]) < 0 {
				j--
			}
			if i <= j {
				s[i], s[j] = s[j], s[i]
				i++
				j--
			}
		}
		switch {
		case mid <= j:
			hi = j + 1
		case mid >= i:
			lo = i
		default:
			return
		}
	}
}

// set opens or shuts the sample at a tree position.
func (t *tree) set(i int32, open bool) {
	if t.open[i] == open {
		return
	}
	t.open[i] = open
	change := int32(1)
	if !open {
		change = -1
	}
	for node := t.leafOf[i]; ; node = (node - 1) / 2 {
		t.nodes[node].open += change
		if node == 0 {
			return
		}
	}
}

// found is a node and what it costs to reach its nearest sample.
type found struct {
	node int32
	cost int64
}

// nearest asks for the nodes that are reached at the least cost.
type nearest struct {
	*tree
	from     geom.Point
	but      [2]int32 // nodes to leave out
	quadrant int      // 0 to 3 counted from right above, or everywhere
	most     int      // how many to find
	found    []found  // the nearest first; equal ones by node, which of the last ones by tree
}

const everywhere = -1

// search fills found, which may hold finds of another sample of the same node already.
func (q *nearest) search() {
	if len(q.nodes) > 0 && q.nodes[0].open > 0 {
		q.visit(0)
	}
}

// limit is the cost from which on nothing is wanted any more: were equal ones looked at, a thousand
// lines from one point would each look at all others.
func (q *nearest) limit() int64 {
	if len(q.found) < q.most {
		return math.MaxInt64
	}
	return q.found[len(q.found)-1].cost
}

// bound is the least cost into a node's box; it is beyond every limit if the quadrant misses it.
func (q *nearest) bound(node int) (int64, bool) {
	b := &q.nodes[node].box
	right, left := b.Max.X-q.from.X, q.from.X-b.Min.X // how far the box reaches to either side
	up, down := b.Max.Y-q.from.Y, q.from.Y-b.Min.Y
	switch q.quadrant {
	case 0:
		if right < 0 || up < 0 {
			return 0, false
		}
	case 1:
		if left <= 0 || up < 0 {
			return 0, false
		}
	case 2:
		if left <= 0 || down <= 0 {
			return 0, false
		}
	case 3:
		if right < 0 || down <= 0 {
			return 0, false
		}
	}
	return q.cost(max(0, -left, -right), max(0, -up, -down)), true
}

func quadrantOf(from, to geom.Point) int {
	switch {
	case to.Y >= from.Y && to.X >= from.X:
		return 0
	case to.Y >= from.Y:
		return 1
	case to.X < from.X:
		return 2
	}
	return 3
}

func (q *nearest) visit(node int) {
	n := &q.nodes[node]
	if n.hi-n.lo <= leafSamples {
		for i := n.lo; i < n.hi; i++ {
			s := &q.samples[i]
			if !q.open[i] || s.node == q.but[0] || s.node == q.but[1] ||
				q.quadrant != everywhere && quadrantOf(q.from, s.at) != q.quadrant {
				continue
			}
			if c := between(q.cost, q.from, s.at); c < q.limit() {
				q.take(found{s.node, c})
			}
		}
		return
	}
	first, second := 2*node+1, 2*node+2
	near, hasNear := q.bound(first)
	far, hasFar := q.bound(second)
	hasNear = hasNear && q.nodes[first].open > 0
	hasFar = hasFar && q.nodes[second].open > 0
	if far < near {
		first, second, near, far, hasNear, hasFar = second, first, far, near, hasFar, hasNear
	}
	if hasNear && near < q.limit() {
		q.visit(first)
	}
	if hasFar && far < q.limit() {
		q.visit(second)
	}
}

// take puts a find in its place, once a node, and drops what is too much.
func (q *nearest) take(f found) {
	for k, g := range q.found {
		if g.node != f.node {
			continue
		}
		if g.cost <= f.cost {
			return
		}
		q.found = append(q.found[:k], q.found[k+1:]...)
		break
	}
	k := len(q.found)
	for k > 0 && (q.found[k-1].cost > f.cost || q.found[k-1].cost == f.cost && q.found[k-1].node > f.node) {
		k--
	}
	if k == q.most {
		return
	}
	if len(q.found) == q.most {
		q.found = q.found[:q.most-1]
	}
	q.found = append(q.found, found{})
	copy(q.found[k+1:], q.found[k:])
	q.found[k] = f
}
