package kerf

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"

	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
)

// RunInNeedUM is how long a run-in must be so that a slow tool is on, at the work speed, when the
// contour begins: v·(on delay + jitter) + v²/2a, in µm rounded up, where the command may go out once
// the carriage has reached v (own). acceleration is that of the slower axis.
func RunInNeedUM(s machine.Switch, speedUMPerS, accelUMPerS2 int64) (int64, error) {
	if speedUMPerS <= 0 || accelUMPerS2 <= 0 {
		return 0, errors.New("a run-in needs a speed and an acceleration over 0")
	}
	v, a := float64(speedUMPerS), float64(accelUMPerS2)
	wait := float64(v*float64(s.OnDelayMS+s.JitterMS)) / 1000
	return int64(math.Ceil(wait + float64(v*v)/(2*a))), nil
}

// Sheet knows all cut lines of a sheet, so that run-ins can keep clear of them.
type Sheet struct {
	bounds geom.Box // where the carriage may go
	lines  geom.Polylines
	search *geom.SegmentSearch
}

// NewSheet takes every line that a run-in must not touch, the contours that are run into among them,
// and the box that the carriage may go in, in the same coordinates. It is for one goroutine.
func NewSheet(lines [][]geom.Point, bounds geom.Box) *Sheet {
	s := &Sheet{bounds: bounds}
	points := 0
	for _, line := range lines {
		points += len(line)
	}
	s.lines.Grow(len(lines), points)
	for _, line := range lines {
		if len(line) > 0 {
			s.lines.Add(line)
		}
	}
	s.search = geom.NewSegmentIndex(&s.lines).Search()
	return s
}

// RunIn is a way into a contour over waste.
type RunIn struct {
	From    geom.Point   // where the way begins, at rest
	Contour []geom.Point // the ring from the point where the way meets it, back to that point
	// LengthUM is how long the way is: what was asked for, or the longest that there is.
	LengthUM int64
	// Straight says that the way goes on into the contour without a turn.
	Straight bool
}

// ErrNoWaste says that no way into a contour leads over waste.
var ErrNoWaste = errors.New("there is no waste to run in over")

// approaches are the angles between the way in and the contour, flattest first, as cosine and sine of
// whole triangles, so that no target computes another direction.
var approaches = []struct{ cos, sin float64 }{{1, 0}, {0.96, 0.28}, {0.8, 0.6}, {0.6, 0.8}, {0, 1}, {-0.6, 0.8}}

// mostStarts bounds how many points of a contour are tried at each angle.
const mostStarts = 400

// RunIn finds a straight way of needUM into the ring, whose pieces lie on its left, over the waste on
// its right. It touches no line of the sheet but where it meets the ring, and stays in the bounds. A
// way that goes on straight is taken before one with a turn, and of equal ones that at the sharpest
// corner, where the mark of a start shows least. Where nothing is long enough it is the longest way
// there is; the caller compares LengthUM. ErrNoWaste means that there is none of a micrometre, so that
// the tool goes on while the carriage rests.
func (s *Sheet) RunIn(ring []geom.Point, needUM int64) (RunIn, error) {
	n := len(ring) - 1
	if n < 3 || ring[0] != ring[n] {
		return RunIn{}, errors.New("a run-in leads into a closed ring")
	}
	if needUM < 1 || needUM > geom.MostCoordinateUM/2 {
		return RunIn{}, fmt.Errorf("a run-in of %d µm is asked for; 1 to %d are possible", needUM, geom.MostCoordinateUM/2)
	}
	var best RunIn
	var at start
	starts := startsOf(ring)
	for _, angle := range approaches {
		for _, c := range starts {
			l := geom.Distance(c.at, c.last.B)
			ux, uy := float64(c.last.B.X-c.at.X)/l, float64(c.last.B.Y-c.at.Y)/l
			// From the start against the way of the edge that leaves, turned towards the right.
			bx := -float64(ux*angle.cos) + float64(uy*angle.sin)
			by := -float64(uy*angle.cos) - float64(ux*angle.sin)
			from := geom.Pt(c.at.X+nearestWhole(bx*float64(needUM)), c.at.Y+nearestWhole(by*float64(needUM)))
			if !overWaste(c.first.A, c.at, c.last.B, from, angle.sin == 0) {
				continue
			}
			free, length := s.free(c, from)
			found := RunIn{From: free, LengthUM: length, Straight: angle.sin == 0}
			if free == from {
				found.Contour = startingAt(ring, c)
				return found, nil
			}
			if length > best.LengthUM {
				best, at = found, c
			}
		}
	}
	if best.LengthUM == 0 {
		return RunIn{}, ErrNoWaste
	}
	best.Contour = startingAt(ring, at)
	return best, nil
}

