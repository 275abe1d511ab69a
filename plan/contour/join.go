package contour

import (
	"cmp"
	"math"
	"slices"

	"kerfgate/plan/geom"
)

// mostEnds bounds the ends that are paired where they meet; more at one place are left apart.
const mostEnds = 256

// join makes trails of the open lines of one group and operation: at every place where ends meet
// within the tolerance they are paired, those first that go on straightest, until one or none is
// left. Whoever is paired with whom, the same way is covered; pairing by straightness keeps lines
// that were drawn through a crossing whole. joined counts the pairs.
func join(lines []worked, toleranceUM int64) (out []worked, joined int) {
	partner := make([]int32, 2*len(lines))
	for i := range partner {
		partner[i] = -1
	}
	for _, ends := range meetings(lines, toleranceUM) {
		joined += pair(lines, ends, partner, toleranceUM)
	}
	used := make([]bool, len(lines))
	out = make([]worked, 0, len(lines)-joined)
	for i, l := range lines {
		if used[i] {
			continue
		}
		if l.Closed || partner[2*i] < 0 && partner[2*i+1] < 0 {
			used[i] = true
			out = append(out, l)
			continue
		}
		out = append(out, trail(lines, int32(2*i), partner, used, toleranceUM))
	}
	return out, joined
}

// endPoint is where an end lies: end 2i is the first point of line i, 2i+1 its last.
func endPoint(lines []worked, end int32) geom.Point {
	points := lines[end/2].Points
	if end%2 == 0 {
		return points[0]
	}
	return points[len(points)-1]
}

// node is a place where ends lie within one box of the tolerance's size.
type node struct {
	box  geom.Box
	ends []int32
}

// meetings gives the groups of two or more ends that meet: ends at one point first, then the places
// nearest to each other as long as the whole place is no wider or higher than the tolerance.
func meetings(lines []worked, tolerance int64) [][]int32 {
	type kind struct {
		group int
		op    string
	}
	kinds := map[kind]int32{} // in the order of appearance; no more is needed to hold them apart
	of := func(l *worked) int32 {
		k := kind{l.Group, l.Op}
		n, ok := kinds[k]
		if !ok {
			n = int32(len(kinds))
			kinds[k] = n
		}
		return n
	}
	var sorted []geom.Keyed
	kindOf := make([]int32, len(lines))
	for i := range lines {
		if l := &lines[i]; !l.Closed {
			kindOf[i] = of(l)
			for end := 2 * i; end < 2*i+2; end++ {
				sorted = append(sorted, geom.Keyed{Key: geom.PointKey(endPoint(lines, int32(end))), Item: int32(end)})
			}
		}
	}
	geom.SortKeyed(sorted)
	if len(kinds) > 1 {
		for i, k := range sorted {
			sorted[i].Key = uint64(kindOf[k.Item/2])
		}
		geom.SortKeyed(sorted)
	}
	sameKind := func(a, b int32) bool { return kindOf[a/2] == kindOf[b/2] }
	ends := make([]int32, len(sorted))
	nodes := make([]node, 0, len(sorted))
	for i, k := range sorted {
		ends[i] = k.Item
		p := endPoint(lines, k.Item)
		if n := len(nodes) - 1; n >= 0 && nodes[n].box.Min == p && sameKind(nodes[n].ends[0], k.Item) {
			from := i - len(nodes[n].ends)
			nodes[n].ends = ends[from : i+1 : i+1]
			continue
		}
		nodes = append(nodes, node{geom.Box{Min: p, Max: p}, ends[i : i+1 : i+1]})
	}
	merge(lines, nodes, tolerance, func(a, b int) bool { return sameKind(nodes[a].ends[0], nodes[b].ends[0]) })
	var out [][]int32
	for _, n := range nodes {
		if len(n.ends) > 1 {
			out = append(out, n.ends)
		}
	}
	return out
}

