package route

import "math/rand/v2"

// kickSpan is the longest part of the path that a kick moves. Its long links give the search much to
// gain from, so that it looks far; shorter kicks are repaired sooner but find less (measured on the
// instances of TSPLIB, ten kicks a node: mean gaps of 1.3, 0.8, 0.6 and 0.3 % with 5, 10, 30, 50).
const kickSpan = 50

// kick exchanges two short parts of the path that lie side by side and does a few items near there
// in another way, lets the search repair what that breaks, and takes all back unless the path is no
// longer than before: steps times.
func (r *router) kick(steps int, seed uint64) {
	chance := rand.New(rand.NewPCG(seed, uint64(len(r.path))))
	last := len(r.path) - 1
	if steps == 0 || last < 4 {
		return
	}
	if !r.bound {
		r.third = nearAll
	}
	r.logs = true
	for range steps {
		p := int32(chance.IntN(last - 2))
		q := p + 1 + int32(chance.IntN(min(kickSpan, last-2-int(p))))
		s := q + 1 + int32(chance.IntN(min(kickSpan, last-1-int(q))))
		before := r.total
		r.exchange(p, q, s)
		for range chance.IntN(4) {
			x := r.path[p+1+int32(chance.IntN(int(s-p)))]
			if c := r.contours[x]; c != nil {
				r.misplace(x, int32(chance.IntN(len(c.points))))
			} else if m := r.mate[x]; m != none {
				r.turnOne(min(r.place[x], r.place[m]))
			}
		}
		r.repair(before)
	}
	r.logs = false
	r.settle()
}

// exchange swaps path[p+1..q] and path[q+1..s], where that is allowed.
func (r *router) exchange(p, q, s int32) {
	a, b1, b2 := r.path[p], r.path[p+1], r.path[q]
	c1, c2, d := r.path[q+1], r.path[s], r.path[s+1]
	if r.mate[a] == b1 || r.mate[b2] == c1 || r.mate[c2] == d || !r.allowed(p, q, s, swapped) {
		return
	}
	r.total += r.link(a, c1) + r.link(c2, b1) + r.link(b2, d) - r.link(a, b1) - r.link(b2, c1) - r.link(c2, d)
	r.put(p, q, s, swapped)
	for _, t := range [6]int32{a, b1, b2, c1, c2, d} {
		r.ask(t)
	}
}

// misplace enters a closed item at the given entry.
func (r *router) misplace(x, entry int32) {
	before, after := r.path[r.place[x]-1], r.path[r.place[x]+1]
	r.total -= r.link(before, x) + r.link(x, after)
	r.reenter(x, entry)
	r.total += r.link(before, x) + r.link(x, after)
	// Not x itself: it would go back at once.
	r.ask(before)
	r.ask(after)
}

// turnOne does the open item at the places k and k+1 the other way.
func (r *router) turnOne(k int32) {
	before, a, b, after := r.path[k-1], r.path[k], r.path[k+1], r.path[k+2]
	r.total += r.link(before, b) + r.link(a, after) - r.link(before, a) - r.link(b, after)
	r.turn(k, k+1)
	r.ask(before)
	r.ask(after)
}

// repair searches from where a kick struck, and takes all back if the path got longer.
func (r *router) repair(before int64) {
	r.improve()
	if r.total > before {
		r.undo()
		r.total = before
	}
	r.log = r.log[:0]
}
