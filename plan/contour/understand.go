package contour

import (
	"math"
	"slices"

	"kerfgate/plan/geom"
)

// Structure is what cut lines mean for the sheet.
type Structure struct {
	// Parents gives for every cut line the line that must come after it: the smallest closed one of
	// those that it touches and lies in, or else the longest of those that bound the piece or
	// drop-out which holds it. −1 for none, and for lines that are not cut. There are no rings.
	Parents []int
	Depth   []int // how many parents stand above each line
	Pieces  []Piece
	// Clusters are the cuts that free pieces only together, in the order of their first pieces.
	Clusters []Cluster
	// Findings hold what a person should look at, one of each kind that was found, in the order of
	// the kinds.
	Findings []Finding
}

// Piece is a part that comes loose, in the order of the first line that bounds it.
type Piece struct {
	Number  int // from 1
	Dropout bool
	// Lines bound it; it comes loose with the last of them. What lies within it is not counted.
	Lines   []int
	Inside  int     // number of the piece or drop-out that holds it, 0 for the sheet
	AreaUM2 float64 // without what is cut out of it
	Extents geom.Box
	Centre  geom.Point // of gravity
}

// Understand says which cuts hold which, what comes loose, and what to look at. The lines are those
// that Clean gave, or the same moved by half a kerf. Pieces are the regions that cuts enclose
// together, so that two outlines which share an edge free two pieces. What lies in a piece frees a
// drop-out, what lies in a drop-out a piece. The error is ErrFar, ErrTangled or geom.ErrCrossings.
func Understand(lines []Line, options Options) (Structure, error) {
	o := options.withDefaults()
	for _, l := range lines {
		for _, p := range l.Points {
			if abs(p.X) > MostUM || abs(p.Y) > MostUM {
				return Structure{}, ErrFar
			}
		}
	}
	n, err := newNetwork(lines, o.JoinUM, !o.AsCut)
	if err != nil {
		return Structure{}, err
	}
	f := newFaces(n)
	if err := f.nested(lines); err != nil {
		return Structure{}, err
	}
	s := Structure{Pieces: f.pieces()}
	if s.Clusters, err = f.clusters(lines, s.Pieces, o.AsCut); err != nil {
		return Structure{}, err
	}
	s.Parents = f.parents(lines)
	s.Depth = depths(s.Parents)
	if o.AsCut {
		return s, nil
	}
	report := findings{}
	report.look(lines, f, o)
	report.hold(s.Pieces, o.SupportUM)
	if err := report.thin(f, o); err != nil {
		return Structure{}, err
	}
	s.Findings = report.sorted()
	return s, nil
}

// someLines is for how many lines of pieces there is room at once.
const someLines = 1024

func (f *faces) pieces() []Piece {
	type moment struct{ area, x, y float64 }
	whole := make([]moment, len(f.bounded))
	pieces := make([]Piece, len(f.bounded))
	// Moments are taken about one point of the drawing, so that they stay small.
	var origin geom.Point
	if len(f.edges) > 0 {
		origin = f.ways.Points[0]
	}
	momentOf := func(halves []int32) moment {
		var m moment
		for _, h := range halves {
			f.each(int(h), func(a, b geom.Point) {
				c := float64(geom.Cross(origin, a, b)) / 2
				m.area += c
				m.x += float64(c*float64(a.X+b.X-2*origin.X)) / 3
				m.y += float64(c*float64(a.Y+b.Y-2*origin.Y)) / 3
			})
		}
		return m
	}
	var bounding []int // the lines of some pieces
	for face, at := range f.bounded {
		c := &f.cycles[at]
		p := Piece{Number: face + 1, Dropout: f.dropout(face), AreaUM2: c.area, Inside: f.holder[c.component] + 1}
		if need := int(c.end - c.first); cap(bounding)-len(bounding) < need {
			bounding = make([]int, 0, max(someLines, need))
		}
		from := len(bounding)
		for i, h := range f.round(at) {
			b, _ := geom.BoxOf(f.ways.Line(int(h / 2))...)
			if i == 0 {
				p.Extents = b
			}
			p.Extents = p.Extents.Union(b)
			bounding = append(bounding, int(f.edges[h/2].line))
		}
		p.Lines = bounding[from:]
		slices.Sort(p.Lines)
		p.Lines = slices.Clip(slices.Compact(p.Lines))
		bounding = bounding[:from+len(p.Lines)]
		pieces[face] = p
		whole[face] = momentOf(f.round(at))
	}
	for at, c := range f.cycles { // what lies within has a negative area seen from outside
		if holder := f.holder[c.component]; c.face < 0 && holder >= 0 {
			m := momentOf(f.round(at))
			pieces[holder].AreaUM2 += c.area
			whole[holder].area += m.area
			whole[holder].x += m.x
			whole[holder].y += m.y
		}
	}
	for i, m := range whole {
		pieces[i].Centre = geom.Pt(origin.X+int64(math.Round(m.x/m.area)), origin.Y+int64(math.Round(m.y/m.area)))
	}
	return pieces
}

// parents fills Structure.Parents.
func (f *faces) parents(lines []Line) []int {
	out := make([]int, len(lines))
	for i := range out {
		out[i] = -1
	}
	main := make(map[int]int)          // by face
	of := make([][]int, len(f.holder)) // lines of each component
	for e := range f.edges {
		l, c := int(f.edges[e].line), f.componentOf[e]
		if n := len(of[c]); n > 0 && of[c][n-1] == l {
			continue // edges of one line follow each other
		}
		of[c] = append(of[c], l)
	}
	for c, members := range of {
		above := -1
		if holder := f.holder[c]; holder >= 0 {
			l, ok := main[holder]
			if !ok {
				l = f.mainLine(holder)
				main[holder] = l
			}
			above = l
		}
		for _, l := range members {
			out[l] = above
		}
		if len(members) < 2 {
			continue
		}
		outlines := make([][]geom.Point, len(members))
		closed := make([]bool, len(members))
		for k, l := range members {
			outlines[k], closed[k] = lines[l].Points, lines[l].Closed
		}
		for k, p := range geom.Nest(outlines, closed) {
			if p >= 0 {
				out[members[k]] = members[p]
			}
		}
	}
	return out
}

// mainLine is the line that bounds most of a face.
func (f *faces) mainLine(face int) int {
	share := map[int]float64{}
	best := -1
	halves := f.round(f.bounded[face])
	for _, h := range halves {
		share[int(f.edges[h/2].line)] += float64(geom.Length(f.ways.Line(int(h / 2))))
	}
	for _, h := range halves {
		l := int(f.edges[h/2].line)
		if best < 0 || share[l] > share[best] || share[l] == share[best] && l < best {
			best = l
		}
	}
	return best
}

// depths counts the parents above each line.
func depths(parents []int) []int {
	out := make([]int, len(parents))
	for i := range out {
		out[i] = -1
	}
	var up []int
	for i := range parents {
		up = up[:0]
		k := i
		for ; k >= 0 && out[k] < 0; k = parents[k] {
			up = append(up, k)
		}
		depth := -1
		if k >= 0 {
			depth = out[k]
		}
		for j := len(up) - 1; j >= 0; j-- {
			depth++
			out[up[j]] = depth
		}
	}
	return out
}
