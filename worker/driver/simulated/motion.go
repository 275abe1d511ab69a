package simulated

import "math"

// Distances are millimetres and times seconds of the machine in this file.

// nearMM is below what a millimetre may be off before two places differ.
const nearMM = 1e-7

// vec is a position or direction in the plane.
type vec struct{ x, y float64 }

func (a vec) along(u vec, s float64) vec { return vec{a.x + u.x*s, a.y + u.y*s} }

// kind is what an item of the queue does.
type kind int

const (
	move    kind = iota
	dwell        // stand still for a time
	toolOn       // at a level of power
	toolOff      //
	placed       // the axes have found their place
	trouble      // a fault that a test asked for
)

// item is one step of what the machine has been told and not yet carried out.
type item struct {
	kind         kind
	id           int // the same for the parts of one move
	line         int // number of the line that it came from
	frees        int // bytes that are no longer owed once it is carried out
	inner        bool
	rests        bool // it is carried out only when the carriage stands
	from, to     vec
	unit         vec
	length       float64
	accel, speed float64
	corner       float64 // greatest speed at its start for the corner's sake
	entry        float64 // greatest speed at its start so that everything behind can be kept
	crash        float64 // distance at which a hard stop is met; +Inf when none is
	level        float64 // fraction of full power
	seconds      float64
	fault        string
}

// carriage moves along the queue within its limits.
type carriage struct {
	ax, ay    float64 // mm/s²
	vx, vy    float64 // greatest speed of each axis, mm/s; 0 when it has none of its own
	tolerance float64 // how far a corner may be cut, mm
	queue     []item
	cur       int // item being carried out; stays 0 but while holding
	done      float64
	at        vec
	v         float64
	unit      vec     // of the way on which it came to at
	accel     float64 // there, mm/s²
}

// leg is what the carriage did in one step: dt seconds from a place, along a direction, from a
// speed with an acceleration.
type leg struct {
	dt      float64
	from    vec
	unit    vec
	v, a    float64
	id      int
	crashed bool
}

// line makes a straight move from one place to another; ok is false when they are the same.
func (c *carriage) line(from, to vec, speed float64) (it item, ok bool) {
	dx, dy := to.x-from.x, to.y-from.y
	length := math.Hypot(dx, dy)
	if length < nearMM {
		return item{}, false
	}
	u := vec{dx / length, dy / length}
	if c.vx > 0 && u.x != 0 {
		speed = min(speed, c.vx/math.Abs(u.x))
	}
	if c.vy > 0 && u.y != 0 {
		speed = min(speed, c.vy/math.Abs(u.y))
	}
	return item{
		kind: move, from: from, to: to, unit: u, length: length, speed: speed,
		accel: min(c.ax/math.Abs(u.x), c.ay/math.Abs(u.y)), crash: math.Inf(1),
	}, true
}

// join sets the greatest speed between two moves: an arc that touches both lines and passes the
// corner at the tolerance, R = δ·cos(φ/2)/(1 − cos(φ/2)), v = √(aR), where the arc takes no more
// than half of the shorter move.
func (c *carriage) join(prev, next *item) {
	cos := prev.unit.x*next.unit.x + prev.unit.y*next.unit.y
	next.corner = min(prev.speed, next.speed)
	if cos >= 1-1e-13 {
		return
	}
	if cos <= -1+1e-13 {
		next.corner = 0
		return
	}
	// 1 − cos(φ/2) loses its digits near straight on; sin² / (1 + cos) keeps them.
	sin := math.Abs(prev.unit.x*next.unit.y - prev.unit.y*next.unit.x)
	half := math.Atan2(sin, cos) / 2
	ch, sh := math.Cos(half), math.Sin(half)
	r := c.tolerance * ch * (1 + ch) / (sh * sh)
	r = min(r, min(prev.length, next.length)/2*ch/sh)
	next.corner = min(next.corner, math.Sqrt(min(c.ax, c.ay)*r))
}

