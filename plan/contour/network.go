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
	line     int32
	from, to int32 // nodes
	// loose ends meet no cut.
	looseFirst, looseLast bool
}

// network is the cut lines divided where they meet.
type network struct {
	edges []edge
	ways  geom.Polylines // those of the edges
	nodes int            // places where edges end
	index *geom.SegmentIndex
	// crossings are places where cuts of two lines cross, one of them closed.
	crossings []Place
}

// newNetwork divides the cut lines at every point that two of them share, and joins open ends to
// cuts within the tolerance. Crossings are listed where they are wanted.
func newNetwork(lines []Line, toleranceUM int64, crossings bool) (*network, error) {
	n := &network{}
	some, points := 0, 0
	for _, l := range lines {
		if l.Op == cut {
			some++
			points += len(l.Points)
		}
	}
	n.edges = make([]edge, 0, some)
	n.ways.Grow(some, points)
	for i, l := range lines {
		if l.Op == cut {
			n.ways.Add(l.Points)
			n.whole(edge{line: int32(i), looseFirst: !l.Closed, looseLast: !l.Closed}, l.Closed)
		}
	}
	meetings, err := n.meet(lines, toleranceUM, crossings)
	if err != nil {
		return nil, err
	}
	if !meetings.none() {
		n.index = nil
		n.divide(lines, meetings)
	}
	return n, nil
}

// whole adds an edge whose ends are nodes of their own, or one where it is closed.
func (n *network) whole(e edge, closed bool) {
	e.from, e.to = int32(n.nodes), int32(n.nodes)
	if !closed {
		e.to++
	}
	n.nodes = int(e.to) + 1
	n.edges = append(n.edges, e)
}

// indexed is the index of the segments, which is made when it is first asked for.
func (n *network) indexed() *geom.SegmentIndex {
	if n.index == nil {
		n.index = geom.NewSegmentIndex(&n.ways)
	}
	return n.index
}

// meet finds where edges, each still a whole line, meet each other and themselves. An open end near
// a cut becomes a stop on both: the point on the cut.
func (n *network) meet(lines []Line, tolerance int64, crossings bool) (stops, error) {
	closed := func(e int32) bool { return lines[n.edges[e].line].Closed }
	touched := make([]bool, 2*len(n.edges)) // of the ends of each edge: another leads through it
	index := n.indexed()
	found, err := lookAtAll(n.ways.Len(), mostStops, func() look[stop] {
		search := index.Search()
		return look[stop]{[]*geom.SegmentSearch{search}, func(a int, found []stop) []stop {
			s, ea := n.ways.Segment(a), n.ways.Of[a]
			first, end := n.ways.Segments(int(ea))
			search.Around(a, 0, func(b int) bool {
				if a == b {
					return true
				}
				o, eb := n.ways.Segment(b), n.ways.Of[b]
				at, count := s.Meet(o)
				if count == 0 || count == 1 && ea == eb && neighbours(a, b, first, end, closed(ea)) {
					return true
				}
				for _, p := range at[:count] {
					// A segment's end is the next one's beginning, where it is found again.
					if p != s.B || a == end-1 {
						found = append(found, stop{int32(a), -1, p})
					}
				}
				if ea == eb {
					return true
				}
				if count == 1 && crosses(s, o) {
					if crossings && a < b && (closed(ea) || closed(eb)) {
						found = append(found, stop{int32(a), n.edges[eb].line, at[0]})
					}
					return true
				}
				if a == first && slices.Contains(at[:count], s.A) {
					touched[2*ea] = true
				}
				if a == end-1 && slices.Contains(at[:count], s.B) {
					touched[2*ea+1] = true
				}
				return true
			})
			return found
		}}
	})
	if err != nil {
		return stops{}, err
	}
	meets := stops{chunks: found}
	if crossings {
		n.tell(meets)
	}
	meets.add(n.settleAll(lines, touched, tolerance))
	return meets, nil
}

