package contour

import (
	"slices"

	"kerfgate/plan/geom"
)

// Cluster is a set of cuts that hang together and free at least one piece or drop-out only together:
// pieces side by side that share an edge, a lattice, an outline with a slit that runs into it. Of lines that
// are cut as they are (Options.AsCut) only Pieces is filled.
type Cluster struct {
	Lines []int // in order
	// Main is the line of which most lies between what is kept and what is waste.
	Main int
	// Rings lie between what is kept and what is waste. They may be moved into the waste.
	Rings []Ring
	// Within is the rest: cuts with a piece on both sides or waste on both sides. To move them would
	// give to the one what it takes from the other.
	Within []Within
	Pieces []Bounded
}

// Ring is a closed boundary, its last point equal to its first. Dropout says that what it surrounds
// is waste.
type Ring struct {
	Points  []geom.Point
	Dropout bool
}

// Within is a part of a line of a cluster.
type Within struct {
	Line   int
	Closed bool
	Points []geom.Point
	Waste  bool // on both sides; else pieces
	// First and Last say that the end lies on a ring.
	First, Last bool
	// SharedUM is how much of it has two different pieces at its sides.
	SharedUM int64
}

// Bounded is a piece or drop-out of a cluster.
type Bounded struct {
	Piece int // index among the pieces
	// Outline is anticlockwise and closed; a cut that ends in the piece is followed there and back. Only
	// with Options.AsCut.
	Outline []geom.Point
	// SharedUM is how much of the outline has another piece on the other side.
	SharedUM int64
}

// clusters finds the components in which some face is bounded by more than one closed line; asCut as in
// Options.
func (f *faces) clusters(lines []Line, pieces []Piece, asCut bool) ([]Cluster, error) {
	number := make([]int, len(f.holder)) // by component: one more than that of its cluster
	count := 0
	for face, p := range pieces {
		if len(p.Lines) == 1 && lines[p.Lines[0]].Closed {
			continue
		}
		if c := f.cycles[f.bounded[face]].component; number[c] == 0 {
			count++
			number[c] = count
		}
	}
	if count == 0 {
		return nil, nil
	}
	g := gathering{faces: f, lines: lines, out: make([]Cluster, count), number: number}
	g.pieces(asCut)
	if asCut {
		return g.out, nil
	}
	g.boundaries()
	for e := range f.edges {
		if k := number[f.componentOf[e]]; k > 0 {
			g.edge(e, &g.out[k-1])
		}
	}
	for k := range g.out {
		g.closeWithin(&g.out[k])
	}
	return g.out, g.rings()
}

type gathering struct {
	*faces
	lines  []Line
	out    []Cluster
	number []int
	on     []bool // of each node, whether edges between what is kept and what is waste end there
}

// kept says whether the region on the left of a half-edge stays: a piece, or what holds the component.
func (g *gathering) kept(half int) bool {
	face := g.region(half)
	return face >= 0 && !g.dropout(face)
}

func (g *gathering) boundary(e int) bool { return g.kept(2*e) != g.kept(2*e+1) }

// boundaries marks where boundaries end and finds the main line of each cluster.
func (g *gathering) boundaries() {
	g.on = make([]bool, g.nodes)
	share := make([]int64, len(g.lines)) // of each line
	for k := range g.out {
		g.out[k].Main = -1
	}
	for e, edge := range g.edges {
		k := g.number[g.componentOf[e]] - 1
		if k < 0 || !g.boundary(e) {
			continue
		}
		g.on[edge.from], g.on[edge.to] = true, true
		line, main := int(edge.line), &g.out[k].Main
		if share[line] += geom.Length(g.ways.Line(e)); *main < 0 || share[line] > share[*main] {
			*main = line
		}
	}
	for k := range g.out {
		g.out[k].Main = max(0, g.out[k].Main)
	}
}

// edge adds an edge, in the order of the edges, to its cluster's lines and to what lies within.
func (g *gathering) edge(e int, c *Cluster) {
	edge, points := g.edges[e], g.ways.Line(e)
	line := int(edge.line)
	if n := len(c.Lines); n == 0 || c.Lines[n-1] != line {
		c.Lines = append(c.Lines, line)
	}
	if g.boundary(e) {
		return
	}
	var shared int64
	if a, b := g.region(2*e), g.region(2*e+1); a != b && g.kept(2*e) {
		shared = geom.Length(points)
	}
	if n := len(c.Within); n > 0 {
		w := &c.Within[n-1]
		if w.Line == line && !w.Last && w.Points[len(w.Points)-1] == points[0] {
			w.Points = append(w.Points, points[1:]...)
			w.Last = g.on[edge.to]
			w.SharedUM += shared
			return
		}
	}
	c.Within = append(c.Within, Within{Line: line, Points: slices.Clone(points), Waste: !g.kept(2 * e),
		First: g.on[edge.from], Last: g.on[edge.to], SharedUM: shared})
}

