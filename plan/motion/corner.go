package motion

import (
	"math"
	"slices"
)

// Machines give the arc around a corner no more than half of the shorter of the two lines that meet
// there, and where the tool is told something within a move, its line ends there. What is told close to
// a corner would have the corner passed more slowly than planned; here it moves into the corner where
// that is within half the mark's width, and else the corner is planned as slowly as it will be passed.

// nearUM is how close to a corner a block may never end: there it ends in the corner.
const nearUM = 2

// rounding is how long, at least, the blocks before and behind the corner at the start of a move are:
// twice what the arc around the corner takes of each, R·tan(φ/2) with R = v²/a.
func (c *course) rounding(l *Limits, i int) float64 {
	if i == 0 || i == len(c.moves) {
		return nearUM
	}
	a, b := &c.moves[i-1], &c.moves[i]
	ax, ay := float64(a.to.X-a.from.X)/a.length, float64(a.to.Y-a.from.Y)/a.length
	bx, by := float64(b.to.X-b.from.X)/b.length, float64(b.to.Y-b.from.Y)/b.length
	// tan(φ/2) = sin φ / (1 + cos φ)
	sin := math.Abs(float64(ax*by) - float64(ay*bx))
	cos := float64(ax*bx) + float64(ay*by)
	if cos <= -1+1e-9 {
		return nearUM
	}
	slowest := float64(min(l.AccelXUMPerS2, l.AccelYUMPerS2))
	return max(nearUM, 2*float64(b.in*b.in)/slowest*sin/(1+cos))
}

// near is how close to the corner at the start of a move a block may not end: where it would be too short
// for the arc around the corner, but no farther than half the width of the tool's mark; and not so any
// more once the corner is passed slower for the block.
func (j *Job) near(c *course, i int) float64 {
	if c.slowed(&j.Limits, i) {
		return nearUM
	}
	return max(nearUM, min(c.rounding(&j.Limits, i), float64(j.spot())/2))
}

// slowed says whether a corner is passed slower for the blocks beside it.
func (c *course) slowed(l *Limits, i int) bool {
	return i < len(c.moves) && c.moves[i].room > 0 && c.moves[i].room <= 1.001*c.rounding(l, i)
}

// boundary is the time at which a block that shall end at t can end: in a corner that is near.
func (j *Job) boundary(c *course, t int64) int64 {
	if t <= 0 {
		return 0
	}
	if t >= c.micros() {
		return c.micros()
	}
	i, s := c.at(t)
	d := c.moves[i].way(s)
	switch {
	case d < j.near(c, i):
		return c.start[i]
	case c.moves[i].length-d < j.near(c, i+1):
		return c.start[i+1]
	}
	return t
}

// crowd notes the blocks that end within moves, where the tool is told something, and says whether corners
// are to be passed at other speeds for it.
func (c *course) crowd(l *Limits, orders []order) (anew bool) {
	for i := range c.moves {
		c.moves[i].room, c.moves[i].had = 0, c.moves[i].room
	}
	note := func(i int, d float64) {
		if i < len(c.moves) {
			m := &c.moves[i]
			if d = max(1, d-1); m.room == 0 || d < m.room { // lines lie on whole micrometres
				m.room = d
			}
		}
	}
	for _, o := range orders {
		if i, d, ok := c.within(o); ok {
			note(i, d)
			note(i+1, c.moves[i].length-d)
		}
	}
	for i := range c.moves {
		m := &c.moves[i]
		if math.Abs(m.room-m.had) <= 0.5 {
			continue
		}
		arc := c.rounding(l, i)
		anew = anew || m.room > 0 && m.room < arc || m.had > 0 && m.had <= 1.001*arc // was slowed
	}
	return anew
}

// within is where within a move something is told; ok is false for what is told where moves end.
func (c *course) within(o order) (move int, d float64, ok bool) {
	if o.at <= 0 || o.at >= c.micros() {
		return 0, 0, false
	}
	i, s := c.at(o.at)
	return i, c.moves[i].way(s), o.at > c.start[i]
}

// kept times the course with the blocks that its orders make, each told where it was.
func (c *course) kept(l *Limits, orders []order) {
	type place struct {
		move   int
		d      float64
		within bool
	}
	places := make([]place, len(orders))
	for k, o := range orders {
		p := &places[k]
		if p.move, p.d, p.within = c.within(o); !p.within {
			p.move, _ = slices.BinarySearch(c.start, o.at)
		}
	}
	c.time(l)
	told := int64(math.MinInt64) // and followed
	for k, p := range places {
		o := &orders[k]
		delay, at := o.followed-o.at, o.at
		switch {
		case p.within:
			at = c.into(p.move, c.moves[p.move].when(p.d))
		case at > 0:
			at = c.start[p.move]
		}
		o.at = min(max(at, told), max(at, c.micros()))
		o.followed = o.at + delay
		told = o.followed
	}
}
