package route

import (
	"slices"

	"kerfgate/plan/geom"
)

// contour finds entries of a closed item. Its vertices are boxed in runs, runs of runs, and so on:
// neighbours on the line are neighbours in the plane, so the boxes are small.
type contour struct {
	points   []geom.Point
	boxes    []geom.Box // a complete binary tree over the runs; box 0 is that of all points
	leaves   int        // a power of two
	extremes []int32    // see farthest
}

const runLength = 8

func newContour(points []geom.Point) *contour {
	runs := (len(points) + runLength - 1) / runLength
	c := &contour{points: points, leaves: 1}
	for c.leaves < runs {
		c.leaves *= 2
	}
	c.boxes = make([]geom.Box, 2*c.leaves-1)
	for leaf := range c.leaves {
		// Leaves past the end repeat the last point, which bounds nothing new.
		lo := min(leaf*runLength, len(points)-1)
		hi := min(lo+runLength, len(points))
		c.boxes[c.leaves-1+leaf], _ = geom.BoxOf(points[lo:hi]...)
	}
	for i := c.leaves - 2; i >= 0; i-- {
		c.boxes[i] = c.boxes[2*i+1].Union(c.boxes[2*i+2])
	}
	c.extremes = farthest(points)
	return c
}

// detour is the cost of a way that starts and ends at given places, through a point of a box.
type detour func(geom.Box) int64

// best is the entry of the least detour below most, the first of equal ones; −1 where there is none.
func (c *contour) best(cost detour, most int64) (entry int, least int64) {
	q := entrySearch{contour: c, cost: cost, entry: -1, least: most}
	if bound := cost(c.boxes[0]); bound < most {
		q.visit(0)
	}
	return q.entry, q.least
}

type entrySearch struct {
	*contour
	cost  detour
	entry int
	least int64
}

func (q *entrySearch) visit(node int) {
	if node >= q.leaves-1 {
		lo := (node - (q.leaves - 1)) * runLength
		for i := lo; i < min(lo+runLength, len(q.points)); i++ {
			d := q.cost(geom.Box{Min: q.points[i], Max: q.points[i]})
			if d < q.least || d == q.least && q.entry > i {
				q.entry, q.least = i, d
			}
		}
		return
	}
	first, second := 2*node+1, 2*node+2
	near, far := q.cost(q.boxes[first]), q.cost(q.boxes[second])
	if far < near {
		first, second, near, far = second, first, far, near
	}
	if near < q.least {
		q.visit(first)
	}
	if far < q.least {
		q.visit(second)
	}
}

// farthest are the points that reach farthest in the four directions of the axes and the four
// between them, without repeats.
func farthest(points []geom.Point) []int32 {
	var reach [8]int64
	var at [8]int32
	for i, p := range points {
		for k, d := range [8]int64{p.X, p.X + p.Y, p.Y, p.Y - p.X, -p.X, -p.X - p.Y, -p.Y, p.X - p.Y} {
			if i == 0 || d > reach[k] {
				reach[k], at[k] = d, int32(i)
			}
		}
	}
	slices.Sort(at[:])
	return append([]int32(nil), slices.Compact(at[:])...)
}
