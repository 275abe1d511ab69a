package kerf

import (
	"math"
	"slices"

	"kerfgate/plan/geom"
)

// Moved is where the rings of a set of cuts that hang together are cut, which the cuts between them
// have to meet.
type Moved struct {
	rings  geom.Polylines
	search *geom.SegmentSearch
	mostUM int64
}

// NewMoved takes the moved rings. kerfUM is the width of the cut. It is for one goroutine.
func NewMoved(rings [][]geom.Point, kerfUM int64) *Moved {
	m := &Moved{mostUM: 2 * kerfUM}
	for _, ring := range rings {
		m.rings.Add(ring)
	}
	m.search = geom.NewSegmentIndex(&m.rings).Search()
	return m
}

// Reach carries a cut between two pieces on from the drawn boundary to the nearest point of the moved
// one, at the ends that are named. The moved ring passes half a kerf from there, and at a corner where
// waste fills the angle α half/sin(α/2): within two kerfs down to 29°. Where it is farther the ring
// has closed up there; then the end stays and ok is false.
func (m *Moved) Reach(points []geom.Point, first, last bool) (out []geom.Point, ok bool) {
	out, ok = slices.Clone(points), true
	if last {
		at, found := m.nearest(out[len(out)-1])
		if ok = found; found && at != out[len(out)-1] {
			out = append(out, at)
		}
	}
	if first {
		at, found := m.nearest(out[0])
		if ok = ok && found; found && at != out[0] {
			out = slices.Insert(out, 0, at)
		}
	}
	return out, ok
}

func (m *Moved) nearest(p geom.Point) (at geom.Point, ok bool) {
	least, best := math.Inf(1), -1
	d := geom.Pt(m.mostUM, m.mostUM)
	m.search.Near(geom.Box{Min: p.Sub(d), Max: p.Add(d)}, func(s int) bool {
		if t, square := m.rings.Segment(s).NearestSquare(p); square < least || square == least && s < best {
			least, best, at = square, s, m.rings.Segment(s).At(t)
		}
		return true
	})
	return at, best >= 0 && least <= float64(m.mostUM)*float64(m.mostUM)
}

// Shorten takes from a cut through waste what lies between the drawn boundary and the moved one, at
// the ends that are named: there it would burn into the piece. Nothing may be left of it.
func (m *Moved) Shorten(points []geom.Point, first, last bool) []geom.Point {
	out := slices.Clone(points)
	if last {
		slices.Reverse(out)
		out = m.fromCrossing(out)
		slices.Reverse(out)
	}
	if first {
		out = m.fromCrossing(out)
	}
	return out
}

// fromCrossing is what follows the first point that the way shares with a moved ring.
func (m *Moved) fromCrossing(points []geom.Point) []geom.Point {
	for i := 1; i < len(points); i++ {
		s := geom.Segment{A: points[i-1], B: points[i]}
		least := math.Inf(1)
		var at geom.Point
		m.search.Near(s.Box(), func(k int) bool {
			meet, n := s.Meet(m.rings.Segment(k))
			for _, p := range meet[:n] {
				if d := geom.Distance(s.A, p); d < least {
					least, at = d, p
				}
			}
			return true
		})
		if math.IsInf(least, 1) {
			continue
		}
		if at == s.B {
			return slices.Clone(points[i:])
		}
		return append([]geom.Point{at}, points[i:]...)
	}
	return nil
}
