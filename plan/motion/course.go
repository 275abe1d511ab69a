package motion

import (
	"math"
	"slices"
	"sort"

	"kerfgate/plan/geom"
)

// course is one stroke as it is driven: moves from rest to rest with the times and places at which
// they begin. It is used again for the next stroke.
type course struct {
	moves []move
	start []int64   // µs; one more than moves
	path  []float64 // µm of the taken way; one more than moves
	// given and taken are the lengths up to each given point along the points as given and as taken;
	// filled only where parts of the stroke are asked for.
	given, taken []float64
	points       []geom.Point
}

// lay plans the way along the points that measure has taken. p is the play at the first one; the play
// at the last one is handed back.
func (c *course) lay(j *Job, speed int64, p play) play {
	n := len(c.points) // and what backlash adds
	c.moves, c.start, c.path = slices.Grow(c.moves[:0], n), slices.Grow(c.start[:0], n), slices.Grow(c.path[:0], n)
	takeUp := float64(max(speed, j.WorkUMPerS))
	for i := 1; i < len(c.points); i++ {
		from, to := c.points[i-1], c.points[i]
		before := p.shift()
		p = p.moved(from, to)
		shift := p.shift()
		if shift != before {
			m := j.Limits.move(from.Add(before), from.Add(shift), takeUp)
			m.slack, m.shift = true, shift
			c.moves = append(c.moves, m)
		}
		m := j.Limits.move(from.Add(shift), to.Add(shift), float64(speed))
		m.shift = shift
		c.moves = append(c.moves, m)
	}
	c.schedule(j.Limits)
	return p
}

// schedule sets the speeds of the moves and when and where each begins.
func (c *course) schedule(l Limits) {
	l.schedule(c.moves)
	c.start, c.path = c.start[:0], c.path[:0]
	var at int64
	var way float64
	for i := range c.moves {
		m := &c.moves[i]
		c.start, c.path = append(c.start, at), append(c.path, way)
		at += m.micros()
		if !m.slack {
			way += m.length
		}
	}
	c.start, c.path = append(c.start, at), append(c.path, way)
}

// measure snaps the points and, where parts of the stroke are asked for, notes how long the way up
// to each is, as given and as taken.
func (c *course) measure(points []geom.Point, step int64, lengths bool) {
	c.points, c.given, c.taken = c.points[:0], c.given[:0], c.taken[:0]
	c.points = slices.Grow(c.points, len(points))
	var given, taken float64
	for i, p := range points {
		q := snap(p, step)
		if lengths {
			if i > 0 {
				given += geom.Distance(points[i-1], p)
				taken += geom.Distance(snap(points[i-1], step), q)
			}
			c.given, c.taken = append(c.given, given), append(c.taken, taken)
		}
		c.points = append(c.points, q)
	}
	// Straightening writes no further than it has read.
	c.points = straightened(c.points[:0], c.points)
}

// micros is how long the course takes.
func (c *course) micros() int64 { return c.start[len(c.start)-1] }

// length is how long its taken way is.
func (c *course) length() float64 { return c.path[len(c.path)-1] }

// taking is where a length along the given points lies on the taken way.
func (c *course) taking(s float64) float64 {
	n := len(c.given)
	i := sort.SearchFloat64s(c.given, s)
	switch {
	case i == 0:
		return 0
	case i == n:
		return c.taken[n-1]
	}
	share := (s - c.given[i-1]) / (c.given[i] - c.given[i-1])
	return c.taken[i-1] + float64(share*(c.taken[i]-c.taken[i-1]))
}

// passes is the time at which the carriage is d along the taken way; where it waits there for a
// take-up, the beginning or the end of that.
func (c *course) passes(d float64, last bool) int64 {
	n := len(c.moves)
	var i int
	if last {
		i = sort.Search(n, func(i int) bool { return c.path[i] > d }) - 1
	} else {
		i = sort.Search(n, func(i int) bool { return c.path[i+1] >= d })
	}
	i = min(n-1, max(0, i))
	m := &c.moves[i]
	if m.slack {
		if last {
			return c.start[i+1]
		}
		return c.start[i]
	}
	return c.start[i] + int64(math.Round(m.when(d-c.path[i])*1e6))
}

// at gives the move that is under way at a time and the seconds since it began, which are shared out
// evenly over its whole microseconds.
func (c *course) at(t int64) (i int, s float64) {
	i = sort.Search(len(c.moves), func(i int) bool { return c.start[i+1] > t })
	i = min(i, len(c.moves)-1)
	return i, c.seconds(i, t)
}

func (c *course) seconds(i int, t int64) float64 {
	return float64(t-c.start[i]) / float64(c.start[i+1]-c.start[i]) * c.moves[i].seconds()
}

// reached is how far along the taken way the carriage is.
func (c *course) reached(t int64) float64 {
	i, s := c.at(t)
	if c.moves[i].slack {
		return c.path[i]
	}
	return c.path[i] + c.moves[i].way(s)
}

// nearUM is how close to a corner a block may not end, whatever the corner: there it ends in it.
const nearUM = 2

// near is how close to the corner at the start of a move a block may not end. Where the block between
// would be too short for the arc around the corner, the corner itself will do, as long as that is
// within half the width of the tool's mark; but not once the corner is passed slower for the block.
func (j *Job) near(c *course, i int) float64 {
	if i < len(c.moves) && c.moves[i].round > 0 {
		return nearUM
	}
	return max(nearUM, min(j.rounding(c, i), float64(j.spot())/2))
}

// boundary is the time at which a block that shall end at t can end.
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

// slow lowers the speed of corners to what the blocks beside them let machines round when the tool is
// told something at these times, and says whether that was so anywhere. The course is then another, in
// which the times have to be found anew.
func (c *course) slow(j *Job, orders []order) bool {
	slowed := false
	corner := func(i int, beside float64) {
		if need := j.rounding(c, i); beside > 0 && beside < need {
			// What a corner needs goes with the square of its speed. One part in a thousand more, so that the
			// times, once found anew, do not miss by a rounding.
			c.moves[i].round = 0.999 * c.moves[i].in * math.Sqrt(beside/need)
			slowed = true
		}
	}
	for _, o := range orders {
		if o.at <= 0 || o.at >= c.micros() {
			continue
		}
		i, s := c.at(o.at)
		m := &c.moves[i]
		if o.at == c.start[i] || m.slack {
			continue
		}
		d := m.way(s)
		corner(i, d)
		if i+1 < len(c.moves) {
			corner(i+1, m.length-d)
		}
	}
	if slowed {
		c.schedule(j.Limits)
	}
	return slowed
}