// start is a point of a ring with the edges that arrive and leave there; in the middle of an edge it
// is the same one.
type start struct {
	at          geom.Point
	first, last geom.Segment
	edge        int // of the ring, the one that leaves
	turn        int64
}

// startsOf gives the corners of a ring, sharpest first, then in the ring's order, then the middles of
// its edges; no more than mostStarts edges are looked at, spread over the ring where they are many.
func startsOf(ring []geom.Point) []start {
	n := len(ring) - 1
	step := (n + mostStarts - 1) / mostStarts
	var starts, middles []start
	for i := 0; i < n; i += step {
		first, last := geom.Segment{A: ring[(i+n-1)%n], B: ring[i]}, geom.Segment{A: ring[i], B: ring[i+1]}
		a, b := first.B.Sub(first.A), last.B.Sub(last.A)
		cos := float64(a.X*b.X+a.Y*b.Y) / float64(geom.Distance(first.A, first.B)*geom.Distance(last.A, last.B))
		starts = append(starts, start{at: ring[i], first: first, last: last, edge: i, turn: nearestWhole(1000 * cos)})
		if m := last.At(0.5); m != last.A && m != last.B {
			middles = append(middles, start{at: m, first: last, last: last, edge: i})
		}
	}
	slices.SortStableFunc(starts, func(a, b start) int { return cmp.Compare(a.turn, b.turn) })
	return append(starts, middles...)
}

// overWaste says whether the way from the corner p towards from leaves it on the right of the ring
// that comes from before and goes to after. A straight way may miss the line of the first edge by the
// rounding of from.
func overWaste(before, p, after, from geom.Point, straight bool) bool {
	fromFirst := geom.Cross(p, after, from) < 0 // right of the edge that leaves
	fromLast := geom.Cross(before, p, from) < 0 // right of the edge that arrives
	if geom.Cross(before, p, after) > 0 {       // a left turn: waste is more than half the plane
		return fromFirst || fromLast
	}
	return !straight && fromFirst && fromLast
}

// free follows the way from a start towards from and stops a micrometre before it would touch a line
// or leave the bounds. The edges that meet in the start are passed over: overWaste has judged them.
func (s *Sheet) free(c start, from geom.Point) (geom.Point, int64) {
	p := c.at
	way := geom.Segment{A: p, B: from}
	total := geom.Distance(p, from)
	reach := total
	for _, side := range []struct{ from, to, least, most int64 }{
		{p.X, from.X, s.bounds.Min.X, s.bounds.Max.X}, {p.Y, from.Y, s.bounds.Min.Y, s.bounds.Max.Y},
	} {
		switch d := side.to - side.from; {
		case side.from < side.least || side.from > side.most:
			return p, 0
		case side.to > side.most:
			reach = min(reach, total*float64(side.most-side.from)/float64(d)-1)
		case side.to < side.least:
			reach = min(reach, total*float64(side.least-side.from)/float64(d)-1)
		}
	}
	s.search.Near(way.Box(), func(k int) bool {
		o := s.lines.Segment(k)
		if o == c.first || o == c.last || o.A == o.B {
			return true
		}
		points, count := way.Meet(o)
		for _, m := range points[:count] {
			reach = min(reach, geom.Distance(p, m)-2) // the meeting point is rounded too
		}
		return true
	})
	if reach >= total {
		return from, int64(math.Round(total))
	}
	if reach < 1 {
		return p, 0
	}
	end := way.At(reach / total)
	return end, int64(math.Round(geom.Distance(p, end)))
}

// startingAt is the closed ring from the start on.
func startingAt(ring []geom.Point, c start) []geom.Point {
	n := len(ring) - 1
	out := make([]geom.Point, 0, n+2)
	if c.at != ring[c.edge] { // in the middle of the edge: its end comes next
		out = append(out, c.at)
		out = append(out, ring[c.edge+1:n]...)
		out = append(out, ring[:c.edge+1]...)
		return append(out, c.at)
	}
	out = append(out, ring[c.edge:n]...)
	return append(out, ring[:c.edge+1]...)
}

func nearestWhole(v float64) int64 { return int64(math.Round(v)) }
