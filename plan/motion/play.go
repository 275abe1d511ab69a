package motion

import "kerfgate/plan/geom"

// play is the backlash of both axes (ISO 230-2: reversal value) and the flank on which each rests.
//
// A machine that does not correct it loses it each time an axis turns round: the motor moves and the
// carriage does not. So lines carry commanded positions: those of an axis that moves up are the taken
// ones, those of an axis that moves down lie the backlash lower. Between the two, at the place where
// an axis turns round, lies a take-up of its own, which moves the motors and not the carriage; it is
// part of the planned time, since the machine needs it, and not of the length that is worked.
type play struct {
	x, y   int64 // µm, not negative
	dx, dy int64 // how each axis moved last: +1 or −1; 0 where nobody knows
}

// shift is the commanded less the taken position.
func (p play) shift() geom.Point {
	var s geom.Point
	if p.dx < 0 {
		s.X = -p.x
	}
	if p.dy < 0 {
		s.Y = -p.y
	}
	return s
}

// none says whether there is nothing to take up.
func (p play) none() bool { return p.x == 0 && p.y == 0 }

// known says whether each axis with backlash rests on a flank that is known.
func (p play) known() bool { return (p.x == 0 || p.dx != 0) && (p.y == 0 || p.dy != 0) }

// moved is the play after a straight way of the carriage.
func (p play) moved(from, to geom.Point) play {
	if d := to.X - from.X; d != 0 {
		p.dx = sign(d)
	}
	if d := to.Y - from.Y; d != 0 {
		p.dy = sign(d)
	}
	return p
}

// facing is the play turned the way in which each axis moves first along points. Where it does not
// move it stays.
func (p play) facing(points []geom.Point) play {
	var x, y bool
	for i := 1; i < len(points) && !(x && y); i++ {
		if d := points[i].X - points[i-1].X; d != 0 && !x {
			p.dx, x = sign(d), true
		}
		if d := points[i].Y - points[i-1].Y; d != 0 && !y {
			p.dy, y = sign(d), true
		}
	}
	return p
}

func sign(v int64) int64 {
	if v < 0 {
		return -1
	}
	return 1
}

// approach is how a stroke that begins at a taken position is reached: past it downwards on each axis
// with backlash, by twice as much, and back up, so that every stroke begins on the same flank
// even where the backlash was measured badly; then, still with the tool off, the take-up of an axis
// that will first move down. It appends the commanded positions after at to way, and gives the play afterwards.
func (p play) approach(way []geom.Point, at geom.Point, points []geom.Point) ([]geom.Point, play) {
	first := points[0]
	if p.none() {
		return append(way, first), p
	}
	if !p.known() || at != first.Add(p.shift()) {
		below := first.Sub(geom.Pt(2*p.x, 2*p.y))
		up := p
		up.dx, up.dy = 1, 1
		way = append(way, below, first)
		p = up
	}
	p = p.facing(points)
	return append(way, first.Add(p.shift())), p
}

// snapped is the nearest multiple of step, halves upwards; it depends on v alone, so that errors do
// not add up.
func snapped(v, step int64) int64 {
	if step <= 1 {
		return v
	}
	v += step / 2
	q := v / step
	if v%step < 0 {
		q--
	}
	return q * step
}

func snap(p geom.Point, step int64) geom.Point {
	return geom.Pt(snapped(p.X, step), snapped(p.Y, step))
}
