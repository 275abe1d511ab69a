package contour

import (
	"cmp"
	"math"
	"slices"

	"kerfgate/plan/geom"
)

// edge is a part of a cut line between two places where cuts meet; a closed line that meets nothing
// is one edge from a point of its own back to it.
type edge struct {
	line   int
	points []geom.Point
	// loose ends meet no cut.
	looseFirst, looseLast bool
}

// network is the cut lines divided where they meet.
type network struct {
	edges []edge
	// What number fills; divide empties it.
	segments []geom.Segment // of all edges, one after the other
	owner    []int32        // edge of each segment
	first    []int32        // of each edge, its first segment
	index    *geom.SegmentIndex
	// crossings are places where cuts of two lines cross, one of them closed.
	crossings []Place
}

// newNetwork divides the cut lines at every point that two of them share, and joins open ends to
// cuts within the tolerance.
func newNetwork(lines []Line, toleranceUM int64) (*network, error) {
	n := &network{}
	for i, l := range lines {
		if l.Op == cut {
			n.edges = append(n.edges, edge{line: i, points: l.Points, looseFirst: !l.Closed, looseLast: !l.Closed})
		}
	}
	n.number()
	meetings, err := n.meet(lines, toleranceUM)
	if err != nil {
		return nil, err
	}
	if len(meetings) > 0 {
		n.segments, n.owner, n.first, n.index = nil, nil, nil, nil
		n.divide(lines, meetings)
	}
	return n, nil
}

// indexed is the index of the segments, which is made when it is first asked for.
func (n *network) indexed() *geom.SegmentIndex {
	if n.index == nil {
		n.number()
	}
	return n.index
}

// number lists the segments of the edges and indexes them.
func (n *network) number() {
	total := 0
	for _, e := range n.edges {
		total += len(e.points) - 1
	}
	n.segments = make([]geom.Segment, 0, total)
	n.owner = make([]int32, 0, total)
	n.first = make([]int32, 0, len(n.edges))
	for i, e := range n.edges {
		n.first = append(n.first, int32(len(n.segments)))
		for k := 1; k < len(e.points); k++ {
			n.segments = append(n.segments, geom.Segment{A: e.points[k-1], B: e.points[k]})
			n.owner = append(n.owner, int32(i))
		}
	}
	n.index = geom.NewSegmentIndex(n.segments)
}

// meet finds where edges, each still a whole line, meet each other and themselves. An open end near
// a cut becomes a stop on both: the point on the cut.
func (n *network) meet(lines []Line, tolerance int64) (stops, error) {
	var found stops
	search := n.index.Search()
	closed := func(e int32) bool { return lines[n.edges[e].line].Closed }
	for a, s := range n.segments {
		ea := n.owner[a]
		search.Around(a, 0, func(b int) bool {
			if b <= a {
				return true
			}
			eb := n.owner[b]
			pa, pb := a-int(n.first[ea]), b-int(n.first[eb])
			last := len(n.edges[ea].points) - 2
			next := ea == eb && (b-a == 1 || closed(ea) && pa == 0 && pb == last)
			at, count := s.Meet(n.segments[b])
			if count == 0 || count == 1 && next {
				return true
			}
			for _, p := range at[:count] {
				// A segment's end is the next one's beginning, where it is found again.
				if p != s.B || pa == last {
					found = append(found, stop{ea, int32(pa), p})
				}
				if p != n.segments[b].B || pb == len(n.edges[eb].points)-2 {
					found = append(found, stop{eb, int32(pb), p})
				}
			}
			if o := n.segments[b]; count == 1 && ea != eb && (closed(ea) || closed(eb)) && crosses(s, o) {
				n.crossings = append(n.crossings, Place{At: at[0], Line: n.edges[ea].line, Other: n.edges[eb].line})
			}
			return true
		})
		if search.Visits > mostVisits || len(found) > mostStops {
			return nil, ErrTangled
		}
	}
	for e := range n.edges {
		if !closed(int32(e)) {
			n.edges[e].looseFirst = !n.settle(search, e, 0, tolerance, &found)
			n.edges[e].looseLast = !n.settle(search, e, len(n.edges[e].points)-1, tolerance, &found)
		}
	}
	found.sort()
	return found, nil
}