// merge moves the ends of nodes that lie within the tolerance into one of them, nearest first. The two
// ends of one line stay apart where nothing would be left of it.
func merge(lines []worked, nodes []node, tolerance int64, alike func(a, b int) bool) {
	var spots geom.Polylines // each from a node back to it
	spots.Grow(len(nodes), 2*len(nodes))
	for _, n := range nodes {
		spots.Add([]geom.Point{n.box.Min, n.box.Min})
	}
	type near struct {
		a, b     int
		distance int64
	}
	var pairs []near
	search := geom.NewSegmentIndex(&spots).Search()
	for a, n := range nodes {
		search.Near(grown(n.box, tolerance), func(b int) bool {
			if b > a && alike(a, b) {
				d := nodes[b].box.Min.Sub(n.box.Min)
				if square := d.X*d.X + d.Y*d.Y; square <= tolerance*tolerance {
					pairs = append(pairs, near{a, b, square})
				}
			}
			return true
		})
	}
	slices.SortFunc(pairs, func(p, q near) int {
		return cmp.Or(cmp.Compare(p.distance, q.distance), cmp.Compare(p.a, q.a), cmp.Compare(p.b, q.b))
	})
	if len(pairs) == 0 {
		return
	}
	at := make([]int, 2*len(lines)) // node of each end
	into := newGroups(len(nodes))
	for i, n := range nodes {
		for _, e := range n.ends {
			at[e] = i
		}
	}
	collapses := func(a, b int) bool {
		for _, e := range nodes[b].ends {
			if into.of(at[e^1]) == a && !closable(lines[e/2], tolerance) {
				return true
			}
		}
		return false
	}
	for _, p := range pairs {
		a, b := into.of(p.a), into.of(p.b)
		union := nodes[a].box.Union(nodes[b].box)
		if a == b || union.Width() > tolerance || union.Height() > tolerance || collapses(a, b) {
			continue
		}
		a, b = min(a, b), max(a, b)
		into.unite(a, b)
		nodes[a] = node{union, append(nodes[a].ends, nodes[b].ends...)}
		nodes[b].ends = nil
	}
}

// pair fills partner for ends that meet at one place and says how many pairs it made.
func pair(lines []worked, ends []int32, partner []int32, tolerance int64) int {
	if len(ends) > mostEnds {
		return 0
	}
	if a, b := ends[0], ends[1]; len(ends) == 2 {
		if a/2 == b/2 && !closable(lines[a/2], tolerance) {
			return 0
		}
		partner[a], partner[b] = b, a
		return 1
	}
	type couple struct {
		a, b int32
		turn float64 // cosine between the ways out: −1 goes straight on
	}
	var couples []couple
	for i, a := range ends {
		for _, b := range ends[i+1:] {
			if a/2 == b/2 && !closable(lines[a/2], tolerance) {
				continue
			}
			p, q := wayOut(lines, a), wayOut(lines, b)
			dot := float64(p.X*q.X + p.Y*q.Y)
			size := float64(math.Sqrt(float64(p.X*p.X+p.Y*p.Y)) * math.Sqrt(float64(q.X*q.X+q.Y*q.Y)))
			couples = append(couples, couple{min(a, b), max(a, b), dot / size})
		}
	}
	slices.SortFunc(couples, func(p, q couple) int {
		return cmp.Or(cmp.Compare(p.turn, q.turn), cmp.Compare(p.a, q.a), cmp.Compare(p.b, q.b))
	})
	made := 0
	for _, c := range couples {
		if partner[c.a] < 0 && partner[c.b] < 0 {
			partner[c.a], partner[c.b] = c.b, c.a
			made++
		}
	}
	return made
}

// closable says whether a line may meet itself and leave something within.
func closable(l worked, tolerance int64) bool {
	if len(l.Points) < 4 {
		return false
	}
	box, _ := geom.BoxOf(l.Points...)
	return max(box.Width(), box.Height()) > tolerance
}

// wayOut is the direction in which a line leaves its end.
func wayOut(lines []worked, end int32) geom.Point {
	points := lines[end/2].Points
	if end%2 == 0 {
		return points[1].Sub(points[0])
	}
	return points[len(points)-2].Sub(points[len(points)-1])
}

// trail follows partners from one end to the other of what belongs together; a ring begins where
// it was entered.
func trail(lines []worked, entered int32, partner []int32, used []bool, tolerance int64) worked {
	begin := entered
	for p := partner[begin]; p >= 0; p = partner[begin] {
		if begin = p ^ 1; begin == entered {
			break
		}
	}
	first := lines[begin/2]
	out := worked{Line: Line{Group: first.Group, Op: first.Op}, suspect: first.suspect}
	ring := false
	for end, count := begin, 0; ; count++ {
		l := lines[end/2]
		used[end/2] = true
		points := l.Points
		if end%2 == 1 {
			points = slices.Clone(points)
			slices.Reverse(points)
		}
		if count > 0 {
			out.suspect = true
			points = points[1:] // it meets the last one
		}
		for _, p := range points {
			if n := len(out.Points); n == 0 || out.Points[n-1] != p {
				out.Points = append(out.Points, p)
			}
		}
		next := partner[end^1]
		if next < 0 {
			break
		}
		if next == begin {
			ring = true
			break
		}
		end = next
	}
	if n := len(out.Points); ring {
		out.Points[n-1] = out.Points[0]
		if out.Points[n-2] == out.Points[0] {
			out.Points = out.Points[:n-1]
		}
		out.Closed = len(out.Points) > 3
	}
	return out
}
