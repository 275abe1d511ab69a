package plan

import (
	"kerfgate/plan/contour"
	"kerfgate/plan/geom"
)

// likeness finds a drawn piece again among pieces whose lines have moved. Those that may be found are put
// by their lower left corners into square cells as wide as a side may have moved, so that what is looked for
// lies in nine of them.
type likeness struct {
	pieces []contour.Piece
	within int64        // how far each side may have moved
	cells  []geom.Keyed // pieces by row, then column
	taken  []bool       // as cells
}

func newLikeness(pieces []contour.Piece, some []int, withinUM int64) *likeness {
	l := &likeness{pieces: pieces, within: withinUM, cells: make([]geom.Keyed, len(some)), taken: make([]bool, len(some))}
	for k, i := range some {
		at := pieces[i].Extents.Min
		l.cells[k] = geom.Keyed{Key: l.key(at.X, at.Y), Item: int32(i)}
	}
	geom.SortKeyed(l.cells)
	return l
}

// key is that of the cell which holds a place.
func (l *likeness) key(x, y int64) uint64 {
	return geom.PointKey(geom.Pt(geom.FloorDiv(y, l.within+1), geom.FloorDiv(x, l.within+1)))
}

// of is the piece, not found before, whose sides lie nearest in sum; of equally near ones the leftmost, of
// those the first. −1 where none lies near enough.
func (l *likeness) of(p contour.Piece) int {
	best, least := -1, 4*l.within+1
	at := p.Extents.Min
	for row := int64(-1); row <= 1; row++ {
		y := at.Y + row*(l.within+1)
		last := l.key(at.X+l.within+1, y)
		for k := geom.FirstKeyed(l.cells, l.key(at.X-l.within-1, y)); k < len(l.cells) && l.cells[k].Key <= last; k++ {
			o := &l.pieces[l.cells[k].Item]
			if l.taken[k] || o.Dropout != p.Dropout {
				continue
			}
			if sum, ok := l.apart(o.Extents, p.Extents); ok && (sum < least || sum == least && best >= 0 && l.before(k, best)) {
				best, least = k, sum
			}
		}
	}
	if best < 0 {
		return -1
	}
	l.taken[best] = true
	return int(l.cells[best].Item)
}

// before says whether one piece lies to the left of another, or level with it and came first.
func (l *likeness) before(k, other int) bool {
	a, b := l.cells[k].Item, l.cells[other].Item
	ax, bx := l.pieces[a].Extents.Min.X, l.pieces[b].Extents.Min.X
	return ax < bx || ax == bx && a < b
}

// apart is how far the sides of two boxes lie apart in sum, and whether none has moved too far.
func (l *likeness) apart(a, b geom.Box) (sum int64, ok bool) {
	for _, d := range [4]int64{a.Min.X - b.Min.X, a.Min.Y - b.Min.Y, a.Max.X - b.Max.X, a.Max.Y - b.Max.Y} {
		d = max(d, -d)
		if d > l.within {
			return 0, false
		}
		sum += d
	}
	return sum, true
}