// crosses says whether each segment has its ends on both sides of the other.
func crosses(s, o geom.Segment) bool {
	apart := func(s, o geom.Segment) bool {
		a, b := geom.Cross(s.A, s.B, o.A), geom.Cross(s.A, s.B, o.B)
		return a < 0 && b > 0 || a > 0 && b < 0
	}
	return apart(s, o) && apart(o, s)
}

// settle looks for the cut nearest to an open end and says whether there is one within the
// tolerance. The end moves onto it.
func (n *network) settle(search *geom.SegmentSearch, e, end int, tolerance int64, found *stops) bool {
	p := n.edges[e].points[end]
	own := int(n.first[e]) + max(0, end-1)
	best, at, least := -1, geom.Point{}, float64(tolerance)
	search.Near(grown(geom.Box{Min: p, Max: p}, tolerance), func(s int) bool {
		// What of its own line lies close by is the line itself.
		if int(n.owner[s]) == e && nearAlong(n.edges[e].points, s-int(n.first[e]), end, 4*tolerance) {
			return true
		}
		if t, d := n.segments[s].Nearest(p); s != own && (d < least || d == least && (best < 0 || s < best)) {
			best, at, least = s, n.segments[s].At(t), d
		}
		return true
	})
	if best < 0 {
		return false
	}
	to := n.owner[best]
	*found = append(*found, stop{to, int32(best) - n.first[to], at})
	if at != p {
		points := slices.Clone(n.edges[e].points)
		points[end] = at
		n.edges[e].points = points
		// Whoever looks for this end next finds it where it is now.
		if end == 0 {
			n.segments[own].A = at
		} else {
			n.segments[own].B = at
		}
	}
	return true
}

// nearAlong says whether a segment of a polyline lies within a length along it from its first or
// last point.
func nearAlong(points []geom.Point, segment, end int, um int64) bool {
	at, step, to := end, 1, segment
	if end > 0 {
		step, to = -1, segment+1
	}
	var length float64
	for ; at != to; at += step {
		if length += geom.Distance(points[at], points[at+step]); length > float64(um) {
			return false
		}
	}
	return true
}

// divide cuts the edges at their stops and at points that are stops of others. Where edges lie on
// each other every point of one is a stop of the other, so they are equal segments: one stays.
func (n *network) divide(lines []Line, meetings stops) {
	meets := newPlaces(len(meetings) / 4)
	for _, s := range meetings {
		meets.addPoint(s.at)
	}
	out := make([]edge, 0, len(n.edges)+len(meetings)/2)
	straight := newPlaces(len(meetings) / 4)
	for e, whole := range n.edges {
		own := meetings.take(e)
		if len(own) == 0 {
			out = append(out, whole)
			continue
		}
		points := withStops(whole.points, own)
		if lines[whole.line].Closed {
			i := slices.IndexFunc(points, meets.has)
			points = geom.Rotated(points, i%(len(points)-1))
		}
		from := 0
		for i := 1; i < len(points); i++ {
			last := i == len(points)-1
			if !last && !meets.has(points[i]) {
				continue
			}
			if i-from > 1 || straight.add(wayKey(points[from], points[i])) {
				out = append(out, edge{line: whole.line, points: points[from : i+1],
					looseFirst: from == 0 && whole.looseFirst, looseLast: last && whole.looseLast})
			}
			from = i
		}
	}
	n.edges = out
}

// half-edges: 2e runs along edge e, 2e+1 back.

// start and second are the first two points of a half-edge.
func (n *network) start(h int) geom.Point {
	points := n.edges[h/2].points
	if h%2 == 0 {
		return points[0]
	}
	return points[len(points)-1]
}

