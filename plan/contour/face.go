package contour

import (
	"cmp"
	"math"
	"slices"

	"kerfgate/plan/geom"
)

// cycle is a way round that keeps one region on its left.
type cycle struct {
	first, end int32   // of its half-edges among those of all cycles
	area       float64 // µm²; positive where the cycle encloses its region
	component  int32
	face       int32 // index among the faces; −1 where the region goes on outside the component
}

// faces are the regions into which cuts divide the sheet.
type faces struct {
	*network
	cycles  []cycle
	halves  []int32 // of all cycles
	cycleOf []int32 // of each half-edge
	// Of each component, a set of cuts that hang together:
	componentOf []int32 // component of each edge
	holder      []int   // the face that it lies in, −1 for the open sheet
	depth       []int   // holders around it
	outer       []float64
	bounded     []int // cycle of each face
	extra       []int // of each face: closed lines of its own component around it, but one
}

func newFaces(n *network) *faces {
	f := &faces{network: n}
	around := n.around()
	f.findComponents()
	f.trace(around)
	f.place()
	return f
}

// findComponents numbers the components in the order of their first edges.
func (f *faces) findComponents() {
	joined := newGroups(f.nodes)
	for _, e := range f.edges {
		joined.unite(int(e.from), int(e.to))
	}
	number := make([]int32, f.nodes)
	f.componentOf = make([]int32, len(f.edges))
	count := int32(0)
	for e := range f.edges {
		root := joined.of(int(f.edges[e].from))
		if number[root] == 0 {
			count++
			number[root] = count
		}
		f.componentOf[e] = number[root] - 1
	}
	f.holder = make([]int, count)
	f.depth = make([]int, count)
	f.outer = make([]float64, count)
}

// trace follows every half-edge to the next one clockwise from the way back, which keeps one region
// on the left all the way round.
func (f *faces) trace(around nodes) {
	place := make([]int32, 2*len(f.edges)) // in ways
	for k, h := range around.ways {
		place[h] = int32(k)
	}
	f.cycleOf = make([]int32, 2*len(f.edges))
	f.halves = make([]int32, 0, len(f.cycleOf))
	for h := range f.cycleOf {
		f.cycleOf[h] = -1
	}
	var points []geom.Point
	for h := range int32(len(f.cycleOf)) {
		if f.cycleOf[h] >= 0 {
			continue
		}
		c := cycle{first: int32(len(f.halves)), component: f.componentOf[h/2], face: -1}
		points = append(points[:0], f.start(int(h)))
		for g := h; f.cycleOf[g] < 0; {
			f.cycleOf[g] = int32(len(f.cycles))
			f.halves = append(f.halves, g)
			f.each(int(g), func(_, b geom.Point) { points = append(points, b) })
			back := g ^ 1
			node := f.leaves(back)
			before := place[back] - 1
			if before < around.first[node] {
				before = around.first[node+1] - 1
			}
			g = around.ways[before]
		}
		c.end = int32(len(f.halves))
		if c.area = geom.Area(points); c.area > 0 {
			c.face = int32(len(f.bounded))
			f.bounded = append(f.bounded, len(f.cycles))
		} else {
			f.outer[c.component] -= c.area
		}
		f.cycles = append(f.cycles, c)
	}
}

// place finds the face that holds each component, by what lies to the left of its leftmost point.
func (f *faces) place() {
	leftmost := make([]geom.Point, len(f.holder))
	boxes := make([]geom.Box, len(f.holder))
	for c := range leftmost {
		leftmost[c] = geom.Pt(math.MaxInt64, 0)
	}
	for e := range f.edges {
		c := f.componentOf[e]
		for _, p := range f.ways.Line(e) {
			if leftmost[c].X == math.MaxInt64 {
				boxes[c] = geom.Box{Min: p, Max: p}
			}
			boxes[c] = boxes[c].With(p)
			if geom.Compare(p, leftmost[c]) < 0 {
				leftmost[c] = p
			}
		}
	}
	order := make([]int32, len(leftmost))
	for c := range order {
		order[c] = int32(c)
		f.holder[c] = -1
	}
	slices.SortFunc(order, func(a, b int32) int {
		return cmp.Or(geom.Compare(leftmost[a], leftmost[b]), cmp.Compare(a, b))
	})
	var search *geom.SegmentSearch
	for k, boxed := range boxed(order, leftmost, boxes) {
		if !boxed {
			continue
		}
		if search == nil {
			search = f.indexed().Search()
		}
		c := order[k]
		h, ok := f.left(search, leftmost[c], leftmost[order[0]].X, func(s int) bool { return f.componentOf[f.ways.Of[s]] == c })
		if !ok {
			continue
		}
		half := 2 * int(f.ways.Of[h.segment])
		if s := f.ways.Segment(h.segment); s.A.Y < s.B.Y {
			half++ // the component lies on the right of the segment's direction
		}
		f.holder[c] = f.region(half)
		if f.holder[c] >= 0 {
			f.depth[c] = f.depth[f.cycles[f.bounded[f.holder[c]]].component] + 1
		}
	}
}

