package geom

import (
	"slices"
	"sort"
)

// halfEdge is an edge of the wanted region's boundary; the region lies on its left.
type halfEdge struct{ from, to int32 }

// sweep is room for finding regions.
type sweep struct {
	ends, status, starting []int32
	above                  []turns // winding numbers over each edge
	half                   []halfEdge
	first, leaving, fill   []int32
	used                   []bool
	seen                   []int32
	walk                   []int32
	points                 []Point
}

// zeroed is room for n zeros in place of what was there.
func zeroed[T any](room []T, n int) []T {
	room = slices.Grow(room[:0], n)[:n]
	clear(room)
	return room
}

// boundary sweeps the network from left to right and gives the edges that have the region on exactly
// one side, by the winding numbers there.
func (s *sweep) boundary(n network, inside func(turns) bool) {
	s.ends, s.above = zeroed(s.ends, len(n.vertices)), zeroed(s.above, len(n.edges))
	ends, above := s.ends, s.above
	for _, e := range n.edges {
		ends[e.to]++
	}
	status, starting, out := s.status[:0], s.starting[:0], s.half[:0] // status: edges under the sweep, from below
	next := int32(0)
	for v := range int32(len(n.vertices)) {
		starting = starting[:0]
		for ; int(next) < len(n.edges) && n.edges[next].from == v; next++ {
			starting = append(starting, next)
		}
		if len(starting) == 0 && ends[v] == 0 {
			continue
		}
		at := n.vertices[v]
		slices.SortFunc(starting, func(e, f int32) int { // from below
			switch c := Cross(at, n.vertices[n.edges[e].to], n.vertices[n.edges[f].to]); {
			case c > 0:
				return -1
			case c < 0:
				return 1
			}
			return 0
		})
		low := sort.Search(len(status), func(i int) bool { // the first edge that at is not above
			e := n.edges[status[i]]
			return Cross(n.vertices[e.from], n.vertices[e.to], at) <= 0
		})
		var winding turns
		if low > 0 {
			winding = above[status[low-1]]
		}
		for _, e := range starting {
			below := inside(winding)
			winding = winding.plus(n.edges[e].turns)
			above[e] = winding
			switch over := inside(winding); {
			case over && !below:
				out = append(out, halfEdge{n.edges[e].from, n.edges[e].to})
			case below && !over:
				out = append(out, halfEdge{n.edges[e].to, n.edges[e].from})
			}
		}
		status = slices.Replace(status, low, low+int(ends[v]), starting...)
	}
	s.status, s.starting, s.half = status, starting, out
}

// region gives the rings around what inside says yes to: outlines anticlockwise, holes clockwise, no
// ring through a point twice. Every ring starts at its lowest leftmost point and ends there; rings
// are sorted by their points.
func (s *sweep) region(n network, inside func(turns) bool) [][]Point {
	s.boundary(n, inside)
	half := s.half
	s.first = zeroed(s.first, len(n.vertices)+1) // of the half edges that leave a vertex
	first := s.first
	for _, h := range half {
		first[h.from+1]++
	}
	for v := range n.vertices {
		first[v+1] += first[v]
	}
	s.leaving, s.fill = zeroed(s.leaving, len(half)), append(s.fill[:0], first...)
	leaving, fill := s.leaving, s.fill
	for i, h := range half {
		leaving[fill[h.from]] = int32(i)
		fill[h.from]++
	}
	meets := func(v int32) bool { return first[v+1]-first[v] > 1 }
	s.used, s.seen = zeroed(s.used, len(half)), zeroed(s.seen, len(n.vertices)) // seen: 1 + place on the walk
	used, seen, walk := s.used, s.seen, s.walk
	var rings [][]Point
	for i := range half {
		if used[i] {
			continue
		}
		walk = walk[:0]
		for e := int32(i); !used[e]; e = n.after(half, leaving, first, e) {
			used[e] = true
			v := half[e].from
			if at := seen[v]; at > 0 { // a loop closes: it is a ring of its own
				rings = s.appendRing(n, rings, walk[at-1:], meets)
				for _, w := range walk[at-1:] {
					seen[w] = 0
				}
				walk = walk[:at-1]
			}
			walk = append(walk, v)
			seen[v] = int32(len(walk))
		}
		rings = s.appendRing(n, rings, walk, meets)
		for _, w := range walk {
			seen[w] = 0
		}
	}
	s.walk = walk
	slices.SortFunc(rings, func(a, b []Point) int { return slices.CompareFunc(a, b, Compare) })
	return rings
}

// after is the half edge that goes on around the same part of the region: the first one clockwise
// from where e came.
func (n network) after(half []halfEdge, leaving, first []int32, e int32) int32 {
	at := half[e].to
	choices := leaving[first[at]:first[at+1]]
	best := choices[0]
	if len(choices) == 1 {
		return best
	}
	o := n.vertices[at]
	back := n.vertices[half[e].from].Sub(o)
	for _, c := range choices[1:] {
		if sooner(back, n.vertices[half[c].to].Sub(o), n.vertices[half[best].to].Sub(o)) {
			best = c
		}
	}
	return best
}

// sooner says whether a turn clockwise from r meets p before q.
func sooner(r, p, q Point) bool {
	a, b := quarter(r, p), quarter(r, q)
	if a != b {
		return a < b
	}
	return Cross(Point{}, p, q) < 0
}

// quarter orders directions by their turn clockwise from r: less than half, half, more, a full one.
func quarter(r, p Point) int {
	switch c := Cross(Point{}, r, p); {
	case c < 0:
		return 0
	case c > 0:
		return 2
	case r.X*p.X+r.Y*p.Y < 0:
		return 1
	}
	return 3
}

// appendRing closes a walk as closedRing does; points where another ring meets this one stay.
func (s *sweep) appendRing(n network, rings [][]Point, walk []int32, meets func(int32) bool) [][]Point {
	points := slices.Grow(s.points[:0], len(walk))
	for _, v := range walk {
		points = append(points, n.vertices[v])
	}
	s.points = points
	if ring, ok := closedRing(points, func(i int) bool { return meets(walk[i]) }); ok {
		return append(rings, ring)
	}
	return rings
}

// closedRing gives the ring from its lowest leftmost point back to it, without points on a straight
// line but those to be kept. ok is false for rings that are thinner than about a micrometre, which are
// rounding only.
func closedRing(points []Point, keep func(i int) bool) (ring []Point, ok bool) {
	if len(points) < 3 {
		return nil, false
	}
	start := 0
	for i, p := range points {
		if Compare(p, points[start]) < 0 {
			start = i
		}
	}
	ring = make([]Point, 0, len(points)+1)
	var length float64
	for k := range points {
		i := (start + k) % len(points)
		p, next := points[i], points[(i+1)%len(points)]
		length += Distance(p, next)
		// The lowest leftmost point is a corner, so it stays and what is straight can be seen from it.
		if n := len(ring); n > 0 && Cross(ring[n-1], p, next) == 0 && !keep(i) {
			continue
		}
		ring = append(ring, p)
	}
	ring = append(ring, ring[0])
	if a := 2 * Area(ring); len(ring) < 4 || a <= length && a >= -length {
		return nil, false
	}
	return ring, true
}