// tell takes the crossings out of the stops and lists them.
func (n *network) tell(meets stops) {
	for i, c := range meets.chunks {
		meets.chunks[i] = slices.DeleteFunc(c, func(s stop) bool {
			if s.crossed >= 0 {
				line := n.edges[n.ways.Of[s.segment]].line
				n.crossings = append(n.crossings, Place{At: s.at, Line: int(line), Other: int(s.crossed)})
			}
			return s.crossed >= 0
		})
	}
}

// settleAll moves open ends onto the cuts that lie within the tolerance, says which ends are loose, and gives
// the stops of those cuts. An end that another edge leads through lies there already, as long as none has moved.
func (n *network) settleAll(lines []Line, touched []bool, tolerance int64) (found []stop) {
	search := n.indexed().Search()
	moved := false
	for e := range n.edges {
		if lines[n.edges[e].line].Closed {
			continue
		}
		for end, loose := range []*bool{&n.edges[e].looseFirst, &n.edges[e].looseLast} {
			if touched[2*e+end] && !moved {
				*loose = false
				continue
			}
			to, ok := n.nearby(search, e, end, tolerance)
			if *loose = !ok; !ok {
				continue
			}
			found = append(found, to)
			if p := n.end(e, end); *p != to.at {
				*p, moved = to.at, true // whoever looks for this end next finds it where it is now
			}
		}
	}
	return found
}

// end is the first point of an edge or, for 1, its last.
func (n *network) end(e, end int) *geom.Point {
	points := n.ways.Line(e)
	return &points[end*(len(points)-1)]
}

// crosses says whether each segment has its ends on both sides of the other.
func crosses(s, o geom.Segment) bool {
	apart := func(s, o geom.Segment) bool {
		a, b := geom.Cross(s.A, s.B, o.A), geom.Cross(s.A, s.B, o.B)
		return a < 0 && b > 0 || a > 0 && b < 0
	}
	return apart(s, o) && apart(o, s)
}

