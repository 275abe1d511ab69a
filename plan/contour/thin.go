package contour

import (
	"math"
	"slices"

	"kerfgate/plan/geom"
)

// roundTheCorner is how many widths along a cut the other side of thin material must lie away: what
// is nearer belongs to a corner or to the tip of a spike.
const roundTheCorner = 4

// narrow is the thinnest place that one segment knows of.
type narrow struct {
	segment, other, region int32
	um                     float64
	at                     geom.Point
}

// thin finds material between cuts that is thinner than a bridge must be, and cuts within a kerf of
// each other. Of a stretch that is thin all along, the thinnest place is named; the same for both
// its sides.
func (f findings) thin(n *faces, o Options) error {
	most := max(o.BridgeUM, o.KerfUM)
	if most == 0 || len(n.edges) == 0 {
		return nil
	}
	n.indexed()
	t := thinner{faces: n, most: float64(most), along: alongEdges(n.network), sides: make([][2]int, len(n.edges))}
	for e := range t.sides {
		t.sides[e] = [2]int{n.region(2 * e), n.region(2*e + 1)}
	}
	found, err := t.stretches()
	if err != nil {
		return err
	}
	for _, w := range found {
		a, b := n.edges[n.ways.Of[w.segment]].line, n.edges[n.ways.Of[w.other]].line
		p := Place{At: w.at, UM: int64(math.Round(w.um)), Line: int(min(a, b)), Other: int(max(a, b)), Piece: int(w.region) + 1}
		waste := w.region >= 0 && n.dropout(int(w.region))
		switch {
		case w.um < float64(o.KerfUM) && (a != b || !waste):
			f.add(NearCuts, p)
		case w.um >= float64(o.BridgeUM) || waste:
		case w.region < 0:
			f.add(ThinWeb, p)
		default:
			f.add(ThinBridge, p)
		}
	}
	return nil
}

// thinner measures from one segment to the next side of the material.
type thinner struct {
	*faces
	most  float64
	along []float64 // how far each point lies along its edge, one edge after the other
	sides [][2]int  // of each edge, the regions on its left and right
}

func alongEdges(n *network) []float64 {
	out := make([]float64, 0, len(n.ways.Points))
	for e := range n.edges {
		out = arcs(out, n.ways.Line(e))
	}
	return out
}

// nearest is the thinnest place between segment s and any other across one region, by searches that
// reach further and further.
func (t *thinner) nearest(searches []*geom.SegmentSearch, reaches []int64, s int) (best narrow, ok bool) {
	best = narrow{segment: int32(s), other: -1, um: t.most}
	own := t.ways.Segment(s)
	box, sides := own.Box(), t.sides[t.ways.Of[s]]
	square := float64(t.most * t.most) // of best.um
	for i, um := range reaches {
		searches[i].Around(s, um, func(o int) bool {
			other := t.ways.Segment(o)
			if facing := t.sides[t.ways.Of[o]]; o == s || apart(box, other.Box()) > square ||
				sides[0] != facing[0] && sides[0] != facing[1] && sides[1] != facing[0] && sides[1] != facing[1] ||
				t.roundCorner(s, o) {
				return true
			}
			for k := range 4 {
				m := measureOf(own, other, k)
				if m.square > square {
					continue
				}
				if um := math.Sqrt(m.square); um < best.um && um > 0 {
					m.lead(own, other, k)
					if region, inside := t.across(s, o, m); inside {
						best.other, best.um, best.region, square = int32(o), um, int32(region), m.square
						best.at = geom.Pt(int64(math.Round((m.px+m.qx)/2)), int64(math.Round((m.py+m.qy)/2)))
					}
				}
			}
			return true
		})
		if best.um <= float64(um) {
			break // what is further than um away is not nearer than this
		}
	}
	return best, best.other >= 0
}

// many is how many segments within reach make a nearer search worth while first.
const many = 12

// mostSearches bounds how many searches one question takes.
const mostSearches = 6

// reaches are how far the searches of nearest go: one as far as is of interest, and before it nearer
// ones, each half as far, where many segments lie about a place.
func (t *thinner) reaches() []int64 {
	um := int64(t.most) + 1
	out := []int64{um}
	box, _ := geom.BoxOf(t.ways.Points...)
	area := float64(max(1, box.Width())) * float64(max(1, box.Height()))
	about := 4 * float64(t.ways.Len()) / area // segments in the square of 2 µm
	for len(out) < mostSearches && about*float64(um*um) > many {
		um = um/2 + 1
		out = append(out, um)
	}
	slices.Reverse(out)
	return out
}

// roundCorner says whether two segments are close along the cut: on one edge, or on two that meet.
func (t *thinner) roundCorner(s, o int) bool {
	near := roundTheCorner * t.most
	es, eo := int(t.ways.Of[s]), int(t.ways.Of[o])
	s0, s1, total := t.reach(s)
	o0, o1, other := t.reach(o)
	if es == eo {
		gap := max(s0-o1, o0-s1)
		if e := &t.edges[es]; e.from == e.to {
			gap = min(gap, max(0, total-max(s1, o1)+min(s0, o0)))
		}
		return gap < near
	}
	if t.componentOf[es] != t.componentOf[eo] {
		return false
	}
	p, q := &t.edges[es], &t.edges[eo]
	return p.from == q.from && s0+o0 < near || p.from == q.to && s0+other-o1 < near ||
		p.to == q.from && total-s1+o0 < near || p.to == q.to && total-s1+other-o1 < near
}

