package route

import (
	"slices"

	"kerfgate/plan/geom"
)

// begin makes a first path: greedy links between items that lie in the same holder and hold nothing
// themselves, then always the chain that is reached soonest.
func (r *router) begin() {
	r.near = make([][]neighbour, len(r.at))
	path := make([]int32, 1, len(r.at))
	path[0] = startNode
	c := newChains(r)
	for _, nodes := range r.nodesByClass() {
		t := newTree(r.samplesOf(nodes), r.cost)
		r.findNear(t, nodes)
		c.link(nodes)
		path = c.walk(t, nodes, path)
	}
	r.nearEnds(path[1:])
	r.setPath(append(path, endNode))
}

// nearEnds gives the start, and the end where it costs something, their neighbours among the nodes
// of the first and the last class.
func (r *router) nearEnds(path []int32) {
	ends := func(end, class int32) []neighbour {
		var part []int32
		for _, a := range path {
			if r.class[a] == class {
				part = append(part, a)
			}
		}
		q := nearest{tree: newTree(r.samplesOf(part), r.cost), from: r.opts.Start, but: [2]int32{none, none}, quadrant: everywhere, most: nearMost}
		q.search()
		var out []neighbour
		for _, f := range q.found {
			out = append(out, r.neighbourOf(end, f.node))
		}
		return out
	}
	if len(path) == 0 {
		return
	}
	if !r.opts.Anywhere {
		r.near[startNode] = ends(startNode, r.class[path[0]])
	}
	if r.opts.Return {
		r.near[endNode] = ends(endNode, r.class[path[len(path)-1]])
	}
}

// chains are pieces of a path that wait for being joined.
type chains struct {
	*router
	links   [][2]int32 // the neighbours of a node in its chain, its mate among them
	waiting []int32    // of each item: how many that it holds are not done yet
	top     []int32    // union-find over nodes
}

func newChains(r *router) *chains {
	c := &chains{router: r, links: make([][2]int32, len(r.at)), waiting: make([]int32, len(r.items)), top: make([]int32, len(r.at))}
	for a := range r.at {
		c.top[a] = int32(a)
		c.links[a] = [2]int32{r.mate[a], none}
		if h := r.holder[a]; h != none && (r.mate[a] == none || r.mate[a] > int32(a)) {
			c.waiting[r.item[h]]++
		}
	}
	for a, m := range r.mate {
		if m > int32(a) {
			c.top[m] = int32(a)
		}
	}
	return c
}

func (c *chains) find(a int32) int32 {
	for c.top[a] != a {
		c.top[a] = c.top[c.top[a]]
		a = c.top[a]
	}
	return a
}

// full says whether a node has both its neighbours.
func (c *chains) full(a int32) bool { return c.links[a][0] != none && c.links[a][1] != none }

func (c *chains) join(a, b int32) {
	for _, l := range [2][2]int32{{a, b}, {b, a}} {
		if ends := &c.links[l[0]]; ends[0] == none {
			ends[0] = l[1]
		} else {
			ends[1] = l[1]
		}
	}
}

// link joins nodes of one class, the cheapest links first, where that closes no ring.
func (c *chains) link(nodes []int32) {
	loose := func(a int32) bool { return c.waiting[c.item[a]] == 0 }
	order := make([]geom.Keyed, 0, 5*len(nodes))
	for _, a := range nodes {
		if !loose(a) {
			continue
		}
		for _, n := range c.near[a] {
			b := n.node
			if !loose(b) || c.holder[a] != c.holder[b] || a > b && c.nearTo(b, a) {
				continue
			}
			order = append(order, geom.Keyed{Key: uint64(min(a, b))<<32 | uint64(max(a, b))})
		}
	}
	geom.SortKeyed(order) // of links that cost the same the first by its nodes comes first
	pairs := make([]pair, len(order))
	for i, o := range order {
		a, b := int32(o.Key>>32), int32(o.Key)
		pairs[i] = pair{a, b}
		order[i] = geom.Keyed{Key: uint64(gap(c.cost, c.box(a), c.box(b))), Item: int32(i)}
	}
	geom.SortKeyed(order)
	for _, o := range order {
		a, b := pairs[o.Item][0], pairs[o.Item][1]
		if c.full(a) || c.full(b) {
			continue
		}
		if x, y := c.find(a), c.find(b); x != y {
			c.top[x] = y
			c.join(a, b)
		}
	}
}

func (r *router) nearTo(a, b int32) bool {
	return slices.ContainsFunc(r.near[a], func(n neighbour) bool { return n.node == b })
}

// walk appends the chains of one class to the path, the one that is reached soonest first.
func (c *chains) walk(t *tree, nodes, path []int32) []int32 {
	of := t.byNode(len(c.at))
	set := func(a int32, open bool) {
		for _, i := range of.positions(a) {
			t.set(i, open)
		}
	}
	for _, a := range nodes {
		set(a, !c.full(a) && c.waiting[c.item[a]] == 0)
	}
	q := nearest{tree: t, but: [2]int32{none, none}, quadrant: everywhere, most: 1}
	left := len(nodes)
	for left > 0 {
		last := path[len(path)-1]
		if last == startNode && c.opts.Anywhere {
			q.from = c.at[nodes[0]]
		} else {
			q.from = c.at[last]
		}
		q.found = q.found[:0]
		q.search()
		before := last
		for a := q.found[0].node; a != none; {
			c.approach(a, q.from)
			q.from = c.at[a]
			path = append(path, a)
			left--
			set(a, false)
			if h := c.holder[a]; h != none && (c.mate[a] == none || c.mate[a] == before) {
				if i := c.item[h]; c.waiting[i] > 0 {
					if c.waiting[i]--; c.waiting[i] == 0 && c.class[h] == c.class[a] {
						set(h, true)
						if c.mate[h] != none {
							set(c.mate[h], true)
						}
					}
				}
			}
			next := c.links[a][0]
			if next == before || next == none {
				next = c.links[a][1]
			}
			if next == before {
				next = none
			}
			before, a = a, next
		}
	}
	return path
}

// approach enters a closed item where it is nearest to a point.
func (r *router) approach(a int32, from geom.Point) {
	c := r.contours[a]
	if c == nil {
		return
	}
	e, _ := c.best(func(b geom.Box) int64 {
		return gap(r.cost, geom.Box{Min: from, Max: from}, b)
	}, 1<<62)
	r.enter(a, int32(e))
}
