package route

import (
	"math"

	"kerfgate/plan/geom"
)

// router holds an order as a path over nodes. A closed item is one node, at its present entry; an
// open item is two, its ends, which always stay side by side. Before all lies the start, behind all
// the end. A path read backwards does every open item backwards, so every way costs the same in
// both directions and parts of the path can be turned round without summing anew.
type router struct {
	items []Item
	cost  func(dx, dy int64) int64
	opts  Options

	at       []geom.Point // where a node lies now
	item     []int32      // of a node
	mate     []int32      // the other end of an open item, or none
	holder   []int32      // a node of the item that must come later, or none
	class    []int32      // of a node, counted from 0
	contours []*contour   // of closed items with more than one entry, else nil
	entry    []int32      // of a node: index of at among the item's entries
	bound    bool         // there are holders or several classes, so not every path will do

	near [][]neighbour // nodes to which a link may pay, the nearest first

	path  []int32 // nodes in order
	place []int32 // of each node in path
	total int64   // cost of path

	trail []step // room for touch

	queue  []int32 // nodes whose links are to be looked at
	queued []bool
	logs   bool     // kicks are on, which may be taken back
	log    []change // what was done since the last kick
	third  int      // neighbours that are tried for the third link
	reach  int      // longest part of the path that one move may turn
}

const none = int32(-1)

// neighbour is a node, and the cost of the link to it where neither end can move, else unknown. There are many:
// a link that costs 4 s or more of nanoseconds is summed anew each time.
type neighbour struct {
	node int32
	cost uint32
}

const unknown = math.MaxUint32

// The first two nodes.
const (
	startNode = int32(0)
	endNode   = int32(1)
)

func newRouter(items []Item, parents []int, o Options) *router {
	r := &router{items: items, cost: o.Cost, opts: o}
	ranks := classRanks(items)
	nodes := 2 + len(items)
	for _, it := range items {
		if !it.Closed {
			nodes++
		}
	}
	r.reserve(nodes)
	r.add(none, 0, o.Start)
	r.add(none, int32(len(items)), o.Start)
	first := make([]int32, len(items))
	for i, it := range items {
		first[i] = int32(len(r.at))
		r.add(int32(i), ranks[it.Class], it.Entries[0])
		if !it.Closed {
			r.add(int32(i), ranks[it.Class], it.Entries[1])
			a, b := first[i], first[i]+1
			r.mate[a], r.mate[b], r.entry[b] = b, a, 1
		} else if len(it.Entries) > 1 {
			r.contours[first[i]] = newContour(it.Entries)
		}
	}
	for i, p := range parents {
		if p < 0 {
			continue
		}
		r.bound = true
		r.holder[first[i]] = first[p]
		if m := r.mate[first[i]]; m != none {
			r.holder[m] = first[p]
		}
	}
	r.bound = r.bound || len(ranks) > 1
	r.place = make([]int32, len(r.at))
	r.queued = make([]bool, len(r.at))
	r.reach = reachOf(len(r.at))
	r.third = nearThird
	return r
}

func (r *router) reserve(nodes int) {
	r.at, r.contours = make([]geom.Point, 0, nodes), make([]*contour, 0, nodes)
	for _, of := range []*[]int32{&r.item, &r.mate, &r.holder, &r.class, &r.entry} {
		*of = make([]int32, 0, nodes)
	}
}

func (r *router) add(item, class int32, at geom.Point) {
	r.at = append(r.at, at)
	r.item = append(r.item, item)
	r.mate = append(r.mate, none)
	r.holder = append(r.holder, none)
	r.class = append(r.class, class)
	r.contours = append(r.contours, nil)
	r.entry = append(r.entry, 0)
}

// link is the cost of the way between two nodes.
func (r *router) link(a, b int32) int64 {
	if a <= endNode || b <= endNode {
		return r.endLink(a, b)
	}
	p, q := &r.at[a], &r.at[b]
	return r.cost(distance(p.X, q.X), distance(p.Y, q.Y))
}

// toNear is the cost of the link to a neighbour.
func (r *router) toNear(a int32, n *neighbour) int64 {
	if n.cost != unknown {
		return int64(n.cost)
	}
	return r.link(a, n.node)
}

// neighbourOf is b as a neighbour of a.
func (r *router) neighbourOf(a, b int32) neighbour {
	if r.contours[a] != nil || r.contours[b] != nil {
		return neighbour{b, unknown}
	}
	return neighbour{b, uint32(min(unknown, r.link(a, b)))}
}

func (r *router) endLink(a, b int32) int64 {
	if a > b {
		a, b = b, a
	}
	if b == endNode || a == startNode && r.opts.Anywhere || a == endNode && !r.opts.Return {
		return 0
	}
	return between(r.cost, r.at[a], r.at[b])
}

// toBox is the least cost from a node to a point of a box.
func (r *router) toBox(a int32, b geom.Box) int64 {
	if a == startNode && r.opts.Anywhere || a == endNode && !r.opts.Return {
		return 0
	}
	p := r.at[a]
	return r.cost(max(0, b.Min.X-p.X, p.X-b.Max.X), max(0, b.Min.Y-p.Y, p.Y-b.Max.Y))
}

// box is that of all points at which a node may lie.
func (r *router) box(a int32) geom.Box {
	if c := r.contours[a]; c != nil {
		return c.boxes[0]
	}
	return geom.Box{Min: r.at[a], Max: r.at[a]}
}

func (r *router) enter(a, entry int32) {
	r.entry[a] = entry
	r.at[a] = r.items[r.item[a]].Entries[entry]
}

// setPath takes a path and sums its cost.
func (r *router) setPath(path []int32) {
	r.path, r.total = path, 0
	for k, a := range path {
		r.place[a] = int32(k)
		if k > 0 && r.mate[a] != path[k-1] {
			r.total += r.link(path[k-1], a)
		}
	}
}

func (r *router) visits() []Visit {
	out := make([]Visit, 0, len(r.items))
	for k, a := range r.path {
		if r.item[a] == none || r.mate[a] != none && r.mate[a] == r.path[k-1] {
			continue
		}
		out = append(out, Visit{Item: int(r.item[a]), Entry: int(r.entry[a])})
	}
	return out
}
