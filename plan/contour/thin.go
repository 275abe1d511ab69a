package contour

import (
	"math"

	"kerfgate/plan/geom"
)

// roundTheCorner is how many widths along a cut the other side of thin material must lie away: what
// is nearer belongs to a corner or to the tip of a spike.
const roundTheCorner = 4

// narrow is the thinnest place that one segment knows of.
type narrow struct {
	segment, other int
	um             float64
	at             geom.Point
	region         int
}

// thin finds material between cuts that is thinner than a bridge must be, and cuts within a kerf of
// each other. Of a stretch that is thin all along, the thinnest place is named; the same for both
// its sides.
func (f findings) thin(n *faces, o Options) error {
	most := max(o.BridgeUM, o.KerfUM)
	if most == 0 {
		return nil
	}
	t := thinner{faces: n, most: float64(most), along: alongEdges(n.network)}
	found, err := t.stretches()
	if err != nil {
		return err
	}
	for _, w := range found {
		a, b := n.edges[n.owner[w.segment]].line, n.edges[n.owner[w.other]].line
		p := Place{At: w.at, UM: int64(math.Round(w.um)), Line: min(a, b), Other: max(a, b), Piece: w.region + 1}
		waste := w.region >= 0 && n.dropout(w.region)
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
}

func alongEdges(n *network) []float64 {
	out := make([]float64, 0, len(n.segments)+len(n.edges))
	for _, e := range n.edges {
		at := 0.0
		out = append(out, at)
		for i := 1; i < len(e.points); i++ {
			at += geom.Distance(e.points[i-1], e.points[i])
			out = append(out, at)
		}
	}
	return out
}

// nearest is the thinnest place between segment s and any other across one region.
func (t *thinner) nearest(search *geom.SegmentSearch, s int) (best narrow, ok bool) {
	best = narrow{segment: s, other: -1, um: t.most}
	own := t.segments[s]
	box := own.Box()
	search.Around(s, int64(t.most), func(o int) bool {
		other := t.segments[o]
		if o == s || apart(box, other.Box()) >= best.um || t.roundCorner(s, o) {
			return true
		}
		for _, m := range measures(own, other) {
			if m.um < best.um && m.um > 0 {
				if region, inside := t.across(s, o, m); inside {
					best.other, best.um, best.region = o, m.um, region
					best.at = geom.Pt(int64(math.Round((m.px+m.qx)/2)), int64(math.Round((m.py+m.qy)/2)))
				}
			}
		}
		return true
	})
	return best, best.other >= 0
}

// apart is the distance of two boxes, at most what it is along the axes.
func apart(a, b geom.Box) float64 {
	dx := max(0, a.Min.X-b.Max.X, b.Min.X-a.Max.X)
	dy := max(0, a.Min.Y-b.Max.Y, b.Min.Y-a.Max.Y)
	return float64(max(dx, dy))
}

// measure is a shortest way from one end of a segment to another segment.
type measure struct {
	um             float64
	px, py, qx, qy float64 // on the first segment, on the other
	tp, tq         float64 // how far along them
}

// measures are the ways from the ends of each to the other; segments that do not cross are nearest
// to each other along one of them.
func measures(a, b geom.Segment) [4]measure {
	var out [4]measure
	for i, p := range [2]geom.Point{a.A, a.B} {
		t, d := b.Nearest(p)
		x, y := exactAt(b, t)
		out[i] = measure{d, float64(p.X), float64(p.Y), x, y, float64(i), t}
	}
	for i, q := range [2]geom.Point{b.A, b.B} {
		t, d := a.Nearest(q)
		x, y := exactAt(a, t)
		out[2+i] = measure{d, x, y, float64(q.X), float64(q.Y), t, float64(i)}
	}
	return out
}

func exactAt(s geom.Segment, t float64) (x, y float64) {
	return float64(s.A.X) + float64(float64(s.B.X-s.A.X)*t), float64(s.A.Y) + float64(float64(s.B.Y-s.A.Y)*t)
}

// roundCorner says whether two segments are close along the cut: on one edge, or on two that meet.
func (t *thinner) roundCorner(s, o int) bool {
	near := roundTheCorner * t.most
	es, eo := int(t.owner[s]), int(t.owner[o])
	s0, s1, total := t.reach(s)
	o0, o1, other := t.reach(o)
	if es == eo {
		gap := max(s0-o1, o0-s1)
		points := t.edges[es].points
		if points[0] == points[len(points)-1] {
			gap = min(gap, max(0, total-max(s1, o1)+min(s0, o0)))
		}
		return gap < near
	}
	if t.componentOf[es] != t.componentOf[eo] {
		return false
	}
	p, q := t.edges[es].points, t.edges[eo].points
	pEnd, qEnd := p[len(p)-1], q[len(q)-1]
	return p[0] == q[0] && s0+o0 < near || p[0] == qEnd && s0+other-o1 < near ||
		pEnd == q[0] && total-s1+o0 < near || pEnd == qEnd && total-s1+other-o1 < near
}

// reach is where a segment begins and ends along its edge, and the edge's length.
func (t *thinner) reach(s int) (from, to, total float64) {
	e := t.owner[s]
	// Every edge has one point more than segments.
	k, last := s+int(e), int(t.first[e])+int(e)+len(t.edges[e].points)-1
	return t.along[k], t.along[k+1], t.along[last]
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
	e := int(t.owner[s])
	left := func(k int) bool { return t.turn(k, x, y) > 0 }
	isLeft := left(s)
	// At a corner both segments count: left of both where it bends to the left, of either where
	// it bends to the right.
	neighbour := -1
	first, last := int(t.first[e]), int(t.first[e])+len(t.edges[e].points)-2
	before := false
	switch points := t.edges[e].points; {
	case at == 0 && s > first:
		neighbour, before = s-1, true
	case at == 1 && s < last:
		neighbour = s + 1
	case at == 0 && points[0] == points[len(points)-1]:
		neighbour, before = last, true
	case at == 1 && points[0] == points[len(points)-1]:
		neighbour = first
	}
	if neighbour >= 0 {
		a, b := t.segments[s], t.segments[neighbour]
		if before {
			a, b = b, a
		}
		d, g := a.B.Sub(a.A), b.B.Sub(b.A)
		if d.X*g.Y-d.Y*g.X >= 0 {
			isLeft = isLeft && left(neighbour)
		} else {
			isLeft = isLeft || left(neighbour)
		}
	} else if t.turn(s, x, y) == 0 && t.region(2*e) != t.region(2*e+1) {
		return 0, false
	}
	if isLeft {
		return t.region(2 * e), true
	}
	return t.region(2*e + 1), true
}

// turn is positive where the direction leads to the left of segment s.
func (t *thinner) turn(s int, x, y float64) float64 {
	d := t.segments[s].B.Sub(t.segments[s].A)
	return float64(float64(d.X)*y) - float64(float64(d.Y)*x)
}

// stretches walks along all edges and gives the thinnest place of every stretch that is thin.
func (t *thinner) stretches() ([]narrow, error) {
	search := t.index.Search()
	of := make([]int32, len(t.segments)) // stretch of each segment, from 1
	var thinnest []narrow
	var last narrow
	for s := range t.segments {
		here, ok := t.nearest(search, s)
		if search.Visits > mostVisits {
			return nil, ErrTangled
		}
		if !ok {
			continue
		}
		if n := len(thinnest); n == 0 || !t.follows(last, here) {
			thinnest = append(thinnest, here)
		} else if here.um < thinnest[n-1].um {
			thinnest[n-1] = here
		}
		of[s] = int32(len(thinnest))
		last = here
	}
	return t.once(thinnest, of), nil
}

// follows says whether b goes on where a is thin: on the same edge, towards the same other one, with
// no more than a width between them.
func (t *thinner) follows(a, b narrow) bool {
	if !t.alike(a, b) || t.owner[a.segment] != t.owner[b.segment] {
		return false
	}
	_, end, _ := t.reach(a.segment)
	from, _, _ := t.reach(b.segment)
	return from-end < t.most
}

// alike says whether both lie between the same two edges in the same region.
func (t *thinner) alike(a, b narrow) bool {
	sa, oa, sb, ob := t.owner[a.segment], t.owner[a.other], t.owner[b.segment], t.owner[b.other]
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
	var out []narrow
	for i, w := range thinnest {
		if sides.of(i) == i {
			out = append(out, w)
		}
	}
	return out
}
