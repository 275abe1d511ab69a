package geom

import (
	"cmp"
	"fmt"
	"math"
	"math/bits"
	"slices"
	"sync"
)

// turns counts how often the rings of two sets go along an edge: those of the first, of the second.
type turns [2]int32

func (t turns) plus(o turns) turns { return turns{t[0] + o[0], t[1] + o[1]} }

// MostCrossings bounds how often the edges that are settled or offset together may cross. A crossing
// that several cells see may count more than once.
const MostCrossings = 1_000_000

// ErrCrossings is the error of regions whose edges cross more often.
var ErrCrossings = fmt.Errorf("the outlines cross themselves or each other more than %d times", MostCrossings)

// network is a set of edges that meet at their ends only. Vertices are sorted by x, then y; every
// edge runs from its lesser vertex to its greater one and is there once.
type network struct {
	vertices []Point
	edges    []netEdge
}

type netEdge struct {
	from, to int32
	turns    turns // of left against right: what the winding number gains when it is crossed upwards
}

// piece is an edge of the input, from its lesser end to its greater one.
type piece struct {
	a, b  Point
	turns turns
}

// Compare orders points by x, then by y.
func Compare(p, q Point) int {
	if p.X != q.X {
		return cmp.Compare(p.X, q.X)
	}
	return cmp.Compare(p.Y, q.Y)
}

// newNetwork cuts the rings' edges where they meet. It rounds by hot pixels: every pixel of the
// micrometre grid that holds an end or a crossing is hot, and every edge that passes through a hot
// pixel is led through its middle. Then no two edges meet but at their ends, no vertex moves by more
// than half a micrometre in x or y, and no edge is carried over a vertex. All of it is exact integer
// arithmetic.
//
// Source: J. D. Hobby, Practical segment intersection with finite precision output, Computational
// Geometry 13 (1999) 199–214; the method is given there, the code is own.
func (w *workings) newNetwork(sets ...[][]Point) (network, error) {
	w.fill(sets)
	pieces := w.pieces
	if len(pieces) == 0 {
		return network{}, nil
	}
	most := 2*len(pieces) + MostCrossings
	hot := slices.Grow(w.hot[:0], 2*len(pieces))
	box := Box{Min: pieces[0].a, Max: pieces[0].a}
	var total float64
	for i := range pieces {
		p := &pieces[i]
		hot = append(hot, PointKey(p.a), PointKey(p.b))
		box = box.With(p.a).With(p.b)
		total += Distance(p.a, p.b)
	}
	c := newCells(box, total, len(pieces))
	passing := slices.Grow(w.passing[:0], 4*len(pieces))
	for i := range pieces {
		c.pass(pieces[i].a, pieces[i].b, func(cell uint32) { passing = append(passing, place(cell, i)) })
	}
	sortHigh(passing) // and within a cell by item, as they were listed
	for items, rest := nextCell(passing); ; items, rest = nextCell(rest) {
		hot = w.crossingsIn(items, hot, most)
		if len(hot) > most {
			return network{}, ErrCrossings
		}
		if len(rest) == 0 {
			break
		}
	}
	slices.Sort(hot)
	hot = slices.Compact(hot)
	w.hot, w.passing = hot, passing
	w.vertices = slices.Grow(w.vertices[:0], len(hot))
	for _, key := range hot {
		w.vertices = append(w.vertices, pointOf(key))
	}
	w.hotOn(c)
	return w.assemble(), nil
}

// workings is room for making networks and regions, used again for the next one.
type workings struct {
	pieces           []piece
	hot              []uint64 // keys of vertices
	vertices         []Point
	passing          []inCell
	sorted, reaching []inCell
	stops            []stop
	edges            []netEdge
	sweep            sweep
}

// mostKept bounds the places and passings for which room is kept until the next network is made.
const mostKept = 1 << 14

var rooms = sync.Pool{New: func() any { return new(workings) }}

// done gives the room back, unless it is large.
func (w *workings) done() {
	if max(cap(w.hot), cap(w.passing), cap(w.stops)) <= mostKept {
		rooms.Put(w)
	}
}

