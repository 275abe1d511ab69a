package plan

import (
	"slices"

	"kerfgate/plan/geom"
	"kerfgate/plan/motion"
)

// runningOrder is the order of operations: what makes the sheet loose comes last.
var runningOrder = []Operation{Engrave, Mark, Draw, Cut}

// mostEntries bounds the points of one closed line at which it may be begun; of more, every n-th.
const mostEntries = 512

// visit is one line in running order, begun at a vertex (closed) or from its far end (open).
type visit struct {
	item   int
	vertex int
}

// order gives the lines of each operation in turn; within one the line that is reached soonest
// comes next, and a line whose parent is another one comes before that one. parents[i] is −1 for
// none. The carriage starts at start.
func order(lines []line, parents []int, start geom.Point, limits motion.Limits) []visit {
	visits := make([]visit, 0, len(lines))
	at := start
	for _, op := range runningOrder {
		var items []int
		for i, l := range lines {
			if l.op == op {
				items = append(items, i)
			}
		}
		var part []visit
		part, at = nearestNext(lines, items, parents, at, limits)
		visits = append(visits, part...)
	}
	return visits
}

// nearestNext orders the items, all of one operation; parents are among them.
func nearestNext(lines []line, items, parents []int, at geom.Point, limits motion.Limits) ([]visit, geom.Point) {
	var entries []entry
	waiting := make([]int, len(lines)) // how many lines must come before this one
	for _, i := range items {
		points := lines[i].points
		if lines[i].closed {
			step := (len(points) + mostEntries - 1) / mostEntries
			for v := 0; v < len(points)-1; v += step {
				entries = append(entries, entry{points[v], i, v})
			}
		} else {
			last := len(points) - 1
			entries = append(entries, entry{points[0], i, 0}, entry{points[last], i, last})
		}
		if p := parents[i]; p >= 0 {
			waiting[p]++
		}
	}
	tree := newEntryTree(entries, limits)
	positions := make([][]int, len(lines)) // of each line's entries in the tree
	for pos, e := range tree.entries {
		positions[e.item] = append(positions[e.item], pos)
	}
	set := func(item int, open bool) {
		for _, pos := range positions[item] {
			tree.set(pos, open)
		}
	}
	for _, i := range items {
		if waiting[i] == 0 {
			set(i, true)
		}
	}
	visits := make([]visit, 0, len(items))
	for {
		next, ok := tree.nearest(at)
		if !ok {
			return visits, at
		}
		visits = append(visits, visit{next.item, next.vertex})
		set(next.item, false)
		if p := parents[next.item]; p >= 0 {
			waiting[p]--
			if waiting[p] == 0 {
				set(p, true)
			}
		}
		at = next.at
		if points := lines[next.item].points; !lines[next.item].closed {
			at = points[len(points)-1-next.vertex]
		}
	}
}

// run is the points of a visit in the order in which they are passed.
func (v visit) run(l line) []geom.Point {
	if l.closed {
		return rotated(l.points, v.vertex)
	}
	if v.vertex == 0 {
		return l.points
	}
	back := slices.Clone(l.points)
	slices.Reverse(back)
	return back
}