// push adds items and plans anew, looking ahead over everything owed.
func (c *carriage) push(items ...item) {
	for i := range items {
		c.queue = append(c.queue, items[i])
		last := len(c.queue) - 1
		if items[i].kind != move {
			continue
		}
		for p := last - 1; p >= 0 && c.queue[p].kind != dwell && !c.queue[p].rests; p-- {
			if c.queue[p].kind == move {
				c.join(&c.queue[p], &c.queue[last])
				break
			}
		}
	}
	c.plan()
}

// plan sets the greatest entry speeds, from the last item back, so that the carriage can always
// come to rest at the end of what it has been told.
func (c *carriage) plan() {
	exit := 0.0
	for i := len(c.queue) - 1; i > c.cur; i-- {
		it := &c.queue[i]
		switch {
		case it.kind == move:
			exit = min(it.corner, math.Sqrt(exit*exit+2*it.accel*it.length))
		case it.kind == dwell || it.rests:
			exit = 0
		}
		it.entry = exit
	}
}

// exit is the speed that the current item may end with.
func (c *carriage) exit() float64 {
	if c.cur+1 < len(c.queue) {
		return c.queue[c.cur+1].entry
	}
	return 0
}

// phase is the acceleration now and how long it lasts within the current move.
func (c *carriage) phase(it *item, halting bool) (a, t float64) {
	rest := it.length - c.done
	if halting {
		end := c.v*c.v - 2*it.accel*rest
		return -it.accel, (c.v - math.Sqrt(max(end, 0))) / it.accel
	}
	w := min(c.exit(), math.Sqrt(c.v*c.v+2*it.accel*rest))
	peak := math.Sqrt(min(it.speed*it.speed, (2*it.accel*rest+c.v*c.v+w*w)/2))
	if peak-c.v > 1e-9 {
		return it.accel, (peak - c.v) / it.accel
	}
	if level := rest - (c.v*c.v-w*w)/(2*it.accel); level > 1e-9 && c.v > 0 {
		return 0, level / c.v
	}
	t = 2 * rest / (c.v + w)
	return (w - c.v) / t, t
}

// step carries out at most h seconds of the current item, which must be a move or a dwell, and says
// whether the item is finished. Halting, the carriage slows down as fast as it may on its path.
func (c *carriage) step(h float64, halting bool) (l leg, finished bool) {
	it := &c.queue[c.cur]
	l = leg{from: c.at, unit: it.unit, v: c.v, id: it.id}
	if it.kind == dwell {
		if halting {
			return l, true
		}
		l.dt = min(h, it.seconds-c.done)
		c.done += l.dt
		return l, it.seconds-c.done < 1e-9
	}
	if it.length-c.done < nearMM {
		return l, c.finish(it, halting)
	}
	a, t := c.phase(it, halting)
	l.a, l.dt = a, min(h, t)
	ds := l.v*l.dt + a*l.dt*l.dt/2
	if c.done+ds >= it.crash {
		d := it.crash - c.done
		// d = v·t + a·t²/2, the root that stays good when a is 0
		l.dt = 2 * d / (l.v + math.Sqrt(max(l.v*l.v+2*a*d, 0)))
		ds, l.crashed = d, true
	}
	c.done += ds
	c.unit, c.accel = it.unit, it.accel
	c.v = max(l.v+a*l.dt, 0)
	c.at = it.from.along(it.unit, c.done)
	if halting && l.dt == t && it.length-c.done > nearMM {
		c.v = 0
	}
	if l.crashed {
		c.v = 0
		return l, false
	}
	if it.length-c.done < nearMM {
		return l, c.finish(it, halting)
	}
	return l, false
}

// finish puts the carriage exactly at the end of a move.
func (c *carriage) finish(it *item, halting bool) bool {
	c.at, c.done = it.to, it.length
	if !halting || c.cur+1 == len(c.queue) {
		c.v = min(c.v, c.exit())
	}
	return true
}

// left is about how long the current item still takes: when to look again.
func (c *carriage) left(halting bool) float64 {
	if c.cur >= len(c.queue) {
		return math.Inf(1)
	}
	it := &c.queue[c.cur]
	switch {
	case it.kind == dwell:
		return it.seconds - c.done
	case it.kind != move:
		return 0
	}
	_, t := c.phase(it, halting)
	return t
}
