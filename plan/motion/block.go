package motion

import (
	"math"
	"slices"

	"kerfgate/plan/geom"
)

// block is a part of a course that one or more lines carry out at one power.
type block struct {
	move     int
	from, to int64 // µs from the course's start
	level    int64 // thousandths of power that the tool is told; 0 = off
}

// Power that follows speed is set anew where the speed has changed by a fifth, so that within a block it
// lies at most a tenth off its mean; but neither before the carriage has gone half the width of the
// tool's mark, within which nobody sees the difference, nor before followMicros, so that lines do not
// come faster than machines read them. Power over speed, taken over a mark's width, then stays within
// a tenth of what is asked up to 1 m/s² and 60 mm/s, and within two fifths up to 3 m/s² and
// 200 mm/s (measured: TestDoseIsKept), unless the tool's least power is in the way.
const (
	followShare  = 0.2
	followMicros = 4_000
)

// blocks divides a course where moves end, where the tool is told something, and where power that
// follows speed is set anew.
func (j *Job) blocks(c *course, orders []order, power int64, yield func(block) bool) bool {
	var cuts []int64
	next, on := 0, len(orders) == 0
	follow := j.follows()
	for i := range c.moves {
		m := &c.moves[i]
		from, to := c.start[i], c.start[i+1]
		cuts = cuts[:0]
		for k := next; k < len(orders) && orders[k].at < to; k++ {
			if orders[k].at > from {
				cuts = append(cuts, orders[k].at)
			}
		}
		if follow && !m.slack && (on || len(cuts) > 0 || next < len(orders) && orders[next].at <= from) {
			cuts = j.followCuts(c, i, cuts)
		}
		slices.Sort(cuts)
		cuts = append(cuts, to)
		at := from
		for _, cut := range cuts {
			if cut <= at || cut > to {
				continue
			}
			for ; next < len(orders) && orders[next].at <= at; next++ {
				on = orders[next].on
			}
			b := block{move: i, from: at, to: cut}
			if on {
				b.level = power
				if follow {
					b.level = j.level(c, b, power)
				}
			}
			if !yield(b) {
				return false
			}
			at = cut
		}
	}
	return true
}

// into is the time, from the course's start, s seconds into a move.
func (c *course) into(i int, s float64) int64 {
	return c.start[i] + int64(math.Round(s/c.moves[i].seconds()*float64(c.start[i+1]-c.start[i])))
}

// level is the power that keeps power over speed along a block, no less than the tool's least.
func (j *Job) level(c *course, b block, power int64) int64 {
	m := &c.moves[b.move]
	least := min(power, max(1, j.LeastPermille))
	if m.slack {
		return least
	}
	way := m.way(c.seconds(b.move, b.to)) - m.way(c.seconds(b.move, b.from))
	mean := way / float64(b.to-b.from) * 1e6
	return max(least, min(power, int64(math.Round(float64(power)*mean/m.asked))))
}

// followCuts adds the times within a move at which power is set anew.
func (j *Job) followCuts(c *course, i int, cuts []int64) []int64 {
	m := &c.moves[i]
	slowest := min(m.in, m.out)
	if m.peak-slowest <= followShare*slowest || m.length <= float64(j.spot())/2 || c.start[i+1]-c.start[i] <= followMicros {
		return cuts
	}
	up, on, down := m.up, m.on, m.down
	told := len(cuts)
	first, last := c.rounding(&j.Limits, i), c.rounding(&j.Limits, i+1)
	cut := func(t float64) {
		d, at := m.way(t), c.into(i, t)
		if d < first || m.length-d < last {
			return
		}
		for _, other := range cuts[:told] { // a block between would be too short to say
			if max(at-other, other-at) < followMicros/4 {
				return
			}
		}
		cuts = append(cuts, at)
	}
	j.ramp(m, m.in, up, cut)
	if up > 0 {
		cut(up)
	}
	if down > 0 && (up == 0 || on*1e6 >= followMicros) {
		cut(up + on)
	}
	total := m.seconds()
	j.ramp(m, m.out, down, func(t float64) { cut(total - t) })
	return cuts
}

// ramp cuts a change of speed, from its slow end, which lasts t seconds.
func (j *Job) ramp(m *move, v, t float64, cut func(float64)) {
	spot := float64(j.spot()) / 2
	for at := 0.0; ; {
		step := max(followMicros/1e6, followShare*v/m.accel, 2*spot/(v+reach(v, m.accel, spot)))
		if at+float64(step*1.5) >= t {
			return
		}
		at += step
		v += float64(m.accel * step)
		cut(at)
	}
}

func (j *Job) spot() int64 {
	if j.SpotUM > 0 {
		return j.SpotUM
	}
	return 100
}

// place is the commanded position at a time within a move.
func (c *course) place(i int, t int64) geom.Point {
	m := &c.moves[i]
	switch t {
	case c.start[i]:
		return m.from
	case c.start[i+1]:
		return m.to
	}
	return m.between(m.way(c.seconds(i, t)))
}