// closeWithin joins the last part of each closed line to its first where no boundary lies between.
func (g *gathering) closeWithin(c *Cluster) {
	out := c.Within[:0]
	for i := 0; i < len(c.Within); {
		k := i + 1
		for k < len(c.Within) && c.Within[k].Line == c.Within[i].Line {
			k++
		}
		of := c.Within[i:k]
		first, last := &of[0], &of[len(of)-1]
		if g.lines[first.Line].Closed && !first.First && !last.Last && first.Points[0] == last.Points[len(last.Points)-1] {
			if len(of) == 1 {
				first.Closed = true
			} else {
				first.Points = append(last.Points, first.Points[1:]...)
				first.First = last.First
				first.SharedUM += last.SharedUM
				of = of[:len(of)-1]
			}
		}
		out = append(out, of...)
		i = k
	}
	c.Within = out
}

// pieces lists the faces of the clusters; with their outlines where the lines are those that are cut.
func (g *gathering) pieces(asCut bool) {
	count := make([]int, len(g.out))
	for _, at := range g.bounded {
		if k := g.number[g.cycles[at].component] - 1; k >= 0 {
			count[k]++
		}
	}
	for k := range g.out {
		g.out[k].Pieces = make([]Bounded, 0, count[k])
	}
	for face, at := range g.bounded {
		k := g.number[g.cycles[at].component] - 1
		if k < 0 {
			continue
		}
		b := Bounded{Piece: face}
		halves := g.round(at)
		if asCut {
			b.Outline = g.outline(halves)
		}
		for _, h := range halves {
			if other := g.region(int(h ^ 1)); other != face && g.kept(int(h^1)) && !g.dropout(face) {
				b.SharedUM += g.length(int(h))
			}
		}
		g.out[k].Pieces = append(g.out[k].Pieces, b)
	}
}

// outline is a closed way along half-edges that follow each other.
func (g *gathering) outline(halves []int32) []geom.Point {
	n := 1
	for _, h := range halves {
		n += len(g.ways.Line(int(h/2))) - 1
	}
	out := append(make([]geom.Point, 0, n), g.start(int(halves[0])))
	for _, h := range halves {
		g.each(int(h), func(_, p geom.Point) { out = append(out, p) })
	}
	return out
}

// rings goes around the union of the faces of one kind, seen from what holds the component: along the edges
// that have such a face on one side only.
func (g *gathering) rings() error {
	around := make([]bool, len(g.out)) // the sheet around the cluster is kept
	for c, k := range g.number {
		if k > 0 {
			around[k-1] = g.holder[c] >= 0 && !g.dropout(g.holder[c])
		}
	}
	bounding := make([][]int32, len(g.out)) // half-edges with such a face on the left
	for e := range g.edges {
		k := g.number[g.componentOf[e]] - 1
		if k < 0 {
			continue
		}
		left, right := g.unlike(2*e, around[k]), g.unlike(2*e+1, around[k])
		switch {
		case left && !right:
			bounding[k] = append(bounding[k], int32(2*e))
		case right && !left:
			bounding[k] = append(bounding[k], int32(2*e+1))
		}
	}
	for k := range g.out {
		settled, err := geom.Settle(g.closed(bounding[k]), geom.NonZero)
		if err != nil {
			return err
		}
		for _, ring := range settled {
			outer := geom.Area(ring) > 0
			g.out[k].Rings = append(g.out[k].Rings, Ring{Points: ring, Dropout: outer == around[k]})
		}
	}
	return nil
}

// unlike says whether the face on the left of a half-edge is another kind than what lies around its component.
func (g *gathering) unlike(half int, around bool) bool {
	face := g.cycles[g.cycleOf[half]].face
	return face >= 0 && g.dropout(int(face)) == around
}

// closed puts half-edges, of which as many arrive at every place as leave it, behind each other to closed ways.
func (g *gathering) closed(halves []int32) [][]geom.Point {
	leaving, arriving := make([]geom.Keyed, len(halves)), make([]geom.Keyed, len(halves))
	for i, h := range halves {
		leaving[i] = geom.Keyed{Key: geom.PointKey(g.start(int(h))), Item: int32(i)}
		arriving[i] = geom.Keyed{Key: geom.PointKey(g.start(int(h ^ 1))), Item: int32(i)}
	}
	geom.SortKeyed(leaving)
	geom.SortKeyed(arriving)
	next := make([]int32, len(halves)) // −1 once it is used
	for k, a := range arriving {
		next[a.Item] = leaving[k].Item
	}
	var out [][]geom.Point
	var way []int32
	for i := range halves {
		way = way[:0]
		for k := i; next[k] >= 0; {
			way = append(way, halves[k])
			k, next[k] = int(next[k]), -1
		}
		if len(way) > 0 {
			out = append(out, g.outline(way))
		}
	}
	return out
}
