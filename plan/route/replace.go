package route

import "kerfgate/plan/geom"

// through is the cost of a way from a to b through a point of a box.
func (r *router) through(a, b int32) detour {
	return func(box geom.Box) int64 { return r.toBox(a, box) + r.toBox(b, box) }
}

// replace enters a closed item elsewhere, where it stands in the path or beside a neighbour.
func (r *router) replace(x int32) bool {
	c := r.contours[x]
	k := r.place[x]
	before, after := r.path[k-1], r.path[k+1]
	now := r.link(before, x) + r.link(x, after)
	if e, cost := c.best(r.through(before, after), now); e >= 0 {
		r.reenter(x, int32(e))
		r.total -= now - cost
		r.ask(before)
		r.ask(after)
		return true
	}
	gone := now - r.link(before, after)
	for _, n := range r.near[x] {
		y := n.node
		for side := range 2 {
			z := r.beside(y, side)
			if y == x || z == none || z == x || r.mate[y] == z {
				continue
			}
			e, cost := c.best(r.through(y, z), gone+r.link(y, z))
			if e < 0 || !r.shift(k, min(r.place[y], r.place[z])) {
				continue
			}
			r.reenter(x, int32(e))
			r.total -= gone + r.link(y, z) - cost
			for _, a := range [5]int32{before, after, x, y, z} {
				r.ask(a)
			}
			return true
		}
	}
	return false
}

// shift moves the single node at place k between the places i and i+1, where that is allowed.
func (r *router) shift(k, i int32) bool {
	p, q, s := k-1, k, i
	if i < k {
		p, q, s = i, k-1, k
	}
	if !r.allowed(p, q, s, swapped) {
		return false
	}
	r.put(p, q, s, swapped)
	return true
}
