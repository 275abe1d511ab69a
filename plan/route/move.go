package route

// change is one step of a move: path[i..j] turned round, or, with j < 0, the entry that node i had
// before.
type change struct {
	i, j  int32
	entry int32
}

// reachOf bounds the part of the path that one move turns. Turning costs as much as the part is
// long, and in long paths what long turns gain is not worth it (J. L. Bentley, "Fast algorithms
// for geometric traveling salesman problems", ORSA J. Computing 4 (1992) 387–411, from memory).
func reachOf(nodes int) int {
	if nodes <= 10_000 {
		return nodes
	}
	return 1_000
}

// turn turns path[i..j] round.
func (r *router) turn(i, j int32) {
	if r.logs {
		r.log = append(r.log, change{i: i, j: j})
	}
	r.reverse(i, j)
}

func (r *router) reverse(i, j int32) {
	path, place := r.path, r.place
	for ; i < j; i, j = i+1, j-1 {
		a, b := path[i], path[j]
		path[i], path[j] = b, a
		place[b], place[a] = i, j
	}
	if i == j {
		place[path[i]] = i
	}
}

// reenter moves a closed item's node to another entry.
func (r *router) reenter(a, entry int32) {
	if r.logs {
		r.log = append(r.log, change{i: a, j: -1, entry: r.entry[a]})
	}
	r.enter(a, entry)
}

// undo takes back all that the log holds.
func (r *router) undo() {
	for k := len(r.log) - 1; k >= 0; k-- {
		if c := r.log[k]; c.j < 0 {
			r.enter(c.i, c.entry)
		} else {
			r.reverse(c.i, c.j)
		}
	}
	r.log = r.log[:0]
}

// shape says how the two parts B and C between three cuts of a path A B C D are put together.
type shape int

const (
	impossible shape = iota
	swapped          // A C B D
	turnedB          // A C B' D, with B turned round
	turnedC          // A C' B D
	turnedBoth       // A B' C' D
)

// pair is a link to be made.
type pair [2]int32

// shapeOf finds how the three new links join the parts after the cuts p < q < s (each between a
// place and the next one). Most triples of links leave a ring aside: impossible.
func (r *router) shapeOf(p, q, s int32, links *[3]pair) shape {
	has := func(a, b int32) bool {
		for _, l := range links {
			if l == (pair{a, b}) || l == (pair{b, a}) {
				return true
			}
		}
		return false
	}
	a, b1, b2 := r.path[p], r.path[p+1], r.path[q]
	c1, c2, d := r.path[q+1], r.path[s], r.path[s+1]
	switch {
	case has(a, c1) && has(c2, b1) && has(b2, d):
		return swapped
	case has(a, c1) && has(c2, b2) && has(b1, d):
		return turnedB
	case has(a, c2) && has(c1, b1) && has(b2, d):
		return turnedC
	case has(a, b2) && has(b1, c2) && has(c1, d):
		return turnedBoth
	}
	return impossible
}

// allowed says whether the parts may be put together so: nothing may come to lie after what holds
// it, or leave its class.
func (r *router) allowed(p, q, s int32, sh shape) bool {
	if int(s-p) > r.reach {
		return false
	}
	if !r.bound {
		return true
	}
	if r.class[r.path[p+1]] != r.class[r.path[s]] {
		return false
	}
	switch sh {
	case swapped:
		return !r.holdsIn(p+1, q, q+1, s)
	case turnedB:
		return !r.holdsIn(p+1, q, p+1, s)
	case turnedC:
		return !r.holdsIn(q+1, s, q+1, s) && !r.holdsIn(p+1, q, q+1, s)
	case turnedBoth:
		return !r.holdsIn(p+1, q, p+1, q) && !r.holdsIn(q+1, s, q+1, s)
	}
	return false
}

// mayTurn says the same of turning path[i..j] round.
func (r *router) mayTurn(i, j int32) bool {
	if int(j-i) >= r.reach {
		return false
	}
	return !r.bound || r.class[r.path[i]] == r.class[r.path[j]] && !r.holdsIn(i, j, i, j)
}

// holdsIn says whether an item at the places i..j is held by one at lo..hi.
func (r *router) holdsIn(i, j, lo, hi int32) bool {
	for _, a := range r.path[i : j+1] {
		if h := r.holder[a]; h != none {
			if k := r.place[h]; lo <= k && k <= hi {
				return true
			}
		}
	}
	return false
}

// put puts the parts together.
func (r *router) put(p, q, s int32, sh shape) {
	b, c := q-p, s-q
	switch sh {
	case swapped:
		r.turn(p+1, s)
		r.turn(p+1, p+c)
		r.turn(s-b+1, s)
	case turnedB:
		r.turn(p+1, s)
		r.turn(p+1, p+c)
	case turnedC:
		r.turn(p+1, s)
		r.turn(s-b+1, s)
	case turnedBoth:
		r.turn(p+1, q)
		r.turn(q+1, s)
	}
}
