package plan

import (
	"cmp"
	"slices"

	"kerfgate/plan/contour"
)

// likeness finds a drawn piece again among pieces whose lines have moved.
type likeness struct {
	pieces []contour.Piece
	sorted []int // of those that may be found, by their left side
	within int64 // how far each side may have moved
	taken  map[int]bool
}

func newLikeness(pieces []contour.Piece, some []int, withinUM int64) *likeness {
	l := &likeness{pieces: pieces, sorted: slices.Clone(some), within: withinUM, taken: map[int]bool{}}
	slices.SortFunc(l.sorted, func(a, b int) int {
		return cmp.Or(cmp.Compare(pieces[a].Extents.Min.X, pieces[b].Extents.Min.X), cmp.Compare(a, b))
	})
	return l
}

// of is the piece, not found before, whose sides lie nearest in sum; −1 where none lies near enough.
func (l *likeness) of(p contour.Piece) int {
	from, _ := slices.BinarySearchFunc(l.sorted, p.Extents.Min.X-l.within, func(i int, x int64) int {
		return cmp.Compare(l.pieces[i].Extents.Min.X, x)
	})
	best, least := -1, 4*l.within+1
	for _, i := range l.sorted[from:] {
		o := l.pieces[i]
		if o.Extents.Min.X > p.Extents.Min.X+l.within {
			break
		}
		if l.taken[i] || o.Dropout != p.Dropout {
			continue
		}
		sum, far := int64(0), false
		for _, d := range []int64{o.Extents.Min.X - p.Extents.Min.X, o.Extents.Min.Y - p.Extents.Min.Y,
			o.Extents.Max.X - p.Extents.Max.X, o.Extents.Max.Y - p.Extents.Max.Y} {
			sum += max(d, -d)
			far = far || max(d, -d) > l.within
		}
		if !far && sum < least {
			best, least = i, sum
		}
	}
	if best >= 0 {
		l.taken[best] = true
	}
	return best
}
