package contour

import (
	"cmp"
	"slices"

	"kerfgate/plan/geom"
)

// stop is a point on a segment, of all that are looked at, at which its line meets another or itself.
type stop struct {
	segment int32
	crossed int32 // −1; else it is no stop, and only says that this line is crossed there
	at      geom.Point
}

// stops are in the order of their segments.
type stops struct {
	chunks [][]stop
	late   []stop // found afterwards, in the same order
}

// none says that there is no stop.
func (s *stops) none() bool {
	return len(s.late) == 0 && !slices.ContainsFunc(s.chunks, func(c []stop) bool { return len(c) > 0 })
}

// add appends stops that were found afterwards, in any order.
func (s *stops) add(late []stop) {
	slices.SortStableFunc(late, func(a, b stop) int { return cmp.Compare(a.segment, b.segment) })
	s.late = late
}

// each visits all of them.
func (s *stops) each(visit func(stop)) {
	for _, c := range s.chunks {
		for _, one := range c {
			visit(one)
		}
	}
	for _, one := range s.late {
		visit(one)
	}
}

// take removes the stops of the segments before end from the front, and appends them to own.
func (s *stops) take(end int, own []stop) []stop {
	for len(s.chunks) > 0 {
		own, s.chunks[0] = takeFrom(s.chunks[0], end, own)
		if len(s.chunks[0]) > 0 {
			break
		}
		s.chunks[0], s.chunks = nil, s.chunks[1:]
	}
	own, s.late = takeFrom(s.late, end, own)
	return own
}

func takeFrom(from []stop, end int, own []stop) (taken, left []stop) {
	n := 0
	for n < len(from) && int(from[n].segment) < end {
		n++
	}
	return append(own, from[:n]...), from[n:]
}
