package worker

import (
	"slices"

	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/queue/broker"
)

// trace is a way around a plan that is gone while somebody holds, like any move: a hand that lets go stops it,
// and the next hold goes on from there unless the carriage was moved in between. It is whole when every
// corner was reached and the first one again.
type trace struct {
	origin geom.Point
	around []geom.Point // as it was asked for
	left   []geom.Point // corners still to reach, in machine coordinates
	at     geom.Point   // where the carriage rested
}

// onTheSpot is how far the carriage may stand from where a trace rested, per axis, to go on from there.
const onTheSpot = 100

// from is the trace that a command asks for when the carriage stands at a place: the one that was
// interrupted there, or a new one that begins at the corner that lies nearest.
func (t trace) from(c broker.SetupCommand, at geom.Point) trace {
	off := at.Sub(t.at)
	if len(t.left) > 0 && t.origin == c.Origin && slices.Equal(t.around, c.Around) && max(off.X, -off.X, off.Y, -off.Y) <= onTheSpot {
		return t
	}
	t = trace{origin: c.Origin, around: c.Around, at: at}
	t.left = moved(c.Around, c.Origin)
	first := machine.Nearest(t.left, at)
	t.left = append(slices.Clone(t.left[first:]), t.left[:first+1]...)
	return t
}

// moved are the corners of a plan in machine coordinates.
func moved(around []geom.Point, origin geom.Point) []geom.Point {
	corners := make([]geom.Point, len(around))
	for i, p := range around {
		corners[i] = p.Add(origin)
	}
	return corners
}

// rested takes in where a hold of it ended and says whether the trace is whole. What ended otherwise than by a
// hand or at its end has to be begun anew.
func (t *trace) rested(e evCarried) (whole bool) {
	if e.result.Problem != "" {
		*t = trace{origin: t.origin}
		return false
	}
	t.left, t.at = e.left, e.result.Position
	return len(e.left) == 0
}
