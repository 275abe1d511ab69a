package emulator

import "math"

const (
	// grainS is the step in which a carriage with inertia is carried on.
	grainS = 0.0002
	// cornerMM is how far it cuts a corner.
	cornerMM = 0.05
)

// glide carries a move on by s seconds at most, one grain after the other, and says how many it took. The carriage comes
// up to speed, slows down for corners and for the end of what it has been told, and, held, comes to rest on its way.
func (c *Carriage) glide(it *item, s float64) (used float64) {
	a := c.cfg.AccelMMS2
	for used < s {
		dx, dy := it.x-c.x, it.y-c.y
		d := math.Hypot(dx, dy)
		if d < 1e-6 {
			it.finished = true
			return used
		}
		if c.held {
			if c.v -= a * grainS; c.v <= 0 {
				c.v = 0
				return used
			}
		} else {
			exit := c.exit()
			c.v = min(c.v+a*grainS, it.speed, math.Sqrt(exit*exit+2*a*d))
		}
		step := min(d, max(c.v*grainS, 1e-6))
		dt := min(grainS, step/max(c.v, 1e-3))
		x, y := c.x+dx/d*step, c.y+dy/d*step
		if c.energy {
			c.doses = append(c.doses, Dose{X: (c.x + x) / 2, Y: (c.y + y) / 2, S: dt})
		}
		c.burn(it, x, y)
		c.x, c.y = x, y
		used += dt
	}
	return used
}

// exit is the speed with which the first move of the queue may end, so that everything behind it can be kept: an arc
// that touches both lines and passes the corner at a tolerance, R = δ·cos(φ/2)/(1 − cos(φ/2)), v = √(aR).
func (c *Carriage) exit() float64 {
	a := c.cfg.AccelMMS2
	x, y := c.x, c.y
	type way struct{ ux, uy, length, speed float64 }
	var ways []way
	for _, it := range c.queue {
		if it.kind == 'd' || it.kind == 'h' {
			break
		}
		if it.kind != 'm' {
			continue
		}
		if d := math.Hypot(it.x-x, it.y-y); d > 1e-6 {
			ways = append(ways, way{(it.x - x) / d, (it.y - y) / d, d, it.speed})
			x, y = it.x, it.y
		}
	}
	exit := 0.0
	for i := len(ways) - 1; i > 0; i-- {
		p, n := ways[i-1], ways[i]
		half := math.Acos(min(1, max(-1, p.ux*n.ux+p.uy*n.uy))) / 2
		corner := min(p.speed, n.speed)
		if half > 1e-6 {
			r := cornerMM * math.Cos(half) / (1 - math.Cos(half))
			r = min(r, min(p.length, n.length)/2/math.Tan(half))
			corner = min(corner, math.Sqrt(a*r))
		}
		exit = min(corner, math.Sqrt(exit*exit+2*a*n.length))
	}
	return exit
}

// Doses are how long the tool was on over which places since it was last unlocked, of a carriage with inertia.
func (c *Carriage) Doses() []Dose {
	c.mu.Lock()
	defer c.mu.Unlock()
	return append([]Dose(nil), c.doses...)
}
