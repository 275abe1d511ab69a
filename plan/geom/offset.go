package geom

import "math"

// Offset moves the boundary of the region that Settle(rings, Positive) gives by byUM: outwards where
// it is positive, so that the region grows and its holes shrink, inwards where it is negative. Round
// corners are followed by chords that lie at most toleranceUM (at least 1 µm) off the arc, points
// within a micrometre of a straight line are passed over, and every point is rounded to the grid; so
// parts, gaps and tips thinner than about three micrometres may be left out. The result has the form
// of Settle's: parts that meet have become one, parts that came apart are several, and what vanished
// is not there.
//
// Coordinates may reach ±MostCoordinateUM, less what they are moved by. The only error is
// ErrCrossings.
func Offset(rings [][]Point, byUM, toleranceUM int64) ([][]Point, error) {
	settled, err := Settle(rings, Positive)
	if err != nil {
		return nil, err
	}
	return OffsetSettled(settled, byUM, toleranceUM)
}

// OffsetSettled is Offset of what Settle, Offset, Union, Difference or Intersect gave: it need not be settled
// again.
func OffsetSettled(settled [][]Point, byUM, toleranceUM int64) ([][]Point, error) {
	moved, _, err := offsetSettled(settled, byUM, toleranceUM)
	return moved, err
}

// offsetSettled is OffsetSettled; plain says that one simple ring became one, and that each edge kept a part
// beside it.
func offsetSettled(settled [][]Point, byUM, toleranceUM int64) (moved [][]Point, plain bool, err error) {
	plain = len(settled) == 1
	if byUM == 0 {
		return settled, plain, nil
	}
	if thin, changed := thinned(settled, thinUM); changed {
		var alone bool
		if settled, alone, err = settle(thin, Positive); err != nil {
			return nil, false, err
		}
		plain = plain && alone && len(settled) == 1
	}
	raw := make([][]Point, 0, len(settled))
	for _, ring := range settled {
		points, whole := parallel(ring, float64(byUM), float64(max(1, toleranceUM)))
		raw = append(raw, points)
		plain = plain && whole
	}
	moved, alone, err := settle(raw, Positive)
	return moved, plain && alone && len(moved) == 1, err
}

// Aside is what becomes of a ring that is moved.
type Aside struct {
	Region [][]Point // what the ring surrounds, as Settle gives it
	Simple bool      // the ring is that region's boundary
	Moved  [][]Point // the region's boundary, moved, as Offset gives it
	// Plain says that the ring meets nothing, itself least of all, before or after it is moved: then one
	// ring came of it, every edge kept a part beside it, and moving it back gives the ring itself but for
	// the corners that close, which lose at most mostLost ways of their edges.
	Plain bool
}

// AsideOf is Settle of one ring, by NonZero, and Offset of what that gives.
func AsideOf(ring []Point, byUM, toleranceUM int64) (a Aside, err error) {
	if a.Region, a.Simple, err = settle([][]Point{ring}, NonZero); err != nil {
		return a, err
	}
	a.Moved, a.Plain, err = offsetSettled(a.Region, byUM, toleranceUM)
	a.Plain = a.Plain && a.Simple
	return a, err
}

// thinUM is how far a point may lie off a straight line and be passed over: about as far as rounding
// to the grid may have put it.
const thinUM = 1

// direction is a unit vector where nothing else is said. Only the four operations and square roots make one, each rounded by
// itself, so that it is the same on every target.
type direction struct{ x, y float64 }

func unit(x, y float64) direction {
	l := math.Sqrt(float64(x*x) + float64(y*y))
	return direction{x / l, y / l}
}

// parallel follows a settled ring at the distance d on its right (left where d is negative) and
// crosses itself freely. Seen as areas, every edge sweeps a rectangle and every corner that opens a
// wedge, and the winding number counts how often a point was swept: the sum is over zero (where d is
// negative: under one) exactly on what was swept. A corner that closes is passed through the corner
// itself, which sweeps nothing. Where both its edges are long it is passed where their sides meet
// instead: each rectangle is cut off along the line that halves the corner, and what it loses lies
// nearer to the other edge, whose rectangle keeps it. So whatever is within d of the ring still counts
// for the edge that is nearest to it. A corner that opens so little that its arc needs no point gets
// that one point too.
//
// whole says that every edge kept a part of its side, and that no corner lost more than mostLost.
func parallel(ring []Point, d, tolerance float64) (out []Point, whole bool) {
	n := len(ring) - 1 // the last point repeats the first
	out, whole = make([]Point, 0, 2*n), true
	size := math.Abs(d)
	sag := min(tolerance/size, 0.25)
	put := func(b Point, u direction, d float64) {
		out = append(out, Pt(b.X+rounded(float64(u.x*d)), b.Y+rounded(float64(u.y*d))))
	}
	for i := range n {
		a, b, c := ring[(i+n-1)%n], ring[i], ring[i+1]
		e1, e2 := b.Sub(a), c.Sub(b)
		u := unit(float64(e1.Y), float64(-e1.X))
		v := unit(float64(e2.Y), float64(-e2.X))
		turn := Cross(Point{}, e1, e2)
		opens := (turn > 0) == (d > 0)
		half := cosineOfHalf(u, v)
		tangent := tangentOfHalf(u, v)
		switch {
		case opens && 1-half <= sag, !opens && float64(2*size*tangent) <= min(Distance(a, b), Distance(b, c)):
			whole = whole && (opens || tangent <= mostLost)
			put(b, unit(u.x+v.x, u.y+v.y), d/half)
		case opens:
			put(b, u, d)
			arc(u, v, turn > 0, sag, func(m direction) { put(b, m, d) })
			put(b, v, d)
		default:
			whole = false
			put(b, u, d)
			out = append(out, b)
			put(b, v, d)
		}
	}
	return out, whole
}

// mostLost is how much of its edges a corner that closes may lose in Aside, in ways moved: 2 are a
// turn of 127°.
const mostLost = 2

// tangentOfHalf is that of half the turn from u to v, without sign; huge where they are opposite.
func tangentOfHalf(u, v direction) float64 {
	return math.Abs(float64(u.x*v.y)-float64(u.y*v.x)) / max(1e-12, 1+float64(u.x*v.x)+float64(u.y*v.y))
}

// cosineOfHalf is that of half the turn from u to v: half their sum is as long.
func cosineOfHalf(u, v direction) float64 {
	x, y := u.x+v.x, u.y+v.y
	return float64(math.Sqrt(float64(x*x)+float64(y*y)) / 2)
}

// arc gives the directions between u and v, turning left or right, by halving until no chord is
// further than sag radii (below 0.75) from the arc.
func arc(u, v direction, left bool, sag float64, visit func(direction)) {
	half := cosineOfHalf(u, v)
	if 1-half <= sag {
		return
	}
	var m direction
	switch {
	case half > 0.25:
		m = unit(u.x+v.x, u.y+v.y)
	case left: // nearly half a turn: the sum says little
		m = unit(v.y-u.y, u.x-v.x)
	default:
		m = unit(u.y-v.y, v.x-u.x)
	}
	arc(u, m, left, sag, visit)
	visit(m)
	arc(m, v, left, sag, visit)
}