// nearby looks for the cut nearest to an open end, and gives the place on it if it lies within the
// tolerance.
func (n *network) nearby(search *geom.SegmentSearch, e, end int, tolerance int64) (to stop, ok bool) {
	p := *n.end(e, end)
	first, last := n.ways.Segments(e)
	own, points := first+end*(last-1-first), n.ways.Line(e)
	best, at, least := -1, geom.Point{}, float64(tolerance)
	search.Near(grown(geom.Box{Min: p, Max: p}, tolerance), func(s int) bool {
		// What of its own line lies close by is the line itself.
		if int(n.ways.Of[s]) == e && nearAlong(points, s-first, end*(len(points)-1), 4*tolerance) {
			return true
		}
		segment := n.ways.Segment(s)
		if t, d := segment.Nearest(p); s != own && (d < least || d == least && (best < 0 || s < best)) {
			best, at, least = s, segment.At(t), d
		}
		return true
	})
	return stop{int32(best), -1, at}, best >= 0
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
func (n *network) divide(lines []Line, meets stops) {
	count := 0
	meets.each(func(stop) { count++ })
	d := divider{network: n, places: newPlaces(count / 4), straight: newPlaces(count / 4)}
	meets.each(func(s stop) { d.places.add(geom.PointKey(s.at)) })
	whole := *n
	whole.ways.Of = nil // what is cut is found by its first point
	n.nodes = d.places.count
	n.edges = make([]edge, 0, len(whole.edges)+2*n.nodes)
	n.ways = geom.Polylines{} // with room for nodes of two lines that have no point there yet
	n.ways.Grow(cap(n.edges), len(whole.ways.Points)+4*n.nodes)
	var own []stop
	var points []geom.Point
	for e, was := range whole.edges {
		first, end := whole.ways.Segments(e)
		own = meets.take(end, own[:0])
		closed := lines[was.line].Closed
		if len(own) == 0 {
			d.keep(was, whole.ways.Line(e), closed)
			continue
		}
		points = withStops(points[:0], whole.ways.Line(e), first, own)
		d.cut(was, points, closed)
	}
}

// divider fills a network with the parts of whole edges.
type divider struct {
	*network
	places   *places // where edges are cut: nodes by their points
	straight *places // edges of one segment, by their nodes
	at       []int32 // of each point of the edge that is being cut: its node, −1 for none
	way      []geom.Point
}

// node is that of a point, a new one where nothing is cut.
func (d *divider) node(at int32) int32 {
	if at >= 0 {
		return at
	}
	d.nodes++
	return int32(d.nodes - 1)
}

// keep adds an edge as it is.
func (d *divider) keep(e edge, points []geom.Point, closed bool) {
	e.from = d.node(d.places.number(geom.PointKey(points[0])))
	if e.to = e.from; !closed {
		e.to = d.node(d.places.number(geom.PointKey(points[len(points)-1])))
	}
	d.edges = append(d.edges, e)
	d.ways.Add(points)
}

// cut adds an edge in parts. A closed one is begun at the first place where it is cut.
func (d *divider) cut(whole edge, points []geom.Point, closed bool) {
	d.at = d.at[:0]
	for _, p := range points {
		d.at = append(d.at, d.places.number(geom.PointKey(p)))
	}
	begin, last := 0, len(points)-1
	if closed {
		begin = slices.IndexFunc(d.at, func(node int32) bool { return node >= 0 }) % last
	}
	part := edge{line: whole.line, from: d.node(d.at[begin]), looseFirst: whole.looseFirst}
	placed := d.at[begin] >= 0
	d.way = append(d.way[:0], points[begin])
	for k := 1; k <= last; k++ {
		i := begin + k
		if i > last {
			i -= last // the last point is the first
		}
		d.way = append(d.way, points[i])
		if k < last && d.at[i] < 0 {
			continue
		}
		part.to, part.looseLast = d.node(d.at[i]), k == last && whole.looseLast
		if len(d.way) > 2 || !placed || d.at[i] < 0 || d.straight.add(wayKey(part.from, part.to)) {
			d.edges = append(d.edges, part)
			d.ways.Add(d.way)
		}
		part, placed = edge{line: whole.line, from: part.to}, true
		d.way = append(d.way[:0], points[i])
	}
}

// wayKey is the same for both directions between two nodes.
func wayKey(a, b int32) uint64 { return uint64(min(a, b))<<32 | uint64(max(a, b)) }

// half-edges: 2e runs along edge e, 2e+1 back.

// leaves is the node that a half-edge leaves.
func (n *network) leaves(h int32) int32 {
	if h%2 == 0 {
		return n.edges[h/2].from
	}
	return n.edges[h/2].to
}

// start and second are the first two points of a half-edge.
func (n *network) start(h int) geom.Point {
	points := n.ways.Line(h / 2)
	if h%2 == 0 {
		return points[0]
	}
	return points[len(points)-1]
}

func (n *network) second(h int) geom.Point {
	points := n.ways.Line(h / 2)
	if h%2 == 0 {
		return points[1]
	}
	return points[len(points)-2]
}

// each calls visit for every segment of a half-edge in its direction.
func (n *network) each(h int, visit func(a, b geom.Point)) {
	points := n.ways.Line(h / 2)
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
	first []int32 // of each node, its first way in ways; one more ends the last
	ways  []int32 // half-edges by node, in the order of their angle where there are more than two
}

// around finds what leaves the nodes.
func (n *network) around() nodes {
	o := nodes{first: make([]int32, n.nodes+1), ways: make([]int32, 2*len(n.edges))}
	for h := range int32(len(o.ways)) {
		o.first[n.leaves(h)]++
	}
	end := int32(0)
	for i, count := range o.first {
		end += count
		o.first[i] = end
	}
	for h := int32(len(o.ways)) - 1; h >= 0; h-- { // from the back, so that each node's stay in order
		node := n.leaves(h)
		o.first[node]--
		o.ways[o.first[node]] = h
	}
	for i := range n.nodes {
		if ways := o.ways[o.first[i]:o.first[i+1]]; len(ways) > 2 {
			slices.SortFunc(ways, func(a, b int32) int {
				at := n.start(int(a))
				return cmp.Or(compareAngles(n.second(int(a)).Sub(at), n.second(int(b)).Sub(at)), cmp.Compare(a, b))
			})
		}
	}
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
			segment := n.ways.Segment(s)
			a, b := segment.A, segment.B
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
