package contour

import (
	"cmp"
	"slices"

	"kerfgate/plan/geom"
)

// split makes simple loops of cut lines that meet themselves: every way from a point back to it
// becomes a closed line of its own, so that what lies within comes first and each piece has its
// outline. Loops no wider and higher than the tolerance are left out: all of such a loop lies within
// it of a point that stays. count is the number of lines divided; lostUM the length of ways there
// and back over the same edge, and of small loops.
func split(lines []worked, toleranceUM int64) (out []worked, count int, lostUM float64, err error) {
	meets, err := selfMeetings(lines)
	if err != nil {
		return nil, 0, 0, err
	}
	for i, l := range lines {
		own := meets.take(i)
		if len(own) == 0 {
			l.suspect = false
			out = append(out, l)
			continue
		}
		loops, rest, lost := loopsOf(withStops(l.Points, own), l.Closed, toleranceUM)
		lostUM += lost
		parts := 0
		for _, points := range append(loops, rest) {
			if len(points) < 2 {
				continue
			}
			closed := len(points) > 3 && points[0] == points[len(points)-1]
			out = append(out, worked{Line: Line{l.Group, l.Op, closed, points}})
			parts++
		}
		if parts > 1 || lost > 0 {
			count++
		}
	}
	return out, count, lostUM, nil
}

// stop is a point on a segment of a line at which the line meets another or itself.
type stop struct {
	line, segment int32 // the segment counts within the line
	at            geom.Point
}

// stops are sorted by line, and within it by segment, before any is taken.
type stops []stop

func (s *stops) sort() {
	keys := make([]geom.Keyed, len(*s))
	for i, stop := range *s {
		keys[i] = geom.Keyed{Key: uint64(stop.line)<<32 | uint64(stop.segment), Item: int32(i)}
	}
	geom.SortKeyed(keys)
	sorted := make(stops, len(keys))
	for i, k := range keys {
		sorted[i] = (*s)[k.Item]
	}
	*s = sorted
}

// take removes the stops of a line from the front and gives them; lines are taken in their order.
func (s *stops) take(line int) []stop {
	n := 0
	for n < len(*s) && int((*s)[n].line) == line {
		n++
	}
	own := (*s)[:n:n]
	*s = (*s)[n:]
	return own
}

// selfMeetings gives the points where suspect cut lines meet themselves, other than from one segment
// to the next.
func selfMeetings(lines []worked) (stops, error) {
	var segments []geom.Segment
	var owner, place []int32
	for i, l := range lines {
		if l.Op != cut || !l.suspect {
			continue
		}
		for k := 1; k < len(l.Points); k++ {
			segments = append(segments, geom.Segment{A: l.Points[k-1], B: l.Points[k]})
			owner = append(owner, int32(i))
			place = append(place, int32(k-1))
		}
	}
	var meets stops
	search := geom.NewSegmentIndex(segments).Search()
	for a, s := range segments {
		line := int(owner[a])
		last := int32(len(lines[line].Points) - 2)
		search.Around(a, 0, func(b int) bool {
			if b <= a || owner[b] != owner[a] {
				return true
			}
			at, n := s.Meet(segments[b])
			next := place[b]-place[a] == 1 || lines[line].Closed && place[a] == 0 && place[b] == last
			if n == 0 || n == 1 && next {
				return true
			}
			for _, p := range at[:n] {
				meets = append(meets, stop{owner[a], place[a], p}, stop{owner[a], place[b], p})
			}
			return true
		})
		if search.Visits > mostVisits || len(meets) > mostStops {
			return nil, ErrTangled
		}
	}
	meets.sort()
	return meets, nil
}

// withStops is the polyline with the stops among its points.
func withStops(points []geom.Point, stops []stop) []geom.Point {
	slices.SortFunc(stops, func(a, b stop) int {
		if a.segment != b.segment {
			return cmp.Compare(a.segment, b.segment)
		}
		from := points[a.segment]
		da, db := a.at.Sub(from), b.at.Sub(from)
		return cmp.Or(cmp.Compare(da.X*da.X+da.Y*da.Y, db.X*db.X+db.Y*db.Y), geom.Compare(a.at, b.at))
	})
	out := make([]geom.Point, 0, len(points)+len(stops))
	add := func(p geom.Point) {
		if n := len(out); n == 0 || out[n-1] != p {
			out = append(out, p)
		}
	}
	for k, p := range points {
		add(p)
		for len(stops) > 0 && int(stops[0].segment) == k {
			add(stops[0].at)
			stops = stops[1:]
		}
	}
	return out
}

// loopsOf takes out of a polyline every way from a point back to it, innermost first. rest is what
// stays, with fewer than two points when nothing does. A way there and back over one edge stays
// once, as a line of two points among the loops.
func loopsOf(points []geom.Point, closed bool, tolerance int64) (loops [][]geom.Point, rest []geom.Point, lost float64) {
	same := namesakes(points)
	place := make([]int32, len(points)) // on rest, from 1, of the first point of each place
	var names []int32                   // of the points on rest
	for i, p := range points {
		if k := int(place[same[i]]) - 1; k >= 0 {
			loop := append(slices.Clone(rest[k:]), p)
			for _, q := range names[k+1:] {
				place[q] = 0
			}
			rest, names = rest[:k+1], names[:k+1]
			box, _ := geom.BoxOf(loop...)
			whole := closed && i == len(points)-1 && k == 0
			switch {
			case !whole && max(box.Width(), box.Height()) <= tolerance:
				lost += float64(geom.Length(loop))
			case len(loop) == 3:
				lost += geom.Distance(loop[0], loop[1])
				loops = append(loops, loop[:2])
			default:
				loops = append(loops, loop)
			}
			continue
		}
		rest, names = append(rest, p), append(names, same[i])
		place[same[i]] = int32(len(rest))
	}
	return loops, rest, lost
}

// namesakes gives for every point the first one that lies at the same place.
func namesakes(points []geom.Point) []int32 {
	keys := make([]geom.Keyed, len(points))
	for i, p := range points {
		keys[i] = geom.Keyed{Key: geom.PointKey(p), Item: int32(i)}
	}
	geom.SortKeyed(keys)
	out := make([]int32, len(points))
	var first geom.Keyed
	for i, k := range keys {
		if i == 0 || k.Key != first.Key {
			first = k
		}
		out[k.Item] = first.Item
	}
	return out
}
