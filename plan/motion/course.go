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
	c.time(&j.Limits)
	return p
}

// time sets the speeds of the moves and notes when and where each begins.
func (c *course) time(l *Limits) {
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
