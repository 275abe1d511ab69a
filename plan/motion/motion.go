// Package motion plans speeds along strokes, says when the tool is switched, and renders both as
// lines of ISO 6983 words.
//
// Every move is straight and lies between whole micrometres. Speeds rise and fall within the
// acceleration and the greatest speed of each axis; a corner is passed at the speed at which an arc
// that stays within the corner tolerance could be driven. A stroke goes from rest to rest and never
// stops on its way; travel, with the tool off, goes from rest to rest too. Times are whole
// microseconds per move, so that sums are the same everywhere.
//
// Three ways lead to a position. A stroke gives it; the taken position is the nearest one that the
// machine resolves; the commanded position, which lines carry, differs from that by the backlash of
// each axis that moves down (see play).
package motion

import (
	"math"

	"kerfgate/plan/geom"
)

// Limits are what the machine can do.
type Limits struct {
	TravelUMPerS  int64 // speed of moves with the tool off
	AccelXUMPerS2 int64
	AccelYUMPerS2 int64
	CornerUM      int64 // allowed deviation at corners; 0 stops at each
	// SpeedXUMPerS and SpeedYUMPerS are the greatest speed of each axis; 0 = no bound of its own.
	SpeedXUMPerS int64
	SpeedYUMPerS int64
}

// capped is the greatest speed from p to q, at most speed, at which neither axis is too fast.
func (l Limits) capped(p, q geom.Point, length, speed float64) float64 {
	if dx := math.Abs(float64(q.X - p.X)); l.SpeedXUMPerS > 0 && dx > 0 {
		speed = min(speed, float64(l.SpeedXUMPerS)*length/dx)
	}
	if dy := math.Abs(float64(q.Y - p.Y)); l.SpeedYUMPerS > 0 && dy > 0 {
		speed = min(speed, float64(l.SpeedYUMPerS)*length/dy)
	}
	return speed
}

// along is the greatest acceleration from p to q: d/a is the larger of |Δx|/ax and |Δy|/ay.
func (l Limits) along(p, q geom.Point, length float64) float64 {
	dx := math.Abs(float64(q.X-p.X)) / float64(l.AccelXUMPerS2)
	dy := math.Abs(float64(q.Y-p.Y)) / float64(l.AccelYUMPerS2)
	return length / max(dx, dy)
}

// RestToRest is the time in seconds over the distance d with the greatest speed v, the acceleration
// up and the deceleration down.
func RestToRest(d, v, up, down float64) float64 {
	if d <= 0 {
		return 0
	}
	ramps := float64(v*v)/(2*up) + float64(v*v)/(2*down)
	if v > 0 && ramps <= d {
		return v/up + v/down + (d-ramps)/v
	}
	peak := math.Sqrt(2 * d * (up * down / (up + down)))
	return peak/up + peak/down
}

// TravelTime is the time in seconds of a straight move from rest to rest. It never falls when
// |Δx| or |Δy| grows.
func (l Limits) TravelTime(dx, dy int64) float64 {
	if dx == 0 && dy == 0 {
		return 0
	}
	to := geom.Pt(dx, dy)
	d := geom.Distance(geom.Point{}, to)
	a := l.along(geom.Point{}, to, d)
	return RestToRest(d, l.capped(geom.Point{}, to, d, float64(l.TravelUMPerS)), a, a)
}

// CornerSpeed is the greatest speed in µm/s around a corner where the direction turns by angle
// (radians, 0 = straight on): that of the arc tangent to both lines whose middle is tolerance away
// from the corner, R = δ·cos(φ/2)/(1 − cos(φ/2)), v = √(a·R). The arc must end within half of the
// shorter line: R·tan(φ/2) ≤ shorter/2; a negative shorter leaves this bound out.
func CornerSpeed(angle, tolerance, accel, shorter float64) float64 {
	return cornerSpeed(math.Cos(angle/2), tolerance, accel, shorter)
}

// cornerSpeed takes the cosine of half the turn.
func cornerSpeed(cos, tolerance, accel, shorter float64) float64 {
	if cos <= 0 {
		return 0
	}
	sin := math.Sqrt(max(0, float64((1-cos)*(1+cos))))
	if sin == 0 {
		return math.Inf(1)
	}
	radius := tolerance * cos / (1 - cos)
	if shorter >= 0 {
		radius = min(radius, shorter/2*cos/sin)
	}
	return math.Sqrt(accel * radius)
}

// move is one straight part of a path with its speeds in µm/s.
type move struct {
	from, to geom.Point // commanded
	length   float64
	accel    float64
	asked    float64 // the speed that was asked for
	set      float64 // and that no axis holds back
	in, peak float64
	out      float64
	up, on   float64    // seconds of speeding up and of going on evenly
	down     float64    // and of slowing down
	shift    geom.Point // commanded less taken position
	slack    bool       // takes up backlash: the carriage itself does not move
	// room is how long the shorter of the blocks beside the corner at its start is, where the tool is told
	// something within the moves that meet there; 0 where it is not. had is what it was before.
	room, had float64
}

// move is the straight move from p to q, its speeds not yet known.
func (l Limits) move(p, q geom.Point, speed float64) move {
	d := geom.Distance(p, q)
	return move{from: p, to: q, length: d, accel: l.along(p, q, d), asked: speed, set: l.capped(p, q, d, speed)}
}

// profile gives the moves along points, which start and end at rest and never exceed speed.
// Points on a straight line between their neighbours are passed over.
func (l Limits) profile(points []geom.Point, speed int64) []move {
	points = straightened(nil, points)
	if len(points) < 2 {
		return nil
	}
	moves := make([]move, 0, len(points)-1)
	for i := 1; i < len(points); i++ {
		moves = append(moves, l.move(points[i-1], points[i], float64(speed)))
	}
	l.schedule(moves)
	return moves
}

