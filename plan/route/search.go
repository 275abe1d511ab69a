package route

// settle improves the path until no move within reach gains.
func (r *router) settle() {
	for _, a := range r.path {
		r.ask(a)
	}
	r.improve()
	for range mostTouches {
		if !r.touch() {
			break
		}
		r.improve()
	}
}

// mostTouches bounds the rounds of touch and improve; the second gains little, the third hardly
// anything.
const mostTouches = 3

// nearThird is how many neighbours are tried for the third link at first. After kicks all are, since
// those last in the list keep clusters in touch; but not among holders, where most links that seem
// to pay are not allowed.
const nearThird = 5

// ask puts a node into the queue of those whose links are looked at.
func (r *router) ask(a int32) {
	if !r.queued[a] {
		r.queued[a] = true
		r.queue = append(r.queue, a)
	}
}

// improve empties the queue.
func (r *router) improve() {
	for k := 0; k < len(r.queue); k++ {
		a := r.queue[k]
		r.queued[a] = false
		for r.relink(a) || r.contours[a] != nil && r.replace(a) {
		}
		if k > 4096 && 2*k > len(r.queue) {
			r.queue = append(r.queue[:0], r.queue[k+1:]...)
			k = -1
		}
	}
	r.queue = r.queue[:0]
}

// beside is the node after (side 1) or before (side 0) another; none past the ends.
func (r *router) beside(a int32, side int) int32 {
	k := int(r.place[a]) - 1 + 2*side
	if k < 0 || k >= len(r.path) {
		return none
	}
	return r.path[k]
}

// relink looks for two or three links around t1 that can be replaced at a gain: t1–t2, t3–t4 and
// perhaps t5–t6 go, t2–t3, t4–t5 (or t4–t1), t6–t1 come, and what is gained so far stays positive
// throughout (S. Lin, B. W. Kernighan, Operations Research 21 (1973) 498–516, from memory).
func (r *router) relink(t1 int32) bool {
	for side := range 2 {
		t2 := r.beside(t1, side)
		if t2 == none || r.mate[t1] == t2 {
			continue
		}
		gone := r.link(t1, t2)
		for i := range r.near[t2] {
			n := &r.near[t2][i]
			t3 := n.node
			gain := gone - r.toNear(t2, n)
			if gain <= 0 || t3 == t1 {
				continue
			}
			for side3 := range 2 {
				t4 := r.beside(t3, side3)
				if t4 == none || t4 == t2 || r.mate[t3] == t4 {
					continue
				}
				gain := gain + r.link(t3, t4)
				if side3 != side && t4 != t1 {
					if g := gain - r.link(t4, t1); g > 0 && r.turnBetween(t1, t2, t3, t4, g) {
						return true
					}
				}
				if r.relinkThird(t1, t2, t3, t4, gain) {
					return true
				}
			}
		}
	}
	return false
}

// turnBetween replaces t1–t2 and t3–t4, where t2 and t4 lie on opposite sides of t1 and t3.
func (r *router) turnBetween(t1, t2, t3, t4 int32, gain int64) bool {
	p, q := min(r.place[t1], r.place[t2]), min(r.place[t3], r.place[t4])
	if p > q {
		p, q = q, p
	}
	if !r.mayTurn(p+1, q) {
		return false
	}
	r.turn(p+1, q)
	r.total -= gain
	for _, t := range [4]int32{t1, t2, t3, t4} {
		r.ask(t)
	}
	return true
}

func (r *router) relinkThird(t1, t2, t3, t4 int32, gain int64) bool {
	near := r.near[t4]
	for i := range near[:min(r.third, len(near))] {
		n := &near[i]
		t5 := n.node
		gain := gain - r.toNear(t4, n)
		if gain <= 0 || t5 == t3 {
			continue
		}
		for side := range 2 {
			t6 := r.beside(t5, side)
			if t6 == none || t6 == t4 || t6 == t1 || r.mate[t5] == t6 || t5 == t1 && t6 == t2 || t5 == t2 && t6 == t1 {
				continue
			}
			g := gain + r.link(t5, t6) - r.link(t6, t1)
			if g <= 0 {
				continue
			}
			p, q, s := min(r.place[t1], r.place[t2]), min(r.place[t3], r.place[t4]), min(r.place[t5], r.place[t6])
			if p > q {
				p, q = q, p
			}
			if q > s {
				q, s = s, q
			}
			if p > q {
				p, q = q, p
			}
			if p == q || q == s {
				continue
			}
			links := [3]pair{{t2, t3}, {t4, t5}, {t6, t1}}
			sh := r.shapeOf(p, q, s, &links)
			if sh == impossible || !r.allowed(p, q, s, sh) {
				continue
			}
			r.put(p, q, s, sh)
			r.total -= g
			for _, t := range [6]int32{t1, t2, t3, t4, t5, t6} {
				r.ask(t)
			}
			return true
		}
	}
	return false
}