// fill lists the edges of the rings.
func (w *workings) fill(sets [][][]Point) {
	n := 0
	for _, rings := range sets {
		for _, ring := range rings {
			n += len(ring)
		}
	}
	pieces := slices.Grow(w.pieces[:0], n)
	for s, rings := range sets {
		for _, ring := range rings {
			for i := range ring {
				a, b := ring[i], ring[0]
				if i+1 < len(ring) {
					b = ring[i+1]
				}
				p := piece{a: a, b: b}
				p.turns[s] = 1
				switch order := Compare(a, b); {
				case order == 0:
					continue
				case order > 0:
					p.a, p.b = b, a
					p.turns[s] = -1
				}
				pieces = append(pieces, p)
			}
		}
	}
	w.pieces = pieces
}

// crossingsIn appends the rounded crossings of the pieces that share a cell, and ends early when the
// list is longer than most.
func (w *workings) crossingsIn(items []inCell, hot []uint64, most int) []uint64 {
	pieces, sorted := w.pieces, items
	if len(items) > 8 { // many: only those that overlap in x
		sorted = append(w.sorted[:0], items...)
		w.sorted = sorted
		slices.SortFunc(sorted, func(a, b inCell) int {
			return cmp.Compare(pieces[a.item()].a.X, pieces[b.item()].a.X)
		})
	}
	for i, one := range sorted {
		if len(hot) > most {
			break
		}
		p := &pieces[one.item()]
		low, high := min(p.a.Y, p.b.Y), max(p.a.Y, p.b.Y)
		for _, other := range sorted[i+1:] {
			q := &pieces[other.item()]
			if q.a.X > p.b.X {
				if len(items) > 8 {
					break
				}
				continue
			}
			if q.b.X < p.a.X || max(q.a.Y, q.b.Y) < low || min(q.a.Y, q.b.Y) > high {
				continue
			}
			if m, ok := crossing(p.a, p.b, q.a, q.b); ok {
				hot = append(hot, PointKey(m))
			}
		}
	}
	return hot
}

// crossing is the point, rounded to the grid, where the insides of a–b and c–d cross. Segments that
// only touch, or lie along each other, do not cross. Exact for coordinates up to MostCoordinateUM.
func crossing(a, b, c, d Point) (Point, bool) {
	s, t := Cross(a, b, c), Cross(a, b, d)
	if s == 0 || t == 0 || (s > 0) == (t > 0) {
		return Point{}, false
	}
	u, v := Cross(c, d, a), Cross(c, d, b)
	if u == 0 || v == 0 || (u > 0) == (v > 0) {
		return Point{}, false
	}
	// The point is a + (b − a)·u/(u − v), and u and v have unlike signs.
	if u < 0 {
		u, v = -u, -v
	}
	whole := uint64(u) + uint64(-v)
	return Pt(a.X+share(b.X-a.X, uint64(u), whole), a.Y+share(b.Y-a.Y, uint64(u), whole)), true
}

// share is d·part/whole rounded to the nearest, halves up; part is at most whole.
func share(d int64, part, whole uint64) int64 {
	hi, lo := bits.Mul64(uint64(max(d, -d)), part)
	q, r := bits.Div64(hi, lo, whole)
	if d >= 0 {
		if r >= whole-r {
			q++
		}
		return int64(q)
	}
	if r > whole-r {
		q++
	}
	return -int64(q)
}

// stop says that a piece is led through a hot pixel between its ends.
type stop struct{ piece, vertex int32 }

