package geom

import (
	"cmp"
	"slices"
)

// sweptAtMost is up to how many edges simple sweeps over them, which in the worst case holds every one
// against every other; from there on an index is worth its making.
const sweptAtMost = 256

// simple says whether a ring is its own settled boundary: no two edges cross, and no corner lies on an
// edge, or so near to one that newNetwork would lead the edge through it. Then there is nothing to
// settle. The ring is open: its last point is not its first, and no two neighbours are equal.
func simple(ring []Point) bool {
	if len(ring) < 3 {
		return false
	}
	if len(ring) > sweptAtMost {
		return simpleByIndex(ring)
	}
	type side struct {
		a, b      Point // from the lesser end
		low, high int64
		at        int32
	}
	var room [sweptAtMost]side
	sides := room[:0]
	for i, p := range ring {
		q := ring[(i+1)%len(ring)]
		if before(q, p) {
			p, q = q, p
		}
		sides = append(sides, side{p, q, min(p.Y, q.Y), max(p.Y, q.Y), int32(i)})
	}
	slices.SortFunc(sides, func(s, t side) int {
		return cmp.Or(cmp.Compare(s.a.X, t.a.X), cmp.Compare(s.at, t.at))
	})
	last := int32(len(ring) - 1)
	for i := range sides {
		s := &sides[i]
		for k := i + 1; k < len(sides) && sides[k].a.X <= s.b.X; k++ {
			t := &sides[k]
			if t.low > s.high || s.low > t.high {
				continue
			}
			gap := max(s.at-t.at, t.at-s.at)
			if interact(s.a, s.b, t.a, t.b, gap == 1 || gap == last) {
				return false
			}
		}
	}
	return true
}

func simpleByIndex(ring []Point) bool {
	var sides Polylines
	sides.Grow(1, len(ring)+1)
	sides.Add(append(slices.Clip(ring), ring[0]))
	search := NewSegmentIndex(&sides).Search()
	last := len(ring) - 1
	for i := range sides.Len() {
		s := sides.Segment(i)
		met := false
		search.Around(i, 0, func(k int) bool {
			if k > i {
				o := sides.Segment(k)
				a, b := s.sorted(), o.sorted()
				met = interact(a.A, a.B, b.A, b.B, k-i == 1 || k-i == last)
			}
			return !met
		})
		if met {
			return false
		}
	}
	return true
}

// interact says whether the edges a–b and c–d, each from its lesser end, do more than share the corner
// between neighbours.
func interact(a, b, c, d Point, neighbours bool) bool {
	if apart(a, b, c, d) {
		return false
	}
	shared := 0
	for _, p := range [2]Point{c, d} {
		if p == a || p == b {
			shared++
		}
	}
	if shared > 1 || shared == 1 && !neighbours {
		return true
	}
	if leads(a, b, c) || leads(a, b, d) || leads(c, d, a) || leads(c, d, b) {
		return true
	}
	if shared == 1 {
		return false
	}
	_, cross := crossing(a, b, c, d)
	return cross
}

// apart says that c–d lies on one side of the line through a and b, farther from it than half a pixel reaches:
// then neither is led through a corner of the other.
func apart(a, b, c, d Point) bool {
	dx, dy := b.X-a.X, b.Y-a.Y
	reach := (max(dx, -dx) + max(dy, -dy)) / 2 // see passes
	s, t := Cross(a, b, c), Cross(a, b, d)
	return s > reach && t > reach || s < -reach && t < -reach
}

// leads says whether the edge a–b, from its lesser end, is led through the corner m.
func leads(a, b, m Point) bool {
	return m.X >= a.X && m.X <= b.X && m.Y >= min(a.Y, b.Y) && m.Y <= max(a.Y, b.Y) && m != a && m != b && passes(a, b, m)
}

// opened is a ring without the repeated first point and without repeats of neighbours.
func opened(ring []Point) []Point {
	out := make([]Point, 0, len(ring))
	for _, p := range ring {
		if n := len(out); n == 0 || out[n-1] != p {
			out = append(out, p)
		}
	}
	for len(out) > 1 && out[0] == out[len(out)-1] {
		out = out[:len(out)-1]
	}
	return out
}

// settledAlone is what Settle gives for one ring that is simple; ok is false where it is not.
func settledAlone(ring []Point, rule Winding) (settled [][]Point, ok bool) {
	points := opened(ring)
	if !simple(points) {
		return nil, false
	}
	walk := make([]Point, 0, len(points)+1)
	walk = append(append(walk, points...), points[0])
	if Area(walk) < 0 {
		if rule == Positive {
			return nil, true
		}
		slices.Reverse(points)
	}
	if out, any := closedRing(points, keepNone); any {
		return [][]Point{out}, true
	}
	return nil, true
}

func keepNone(int) bool { return false }