// schedule sets the speeds of moves that follow each other from rest to rest: the greatest ones that
// corners, accelerations and set speeds allow, looking ahead over all of them. What it set before does
// not matter.
func (l Limits) schedule(moves []move) {
	slowest := float64(min(l.AccelXUMPerS2, l.AccelYUMPerS2))
	for i := 1; i < len(moves); i++ {
		a, b := &moves[i-1], &moves[i]
		ax, ay := float64(a.to.X-a.from.X)/a.length, float64(a.to.Y-a.from.Y)/a.length
		bx, by := float64(b.to.X-b.from.X)/b.length, float64(b.to.Y-b.from.Y)/b.length
		// cos(φ/2) of the turn is half the length of the sum of the two directions.
		sx, sy := ax+bx, ay+by
		half := math.Sqrt(float64(sx*sx)+float64(sy*sy)) / 2
		shorter := min(a.length, b.length)
		if b.room > 0 {
			shorter = min(shorter, b.room)
		}
		b.in = min(a.set, b.set, cornerSpeed(min(1, half), float64(l.CornerUM), slowest, shorter))
	}
	for i := 1; i < len(moves); i++ { // forward: no faster than can be reached
		m := &moves[i-1]
		moves[i].in = min(moves[i].in, reach(m.in, m.accel, m.length))
	}
	for i := len(moves) - 1; i >= 0; i-- { // backward: no faster than can be braked
		m := &moves[i]
		if i+1 < len(moves) {
			m.out = moves[i+1].in
		}
		m.in = min(m.in, reach(m.out, m.accel, m.length))
		// v_p² = (2ad + u² + w²)/2, capped by the set speed.
		peak := math.Sqrt((float64(2*m.accel*m.length) + float64(m.in*m.in) + float64(m.out*m.out)) / 2)
		m.peak = max(m.in, m.out, min(m.set, peak))
		m.up, m.down = (m.peak-m.in)/m.accel, (m.peak-m.out)/m.accel
		ramps := float64((m.in+m.peak)/2*m.up) + float64((m.peak+m.out)/2*m.down)
		m.on = max(0, (m.length-ramps)/m.peak)
	}
}

// reach is the speed after the distance d from the speed v.
func reach(v, accel, d float64) float64 {
	return math.Sqrt(float64(v*v) + float64(2*accel*d))
}

// seconds is how long the move takes.
func (m *move) seconds() float64 { return m.up + m.on + m.down }

// micros is the move's time in whole microseconds, at least one.
func (m *move) micros() int64 {
	return max(1, int64(math.Round(m.seconds()*1e6)))
}

// way is how far the move has come after t seconds.
func (m *move) way(t float64) float64 {
	var d float64
	switch {
	case t < m.up:
		d = float64(m.in*t) + float64(m.accel*t*t/2)
	case t < m.up+m.on:
		d = float64((m.in+m.peak)/2*m.up) + float64(m.peak*(t-m.up))
	default:
		rest := m.seconds() - t
		d = m.length - float64(m.out*rest) - float64(m.accel*rest*rest/2)
	}
	return min(m.length, max(0, d))
}

// speed is the speed after t seconds.
func (m *move) speed(t float64) float64 {
	switch {
	case t < m.up:
		return min(m.peak, m.in+float64(m.accel*max(0, t)))
	case t < m.up+m.on:
		return m.peak
	}
	return min(m.peak, m.out+float64(m.accel*max(0, m.seconds()-t)))
}

// when is after how many seconds the move has come d far.
func (m *move) when(d float64) float64 {
	rising := float64((m.in + m.peak) / 2 * m.up)
	switch {
	case d <= 0:
		return 0
	case d < rising:
		return 2 * d / (m.in + reach(m.in, m.accel, d))
	case d < rising+float64(m.peak*m.on):
		return m.up + (d-rising)/m.peak
	case d >= m.length:
		return m.seconds()
	}
	rest := m.length - d
	return max(0, m.seconds()-2*rest/(m.out+reach(m.out, m.accel, rest)))
}

// between is the position that is d along the move.
func (m *move) between(d float64) geom.Point {
	share := d / m.length
	return geom.Pt(
		m.from.X+int64(math.Round(float64(m.to.X-m.from.X)*share)),
		m.from.Y+int64(math.Round(float64(m.to.Y-m.from.Y)*share)),
	)
}

// straightened appends points to out but for repeated ones and those on a straight line between
// their neighbours.
func straightened(out, points []geom.Point) []geom.Point {
	for _, p := range points {
		if n := len(out); n > 0 && out[n-1] == p {
			continue
		}
		if n := len(out); n > 1 && geom.Cross(out[n-2], out[n-1], p) == 0 && forward(out[n-2], out[n-1], p) {
			out[n-1] = p
			continue
		}
		out = append(out, p)
	}
	return out
}

// forward says whether b → c goes on in the direction of a → b.
func forward(a, b, c geom.Point) bool {
	return (b.X-a.X)*(c.X-b.X)+(b.Y-a.Y)*(c.Y-b.Y) > 0
}

// Passes is the speed in µm/s with which a carriage that goes along points at a set speed, from rest to rest, passes
// the place that lies d µm along them.
func (l Limits) Passes(points []geom.Point, speed int64, d float64) float64 {
	moves := l.profile(points, speed)
	for i := range moves {
		m := &moves[i]
		if d <= m.length {
			return m.speed(m.when(d))
		}
		d -= m.length
	}
	return 0
}
