package simulated

import (
	"math"

	"kerfgate/plan/machine"
)

// lost is the motion that each axis loses when it turns round: the motors move on by up to most
// before the carriage follows. Where the motors are (carriage.at) and where the carriage is differ by
// behind, which lies between 0, after a move up, and most, after a move down.
type lost struct {
	most   vec // mm
	behind vec
}

// follow gives what the carriage does while its motors go along a leg: pieces between the instants
// at which an axis begins to follow.
func (s *lost) follow(l leg, went func(leg)) {
	if s.most == (vec{}) {
		went(l)
		return
	}
	for l.dt > 0 {
		// How far the motors still go before each axis follows.
		fx, fy := idle(s.behind.x, s.most.x, l.unit.x), idle(s.behind.y, s.most.y, l.unit.y)
		part := l
		d := l.v*l.dt + l.a*l.dt*l.dt/2
		if next := min(later(fx), later(fy)); next < d {
			// d = v·t + a·t²/2, the root that stays good when a is 0
			part.dt = min(l.dt, 2*next/(l.v+math.Sqrt(max(l.v*l.v+2*l.a*next, 0))))
			d = next
		}
		carried := part
		carried.from = vec{part.from.x + s.behind.x, part.from.y + s.behind.y}
		var u vec
		if fx == 0 {
			u.x = l.unit.x
		} else {
			s.behind.x = clamp(s.behind.x-l.unit.x*d, s.most.x)
		}
		if fy == 0 {
			u.y = l.unit.y
		} else {
			s.behind.y = clamp(s.behind.y-l.unit.y*d, s.most.y)
		}
		if k := math.Hypot(u.x, u.y); k > 0 {
			carried.unit, carried.v, carried.a = vec{u.x / k, u.y / k}, part.v*k, part.a*k
		} else {
			carried.v, carried.a = 0, 0
		}
		went(carried)
		l.from = l.from.along(l.unit, d)
		l.v += l.a * part.dt
		l.dt -= part.dt
		if l.dt < 1e-12 {
			return
		}
	}
}

// idle is how far a leg goes before an axis follows; 0 when it does or does not move.
func idle(behind, most, unit float64) float64 {
	d := 0.0
	switch {
	case unit > 0:
		d = behind / unit
	case unit < 0:
		d = (behind - most) / unit
	}
	if d < nearMM {
		return 0
	}
	return d
}

// later is a distance that lies ahead, or none.
func later(d float64) float64 {
	if d == 0 {
		return math.Inf(1)
	}
	return d
}

func clamp(v, most float64) float64 { return min(most, max(0, v)) }

// over is the leg as the carriage goes it where its ways are built otherwise than its motors are told.
func (l leg) over(built *machine.Geometry) leg {
	if built == nil {
		return l
	}
	l.from.x, l.from.y = built.Reached(l.from.x, l.from.y)
	x, y := built.Reached(l.unit.x, l.unit.y)
	if k := math.Hypot(x, y); k > 0 {
		l.unit, l.v, l.a = vec{x / k, y / k}, l.v*k, l.a*k
	}
	return l
}
