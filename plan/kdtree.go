package plan

import (
	"math"

	"kerfgate/plan/geom"
	"kerfgate/plan/motion"
)

// entry is a point at which a line may be begun.
type entry struct {
	at     geom.Point
	item   int
	vertex int
}

// entryTree finds the entry that is reached soonest, among those that are open. It is a balanced
// k-d tree whose nodes know how many open entries lie below them.
type entryTree struct {
	entries []entry // in tree order
	open    []bool
	leafOf  []int // node of each entry
	nodes   []treeNode
	limits  motion.Limits
}

type treeNode struct {
	box    geom.Box
	lo, hi int
	open   int
}

const leafEntries = 8

func newEntryTree(entries []entry, limits motion.Limits) *entryTree {
	t := &entryTree{entries: entries, open: make([]bool, len(entries)), leafOf: make([]int, len(entries)), limits: limits}
	if len(entries) > 0 {
		t.build(0, 0, len(entries))
	}
	return t
}

func (t *entryTree) build(node, lo, hi int) {
	for len(t.nodes) <= node {
		t.nodes = append(t.nodes, treeNode{})
	}
	box := geom.Box{Min: t.entries[lo].at, Max: t.entries[lo].at}
	for _, e := range t.entries[lo+1 : hi] {
		box = box.With(e.at)
	}
	t.nodes[node] = treeNode{box: box, lo: lo, hi: hi}
	if hi-lo <= leafEntries {
		for i := lo; i < hi; i++ {
			t.leafOf[i] = node
		}
		return
	}
	mid := (lo + hi) / 2
	t.split(lo, hi, mid, box.Width() >= box.Height())
	t.build(2*node+1, lo, mid)
	t.build(2*node+2, mid, hi)
}

// split moves the entries so that those before mid are not greater than those from mid on.
func (t *entryTree) split(lo, hi, mid int, byX bool) {
	less := func(a, b entry) bool {
		ka, kb := a.at.X, b.at.X
		if !byX {
			ka, kb = a.at.Y, b.at.Y
		}
		if ka != kb {
			return ka < kb
		}
		if a.item != b.item {
			return a.item < b.item
		}
		return a.vertex < b.vertex
	}
	e := t.entries
	for hi-lo > 1 {
		// The middle of three guards against sorted input.
		a, b, c := e[lo], e[(lo+hi)/2], e[hi-1]
		if less(b, a) {
			a, b = b, a
		}
		if less(c, b) {
			b = c
			if less(b, a) {
				b = a
			}
		}
		i, j := lo, hi-1
		for i <= j {
			for less(e[i], b) {
				i++
			}
			for less(b, e[j]) {
				j--
			}
			if i <= j {
				e[i], e[j] = e[j], e[i]
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

// set opens or shuts the entry at a tree position.
func (t *entryTree) set(i int, open bool) {
	if t.open[i] == open {
		return
	}
	t.open[i] = open
	change := 1
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

// nearest is the open entry with the shortest travel time from p; equal ones by item and vertex.
func (t *entryTree) nearest(p geom.Point) (entry, bool) {
	s := search{tree: t, from: p, time: math.Inf(1)}
	if len(t.nodes) > 0 && t.nodes[0].open > 0 {
		s.visit(0)
	}
	return s.best, s.found
}

type search struct {
	tree  *entryTree
	from  geom.Point
	best  entry
	time  float64
	found bool
}

// bound is the least travel time into a node's box: it grows with each axis's distance.
func (s *search) bound(node int) float64 {
	b := s.tree.nodes[node].box
	dx := max(0, b.Min.X-s.from.X, s.from.X-b.Max.X)
	dy := max(0, b.Min.Y-s.from.Y, s.from.Y-b.Max.Y)
	return s.tree.limits.TravelTime(dx, dy)
}

func (s *search) visit(node int) {
	t := s.tree
	n := t.nodes[node]
	if n.hi-n.lo <= leafEntries {
		for i := n.lo; i < n.hi; i++ {
			if !t.open[i] {
				continue
			}
			e := t.entries[i]
			time := t.limits.TravelTime(e.at.X-s.from.X, e.at.Y-s.from.Y)
			if !s.found || time < s.time || time == s.time && (e.item < s.best.item || e.item == s.best.item && e.vertex < s.best.vertex) {
				s.best, s.time, s.found = e, time, true
			}
		}
		return
	}
	first, second := 2*node+1, 2*node+2
	near, far := s.bound(first), s.bound(second)
	if far < near {
		first, second, near, far = second, first, far, near
	}
	if t.nodes[first].open > 0 && near <= s.time {
		s.visit(first)
	}
	if t.nodes[second].open > 0 && far <= s.time {
		s.visit(second)
	}
}