// hotOn finds the hot pixels on every piece, sorted by piece and then along it.
func (w *workings) hotOn(c cells) {
	passing, pieces, hot := w.passing, w.pieces, w.vertices
	vertices := slices.Grow(w.reaching[:0], len(hot))
	for i, p := range hot {
		vertices = append(vertices, place(c.of(p), i))
	}
	w.reaching = vertices
	sortHigh(vertices) // and so, within a cell, by x
	stops := w.stops[:0]
	for len(vertices) > 0 && len(passing) > 0 {
		var here, items []inCell
		switch v, p := vertices[0].cell(), passing[0].cell(); {
		case v < p:
			_, vertices = nextCell(vertices)
			continue
		case p < v:
			_, passing = nextCell(passing)
			continue
		}
		here, vertices = nextCell(vertices)
		items, passing = nextCell(passing)
		for _, one := range items {
			p := &pieces[one.item()]
			low, high := min(p.a.Y, p.b.Y), max(p.a.Y, p.b.Y)
			first, _ := slices.BinarySearchFunc(here, p.a.X, func(v inCell, x int64) int { return cmp.Compare(hot[v.item()].X, x) })
			for _, v := range here[first:] {
				m := hot[v.item()]
				if m.X > p.b.X {
					break
				}
				if m.Y >= low && m.Y <= high && m != p.a && m != p.b && passes(p.a, p.b, m) {
					stops = append(stops, stop{one.item(), v.item()})
				}
			}
		}
	}
	slices.SortFunc(stops, func(s, t stop) int {
		if s.piece != t.piece {
			return cmp.Compare(s.piece, t.piece)
		}
		p, q := pieces[s.piece], hot[s.vertex].Sub(hot[t.vertex])
		if way := q.X*(p.b.X-p.a.X) + q.Y*(p.b.Y-p.a.Y); way != 0 {
			return cmp.Compare(way, 0)
		}
		return cmp.Compare(s.vertex, t.vertex)
	})
	w.stops = slices.Compact(stops)
}

// passes says whether the segment from a to b goes through the pixel of m, which is half open: its
// left and lower sides belong to it. m lies in the box of a and b.
//
// In half micrometres around m the pixel is [−1, 1) in both directions, and the ends are even, so
// none of them lies on a side. Then the segment is in the pixel if it goes between two of the four
// corners, or touches the lower left one.
func passes(a, b, m Point) bool {
	dx, dy := b.X-a.X, b.Y-a.Y
	base := 2 * (dx*(m.Y-a.Y) - dy*(m.X-a.X)) // of the middle: of a corner (±1, ±1) it is base ± dx ∓ dy
	reach := max(dx, -dx) + max(dy, -dy)
	if base < reach && base > -reach {
		return true
	}
	return base-dx+dy == 0
}

// assemble leads every piece through its stops and merges what then lies on each other.
func (w *workings) assemble() network {
	pieces, stops := w.pieces, w.stops
	index := func(p Point) int32 {
		i, _ := slices.BinarySearch(w.hot, PointKey(p))
		return int32(i)
	}
	edges := slices.Grow(w.edges[:0], len(pieces)+len(stops))
	add := func(from, to int32, t turns) {
		switch {
		case from < to:
			edges = append(edges, netEdge{from, to, t})
		case from > to:
			edges = append(edges, netEdge{to, from, turns{-t[0], -t[1]}})
		}
	}
	next := 0
	for i := range pieces {
		p := &pieces[i]
		at := index(p.a)
		for ; next < len(stops) && int(stops[next].piece) == i; next++ {
			add(at, stops[next].vertex, p.turns)
			at = stops[next].vertex
		}
		add(at, index(p.b), p.turns)
	}
	slices.SortFunc(edges, func(e, f netEdge) int {
		return cmp.Compare(uint64(e.from)<<32|uint64(e.to), uint64(f.from)<<32|uint64(f.to))
	})
	merged := edges[:0]
	for _, e := range edges {
		if n := len(merged); n > 0 && merged[n-1].from == e.from && merged[n-1].to == e.to {
			merged[n-1].turns = merged[n-1].turns.plus(e.turns)
			continue
		}
		merged = append(merged, e)
	}
	w.edges = slices.DeleteFunc(merged, func(e netEdge) bool { return e.turns == turns{} })
	return network{vertices: w.vertices, edges: w.edges}
}

// rounded is v to the nearest whole number, halves up.
func rounded(v float64) int64 { return int64(math.Floor(v + 0.5)) }
