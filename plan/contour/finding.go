package contour

import (
	"cmp"
	"math"
	"slices"

	"kerfgate/plan/geom"
)

// findings gathers places by kind: how many, and the first of them in order.
type findings map[Kind]*Finding

// before is the order of the places of a kind: by length, then where they are.
func (p Place) before(q Place) bool {
	return cmp.Or(cmp.Compare(p.UM, q.UM), geom.Compare(p.At, q.At), cmp.Compare(p.Line, q.Line), cmp.Compare(p.Other, q.Other)) < 0
}

func (f findings) add(k Kind, p Place) {
	of := f[k]
	if of == nil {
		of = &Finding{Kind: k, Places: make([]Place, 0, MostPlaces)}
		f[k] = of
	}
	of.Count++
	n := len(of.Places)
	if n == MostPlaces {
		if n--; !p.before(of.Places[n]) {
			return
		}
		of.Places = of.Places[:n]
	}
	for n > 0 && p.before(of.Places[n-1]) {
		n--
	}
	of.Places = slices.Insert(of.Places, n, p)
}

// sorted gives the findings in the order of kinds.
func (f findings) sorted() []Finding {
	out := []Finding{}
	for _, k := range kinds {
		if of := f[k]; of != nil {
			out = append(out, *of)
		}
	}
	return out
}

// look finds what single lines show.
func (f findings) look(lines []Line, n *faces, o Options) {
	open := make([]int32, len(lines)) // of each line, one more than the half-edge from its first loose end; 0 for none
	for k, e := range n.edges {
		switch {
		case open[e.line] > 0:
		case e.looseFirst:
			open[e.line] = int32(2*k) + 1
		case e.looseLast:
			open[e.line] = int32(2*k+1) + 1
		}
	}
	for i, l := range lines {
		if half := int(open[i]) - 1; half >= 0 {
			gap := geom.Distance(l.Points[0], l.Points[len(l.Points)-1])
			f.add(OpenCut, Place{At: n.start(half), UM: int64(math.Round(gap)), Line: i, Other: -1})
		}
		box, ok := geom.BoxOf(l.Points...)
		if !ok {
			continue
		}
		middle := geom.Pt((box.Min.X+box.Max.X)/2, (box.Min.Y+box.Max.Y)/2)
		if w := width(l, box); l.Op == cut && l.Closed && w < o.KerfUM {
			f.add(BelowKerf, Place{At: middle, UM: w, Line: i, Other: -1})
		}
		if size := max(box.Width(), box.Height()); size < o.ResolutionUM {
			f.add(BelowResolution, Place{At: middle, UM: size, Line: i, Other: -1})
		}
	}
	for _, p := range n.crossings {
		f.add(Crossing, p)
	}
}

// width is that of the rectangle with the line's area and length, or the smaller extent where that
// is less: exact for a rectangle at any angle, however thin.
func width(l Line, box geom.Box) int64 {
	if !l.Closed {
		return min(box.Width(), box.Height())
	}
	half := float64(geom.Length(l.Points)) / 2
	root := max(0, float64(half*half)-float64(4*math.Abs(geom.Area(l.Points))))
	return min(box.Width(), box.Height(), int64(math.Round((half-math.Sqrt(root))/2)))
}

// hold finds pieces that the bed may not hold. Common practice, without a source, for a bed of
// parallel supports whose place under the sheet is not known: what is shorter than the way from one
// support to the next may fall between them; what reaches less far than that from its centre of
// gravity to one of its sides may have no support on that side, and tip into the beam's way.
func (f findings) hold(pieces []Piece, supportUM int64) {
	for _, p := range pieces {
		b, c := p.Extents, p.Centre
		place := Place{At: c, Line: p.Lines[0], Other: -1, Piece: p.Number}
		if size := max(b.Width(), b.Height()); size < supportUM {
			place.UM = size
			f.add(MayFall, place)
			continue
		}
		if reach := min(c.X-b.Min.X, b.Max.X-c.X, c.Y-b.Min.Y, b.Max.Y-c.Y); reach < supportUM {
			place.UM = reach
			f.add(MayTip, place)
		}
	}
}
