package motion

import "kerfgate/plan/geom"

// Burn is a straight part of a stroke that is gone over with the tool on at one power, or a place at
// which it stands (From and To the same, no speed).
type Burn struct {
	Stroke   int
	From, To geom.Point // where the carriage is, in the strokes' coordinates
	// AtMicros is when it begins, from the job's first line, and Micros how long it lasts.
	AtMicros, Micros int64
	// In and Out are the speeds in µm/s at its ends; in between the speed changes evenly in time.
	In, Out  float64
	Permille int64 // of the tool's full power
}

// burns gives what one stroke burns, AtMicros counting from its first motion, divided where power or
// acceleration changes.
func (j *Job) burns(e event, yield func(Burn) bool) bool {
	c := e.course
	end := c.micros()
	on := lit{0, end + j.OffDelayMS*1000} // switched at rest
	orders := e.orders
	if len(orders) > 0 {
		on, orders = lit{orders[0].followed, orders[1].followed}, orders[2:]
	}
	level := e.power
	went := j.blocks(c, e.orders, e.power, func(b block) bool {
		if b.level > 0 {
			level = b.level
		}
		for {
			from, to := max(b.from, on.from), min(b.to, on.to)
			for _, phase := range c.phaseEnds(b.move) {
				if part := min(to, phase); from < part {
					if !yield(c.burn(e.stroke, b.move, from, part, level)) {
						return false
					}
					from = part
				}
			}
			if on.to > b.to || len(orders) == 0 {
				return true
			}
			on, orders = lit{orders[0].followed, orders[1].followed}, orders[2:]
		}
	})
	if !went || on.to <= end {
		return went
	}
	b := c.burn(e.stroke, len(c.moves)-1, end, end, level)
	b.In, b.Out = 0, 0
	b.AtMicros, b.Micros = max(end, on.from), on.to-max(end, on.from)
	return yield(b)
}

// phaseEnds are the times at which a move stops speeding up, goes on evenly, and ends.
func (c *course) phaseEnds(i int) [3]int64 {
	m := &c.moves[i]
	return [3]int64{c.into(i, m.up), c.into(i, m.up+m.on), c.start[i+1]}
}

// burn is the part of a move between two times.
func (c *course) burn(stroke, i int, from, to, level int64) Burn {
	m := &c.moves[i]
	b := Burn{
		Stroke: stroke, AtMicros: from, Micros: to - from, Permille: level,
		From: c.place(i, from).Sub(m.shift), To: c.place(i, to).Sub(m.shift),
		In: m.speed(c.seconds(i, from)), Out: m.speed(c.seconds(i, to)),
	}
	if m.slack {
		b.From, b.To, b.In, b.Out = m.to.Sub(m.shift), m.to.Sub(m.shift), 0, 0
	}
	return b
}