// reach is where a segment begins and ends along its edge, and the edge's length.
func (t *thinner) reach(s int) (from, to, total float64) {
	e := t.ways.Of[s]
	_, end := t.ways.Segments(int(e))
	// Every edge has one point more than segments.
	return t.along[s+int(e)], t.along[s+int(e)+1], t.along[end+int(e)]
}

// across gives the region that a way leaves and enters, if it is one.
func (t *thinner) across(s, o int, m measure) (region int, inside bool) {
	vx, vy := m.qx-m.px, m.qy-m.py
	from, ok := t.side(s, m.tp, vx, vy)
	if !ok {
		return 0, false
	}
	to, ok := t.side(o, m.tq, -vx, -vy)
	return from, ok && from == to
}

// side is the region into which the direction (x, y) leads from the place at t on segment s.
func (t *thinner) side(s int, at, x, y float64) (region int, ok bool) {
	e := int(t.ways.Of[s])
	left := func(k int) bool { return t.turn(k, x, y) > 0 }
	isLeft := left(s)
	// At a corner both segments count: left of both where it bends to the left, of either where
	// it bends to the right.
	neighbour := -1
	first, end := t.ways.Segments(e)
	before, closed := false, t.edges[e].from == t.edges[e].to
	switch {
	case at == 0 && s > first:
		neighbour, before = s-1, true
	case at == 1 && s < end-1:
		neighbour = s + 1
	case at == 0 && closed:
		neighbour, before = end-1, true
	case at == 1 && closed:
		neighbour = first
	}
	if neighbour >= 0 {
		a, b := t.ways.Segment(s), t.ways.Segment(neighbour)
		if before {
			a, b = b, a
		}
		d, g := a.B.Sub(a.A), b.B.Sub(b.A)
		if d.X*g.Y-d.Y*g.X >= 0 {
			isLeft = isLeft && left(neighbour)
		} else {
			isLeft = isLeft || left(neighbour)
		}
	} else if t.turn(s, x, y) == 0 && t.sides[e][0] != t.sides[e][1] {
		return 0, false
	}
	if isLeft {
		return t.sides[e][0], true
	}
	return t.sides[e][1], true
}

// turn is positive where the direction leads to the left of segment s.
func (t *thinner) turn(s int, x, y float64) float64 {
	segment := t.ways.Segment(s)
	d := segment.B.Sub(segment.A)
	return float64(float64(d.X)*y) - float64(float64(d.Y)*x)
}

// stretches walks along all edges and gives the thinnest place of every stretch that is thin.
func (t *thinner) stretches() ([]narrow, error) {
	places, err := t.places()
	if err != nil {
		return nil, err
	}
	of := make([]int32, t.ways.Len()) // stretch of each segment, from 1
	var thinnest []narrow
	var last narrow
	for i, some := range places {
		places[i] = nil // what is looked through goes as what is kept comes
		for _, here := range some {
			if n := len(thinnest); n == 0 || !t.follows(last, here) {
				thinnest = append(thinnest, here)
			} else if here.um < thinnest[n-1].um {
				thinnest[n-1] = here
			}
			of[here.segment] = int32(len(thinnest))
			last = here
		}
	}
	return t.once(thinnest, of), nil
}

// places gives the thinnest place that each segment knows of, in the order of the segments, a slice for each
// chunk of them.
func (t *thinner) places() ([][]narrow, error) {
	reaches := t.reaches()
	return lookAtAll(t.ways.Len(), t.ways.Len(), func() look[narrow] {
		searches := make([]*geom.SegmentSearch, len(reaches))
		for i := range reaches {
			searches[i] = t.index.Search()
		}
		return look[narrow]{searches, func(s int, found []narrow) []narrow {
			if here, ok := t.nearest(searches, reaches, s); ok {
				found = append(found, here)
			}
			return found
		}}
	})
}

// follows says whether b goes on where a is thin: on the same edge, towards the same other one, with
// no more than a width between them.
func (t *thinner) follows(a, b narrow) bool {
	if !t.alike(a, b) || t.ways.Of[a.segment] != t.ways.Of[b.segment] {
		return false
	}
	_, end, _ := t.reach(int(a.segment))
	from, _, _ := t.reach(int(b.segment))
	return from-end < t.most
}

// alike says whether both lie between the same two edges in the same region.
func (t *thinner) alike(a, b narrow) bool {
	sa, oa, sb, ob := t.ways.Of[a.segment], t.ways.Of[a.other], t.ways.Of[b.segment], t.ways.Of[b.other]
	return a.region == b.region && (sa == sb && oa == ob || sa == ob && oa == sb)
}

// once makes one of the stretches that are sides of the same material, and keeps the thinnest.
func (t *thinner) once(thinnest []narrow, of []int32) []narrow {
	sides := newGroups(len(thinnest))
	for i, w := range thinnest {
		if side := int(of[w.other]) - 1; side >= 0 && t.alike(w, thinnest[side]) {
			sides.unite(i, side)
		}
	}
	for i, w := range thinnest {
		if root := sides.of(i); w.um < thinnest[root].um {
			thinnest[root] = w
		}
	}
	out := thinnest[:0]
	for i, w := range thinnest {
		if sides.of(i) == i {
			out = append(out, w)
		}
	}
	return out
}
