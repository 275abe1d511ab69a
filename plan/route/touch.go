package route

import (
	"math"
	"slices"

	"kerfgate/plan/geom"
)

// choice is one way of doing an item: begun at in, ended at out.
type choice struct {
	in, out geom.Point
	place   int32 // of the item's first node in the path
	entry   int32
	sum     int64 // least cost up to here
	before  int32 // the choice of the item before that gives it; none at the first item
}

// touch finds the best entries and directions for the order as it is, among a few entries of each
// item, by dynamic programming; the present ones are among them. It says whether that gained. (The
// search does the rest: it moves single entries to the best of all until none gains, a local
// minimum of the touring-polygons problem; M. Dror, A. Efrat, A. Lubiw, J. S. B. Mitchell,
// "Touring a sequence of polygons", STOC 2003.)
func (r *router) touch() bool {
	choices := make([]choice, 0, 4*len(r.path))
	lo := 0 // of the choices of the item before
	for k := int32(1); int(k) < len(r.path)-1; {
		hi := len(choices)
		choices = r.choices(choices, k)
		for c := range choices[hi:] {
			r.enterFrom(choices[lo:hi], &choices[hi+c], int32(lo))
		}
		if k++; r.mate[r.path[k-1]] == r.path[k] {
			k++
		}
		lo = hi
	}
	best, least := none, r.total
	for c := lo; c < len(choices); c++ {
		sum := choices[c].sum
		if r.opts.Return {
			sum += between(r.cost, choices[c].out, r.opts.Start)
		}
		if sum < least {
			best, least = int32(c), sum
		}
	}
	if best == none {
		return false
	}
	r.total = least
	for c := best; c != none; c = choices[c].before {
		r.choose(choices[c])
	}
	return true
}

// choices appends the ways of doing the item at place k of the path.
func (r *router) choices(out []choice, k int32) []choice {
	a := r.path[k]
	if b := r.mate[a]; b != none {
		return append(out,
			choice{in: r.at[a], out: r.at[b], place: k, entry: r.entry[a]},
			choice{in: r.at[b], out: r.at[a], place: k, entry: r.entry[b]})
	}
	c := r.contours[a]
	if c == nil {
		return append(out, choice{in: r.at[a], out: r.at[a], place: k})
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
		out = append(out, choice{in: c.points[e], out: c.points[e], place: k, entry: e})
	}
	return out
}

// enterFrom gives c the best of the choices before it, the first of which has the number first.
func (r *router) enterFrom(before []choice, c *choice, first int32) {
	c.before = none
	if len(before) == 0 {
		if !r.opts.Anywhere {
			c.sum = between(r.cost, r.opts.Start, c.in)
		}
		return
	}
	c.sum = math.MaxInt64
	for i := range before {
		if sum := before[i].sum + between(r.cost, before[i].out, c.in); sum < c.sum {
			c.sum, c.before = sum, first+int32(i)
		}
	}
}

func (r *router) choose(c choice) {
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