func (n *network) second(h int) geom.Point {
	points := n.edges[h/2].points
	if h%2 == 0 {
		return points[1]
	}
	return points[len(points)-2]
}

// each calls visit for every segment of a half-edge in its direction.
func (n *network) each(h int, visit func(a, b geom.Point)) {
	points := n.edges[h/2].points
	if h%2 == 0 {
		for i := 1; i < len(points); i++ {
			visit(points[i-1], points[i])
		}
		return
	}
	for i := len(points) - 1; i > 0; i-- {
		visit(points[i], points[i-1])
	}
}

// length is that of a half-edge in whole µm.
func (n *network) length(h int) int64 {
	var sum float64
	n.each(h, func(a, b geom.Point) { sum += geom.Distance(a, b) })
	return int64(math.Round(sum))
}

// nodes are the places at which edges end, and the half-edges that leave each.
type nodes struct {
	at    []int32 // of each half-edge, the node that it leaves
	first []int32 // of each node, its first way in ways; one more ends the last
	ways  []int32 // half-edges by node, in the order of their angle where there are more than two
}

func (o nodes) count() int { return len(o.first) - 1 }

// around finds the nodes, in the order of their points.
func (n *network) around() nodes {
	keys := make([]geom.Keyed, 2*len(n.edges))
	for h := range keys {
		keys[h] = geom.Keyed{Key: geom.PointKey(n.start(h)), Item: int32(h)}
	}
	geom.SortKeyed(keys)
	o := nodes{at: make([]int32, len(keys)), ways: make([]int32, len(keys)), first: make([]int32, 0, len(keys)/2+1)}
	for i := 0; i < len(keys); {
		k := i
		for ; k < len(keys) && keys[k].Key == keys[i].Key; k++ {
			o.ways[k] = keys[k].Item
			o.at[keys[k].Item] = int32(len(o.first))
		}
		if ways := o.ways[i:k]; len(ways) > 2 {
			slices.SortFunc(ways, func(a, b int32) int {
				at := n.start(int(a))
				return cmp.Or(compareAngles(n.second(int(a)).Sub(at), n.second(int(b)).Sub(at)), cmp.Compare(a, b))
			})
		}
		o.first = append(o.first, int32(i))
		i = k
	}
	o.first = append(o.first, int32(len(keys)))
	return o
}

// compareAngles orders directions anticlockwise from the one to the right.
func compareAngles(p, q geom.Point) int {
	lower := func(d geom.Point) bool { return d.Y < 0 || d.Y == 0 && d.X < 0 }
	if lower(p) != lower(q) {
		if lower(p) {
			return 1
		}
		return -1
	}
	return -cmp.Compare(p.X*q.Y-p.Y*q.X, 0)
}

// hit is where a ray to the left first meets a segment.
type hit struct {
	segment  int
	x, slope float64
}

// left follows a ray from p to the left, a hair above p.Y, to the first segment that skip leaves.
func (n *network) left(search *geom.SegmentSearch, p geom.Point, leastX int64, skip func(segment int) bool) (hit, bool) {
	best := hit{segment: -1}
	for reach := int64(1000); ; reach *= 4 {
		box := geom.Box{Min: geom.Pt(p.X-reach, p.Y), Max: p}
		search.Near(box, func(s int) bool {
			a, b := n.segments[s].A, n.segments[s].B
			if a.Y > b.Y {
				a, b = b, a
			}
			if p.Y < a.Y || p.Y >= b.Y || geom.Cross(a, b, p) >= 0 || skip(s) {
				return true
			}
			slope := float64(b.X-a.X) / float64(b.Y-a.Y)
			x := float64(a.X) + float64(slope*float64(p.Y-a.Y))
			if best.segment < 0 || x > best.x || x == best.x && (slope > best.slope || slope == best.slope && s < best.segment) {
				best = hit{s, x, slope}
			}
			return true
		})
		if best.segment >= 0 && best.x >= float64(p.X-reach) || p.X-reach < leastX {
			return best, best.segment >= 0
		}
		best = hit{segment: -1}
	}
}