// round gives the half-edges of a cycle.
func (f *faces) round(cycle int) []int32 { return f.halves[f.cycles[cycle].first:f.cycles[cycle].end] }

// region is the face on the left of a half-edge, −1 for the open sheet.
func (f *faces) region(half int) int {
	c := &f.cycles[f.cycleOf[half]]
	if c.face >= 0 {
		return int(c.face)
	}
	return f.holder[c.component]
}

// nested counts for every face the closed lines of its own component around it. Where closed lines
// only touch or cross, what is inside two of them is waste as it is by even-odd. Where open ones hang
// on too, as in a lattice, or where edges were drawn twice, a closed line may be what is left of many,
// and says nothing about what lies in it.
func (f *faces) nested(lines []Line) error {
	f.extra = make([]int, len(f.bounded))
	closed := make([][]int, len(f.holder))
	open := make([]bool, len(f.holder))
	seen := make([]bool, len(lines))
	for e := range f.edges {
		l, c := int(f.edges[e].line), f.componentOf[e]
		if open[c] = open[c] || !lines[l].Closed; lines[l].Closed && !seen[l] {
			seen[l] = true
			closed[c] = append(closed[c], l)
		}
	}
	for c := range closed {
		if open[c] {
			closed[c] = nil
		}
	}
	boxes := map[int]geom.Box{}
	for _, c := range closed {
		if len(c) > 1 {
			for _, l := range c {
				boxes[l], _ = geom.BoxOf(lines[l].Points...)
			}
		}
	}
	var work int64
	for face, at := range f.bounded {
		around := closed[f.cycles[at].component]
		if len(around) < 2 {
			continue
		}
		x, y, ok := f.inner(at)
		if !ok {
			continue
		}
		count := 0
		for _, l := range around {
			work++
			if b := boxes[l]; y < b.Min.Y || y >= b.Max.Y || x < float64(b.Min.X) || x > float64(b.Max.X) {
				continue
			}
			work += int64(len(lines[l].Points))
			odd := false
			for i := 1; i < len(lines[l].Points); i++ {
				if at, ok := level(lines[l].Points[i-1], lines[l].Points[i], y); ok && at < x {
					odd = !odd
				}
			}
			if odd {
				count++
			}
		}
		if work > mostVisits {
			return ErrTangled
		}
		f.extra[face] = max(0, count-1)
	}
	return nil
}

// inner is a place within a cycle's region: the middle of the widest stretch of the level line half
// a micrometre above y. Regions lower than a micrometre have none.
func (f *faces) inner(cycle int) (x float64, y int64, ok bool) {
	var box geom.Box
	for i, h := range f.round(cycle) {
		b, _ := geom.BoxOf(f.ways.Line(int(h / 2))...)
		if i == 0 {
			box = b
		}
		box = box.Union(b)
	}
	if box.Height() < 1 {
		return 0, 0, false
	}
	y = box.Min.Y + (box.Height()-1)/2
	var xs []float64
	for _, h := range f.round(cycle) {
		f.each(int(h), func(a, b geom.Point) {
			if at, ok := level(a, b, y); ok {
				xs = append(xs, at)
			}
		})
	}
	slices.Sort(xs)
	widest := 0.0
	for i := 0; i+1 < len(xs); i += 2 {
		if w := xs[i+1] - xs[i]; w > widest {
			widest, x = w, xs[i]+w/2
		}
	}
	return x, y, widest > 0
}

// level is where a–b crosses the level half a micrometre above y.
func level(a, b geom.Point, y int64) (float64, bool) {
	if a.Y > b.Y {
		a, b = b, a
	}
	if a.Y > y || b.Y <= y {
		return 0, false
	}
	t := (float64(y-a.Y) + 0.5) / float64(b.Y-a.Y)
	return float64(a.X) + float64(t*float64(b.X-a.X)), true
}

// dropout says whether a face is waste: the depth of its component and its own are odd together.
func (f *faces) dropout(face int) bool {
	return (f.depth[f.cycles[f.bounded[face]].component]+f.extra[face])%2 == 1
}
