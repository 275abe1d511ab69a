package route

import (
	"math"
	"slices"

	"kerfgate/plan/geom"
)

// choice is one way of doing an item: begun at in, ended at out.
type choice struct {
	in, out geom.Point
	entry   int32
	step    int32 // its number on the trail
	sum     int64 // least cost up to here
}

// step is what the trail keeps of a choice.
type step struct {
	place  int32 // of the item's first node in the path
	entry  int32
	before int32 // the choice of the item before that gives the least cost; none at the first item
}

// touch finds the best entries and directions for the order as it is, among a few entries of each
// item, by dynamic programming; the present ones are among them. It says whether that gained. (The
// search does the rest: it moves single entries to the best of all until none gains, a local
// minimum of the touring-polygons problem; M. Dror, A. Efrat, A. Lubiw, J. S. B. Mitchell,
// "Touring a sequence of polygons", STOC 2003.)
func (r *router) touch() bool {
	if r.trail == nil {
		r.trail = make([]step, 0, 2*len(r.items))
	}
	r.trail = r.trail[:0]
	var before, now []choice
	for k := int32(1); int(k) < len(r.path)-1; {
		now = r.choices(now[:0], k)
		for i := range now {
			c := &now[i]
			c.step = int32(len(r.trail))
			r.trail = append(r.trail, step{place: k, entry: c.entry, before: r.enterFrom(before, c)})
		}
		if k++; r.mate[r.path[k-1]] == r.path[k] {
			k++
		}
		before, now = now, before
	}
	best, least := none, r.total
	for i := range before {
		sum := before[i].sum
		if r.opts.Return {
			sum += between(r.cost, before[i].out, r.opts.Start)
		}
		if sum < least {
			best, least = before[i].step, sum
		}
	}
	if best == none {
		return false
	}
	r.total = least
	for k := best; k != none; k = r.trail[k].before {
		r.choose(r.trail[k])
	}
	return true
}

// choices appends the ways of doing the item at place k of the path.
func (r *router) choices(out []choice, k int32) []choice {
	a := r.path[k]
	if b := r.mate[a]; b != none {
		return append(out,
			choice{in: r.at[a], out: r.at[b], entry: r.entry[a]},
			choice{in: r.at[b], out: r.at[a], entry: r.entry[b]})
	}
	c := r.contours[a]
	if c == nil {
		return append(out, choice{in: r.at[a], out: r.at[a]})
	}
	var room [16]int32
	entries := append(room[:0], r.entry[a])
	add := func(e int32) {
		if !slices.Contains(entries, e) {
			entries = append(entries, e)
		}
	}
	for _, beside := range [2]int32{r.path[k-1], r.path[k+1]} {
		if beside > endNode {
			e, _ := c.best(func(b geom.Box) int64 { return r.toBox(beside, b) }, math.MaxInt64)
			add(int32(e))
		}
	}
	for _, e := range c.extremes {
		add(e)
	}
	for _, e := range entries {
		out = append(out, choice{in: c.points[e], out: c.points[e], entry: e})
	}
	return out
}

// enterFrom gives c its least cost, and the step of the choice before it that gives it.
func (r *router) enterFrom(before []choice, c *choice) int32 {
	if len(before) == 0 {
		if !r.opts.Anywhere {
			c.sum = between(r.cost, r.opts.Start, c.in)
		}
		return none
	}
	best := none
	c.sum = math.MaxInt64
	for i := range before {
		if sum := before[i].sum + between(r.cost, before[i].out, c.in); sum < c.sum {
			c.sum, best = sum, before[i].step
		}
	}
	return best
}

func (r *router) choose(c step) {
	a := r.path[c.place]
	switch {
	case r.entry[a] == c.entry:
		return
	case r.contours[a] != nil:
		r.enter(a, c.entry)
	default:
		r.reverse(c.place, c.place+1)
	}
	for k := max(0, c.place-1); k <= min(c.place+2, int32(len(r.path)-1)); k++ {
		r.ask(r.path[k])
	}
}
