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
	meets, ways, err := selfMeetings(lines)
	if err != nil {
		return nil, 0, 0, err
	}
	out = make([]worked, 0, len(lines))
	next := 0 // among the suspects
	var own []stop
	for _, l := range lines {
		own = own[:0]
		first, end := 0, 0
		if l.mayMeetItself() {
			first, end = ways.Segments(next)
			own = meets.take(end, own)
			next++
		}
		if len(own) == 0 {
			l.suspect = false
			out = append(out, l)
			continue
		}
		loops, rest, lost := loopsOf(withStops(nil, l.Points, first, own), l.Closed, toleranceUM)
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

// mayMeetItself says whether that has to be looked at.
func (l *worked) mayMeetItself() bool { return l.Op == cut && l.suspect }

// selfMeetings gives the points where suspect cut lines meet themselves, other than from one segment
// to the next, and those lines.
func selfMeetings(lines []worked) (stops, *geom.Polylines, error) {
	ways := &geom.Polylines{}
	var closed []bool
	some, points := 0, 0
	for i := range lines {
		if lines[i].mayMeetItself() {
			some++
			points += len(lines[i].Points)
		}
	}
	ways.Grow(some, points)
	for i := range lines {
		if l := &lines[i]; l.mayMeetItself() {
			ways.Add(l.Points)
			closed = append(closed, l.Closed)
		}
	}
	index := geom.NewSegmentIndex(ways)
	found, err := lookAtAll(ways.Len(), mostStops, func() look[stop] {
		search := index.Search()
		return look[stop]{[]*geom.SegmentSearch{search}, func(a int, found []stop) []stop {
			s, line := ways.Segment(a), ways.Of[a]
			first, end := ways.Segments(int(line))
			search.Around(a, 0, func(b int) bool {
				if a == b || ways.Of[b] != line {
					return true
				}
				at, n := s.Meet(ways.Segment(b))
				if n == 0 || n == 1 && neighbours(a, b, first, end, closed[line]) {
					return true
				}
				for _, p := range at[:n] {
					found = append(found, stop{int32(a), -1, p})
				}
				return true
			})
			return found
		}}
	})
	return stops{chunks: found}, ways, err
}

// neighbours says whether the segments a and b of a line, whose segments go from first to before end,
// follow each other.
func neighbours(a, b, first, end int, closed bool) bool {
	return a-b == 1 || b-a == 1 || closed && min(a, b) == first && max(a, b) == end-1
}

// withStops appends the polyline with the stops among its points; first is the number of its first
// segment.
func withStops(out, points []geom.Point, first int, stops []stop) []geom.Point {
	slices.SortFunc(stops, func(a, b stop) int {
		if a.segment != b.segment {
			return cmp.Compare(a.segment, b.segment)
		}
		from := points[int(a.segment)-first]
		da, db := a.at.Sub(from), b.at.Sub(from)
		return cmp.Or(cmp.Compare(da.X*da.X+da.Y*da.Y, db.X*db.X+db.Y*db.Y), geom.Compare(a.at, b.at))
	})
	out = slices.Grow(out, len(points)+len(stops))
	begin := len(out)
	add := func(p geom.Point) {
		if n := len(out); n == begin || out[n-1] != p {
			out = append(out, p)
		}
	}
	for k, p := range points {
		add(p)
		for len(stops) > 0 && int(stops[0].segment)-first == k {
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
