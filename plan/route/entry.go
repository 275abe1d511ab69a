package route

import "kerfgate/plan/geom"

// Entry is where a closed line may be begun: at a point of the edge that leaves its Edge-th vertex.
type Entry struct {
	Edge int
	At   geom.Point
}

// Entries spreads at most `most` entries, at least one, along a closed line, whose last point equals
// its first: its vertices, or every so manyth of them where there are more, and on edges longer than
// apartUM points about that far from one to the next, further where they would be too many. Points on
// an edge are rounded to the grid. They are in the order in which they lie on the line.
func Entries(line []geom.Point, most int, apartUM int64) []Entry {
	n := len(line) - 1
	step := (n + most - 1) / most
	if step > 1 {
		out := make([]Entry, 0, most)
		for v := 0; v < n; v += step {
			out = append(out, Entry{v, line[v]})
		}
		return out
	}
	apart := float64(apartUM)
	if room := most - n; room > 0 {
		apart = max(apart, float64(geom.Length(line)+1)/float64(room))
	}
	out := make([]Entry, 0, n)
	for v := range n {
		out = append(out, Entry{v, line[v]})
		if n == most {
			continue
		}
		edge := geom.Segment{A: line[v], B: line[v+1]}
		parts := int(geom.Distance(edge.A, edge.B) / apart)
		for k := 1; k < parts; k++ {
			out = append(out, Entry{v, edge.At(float64(k) / float64(parts))})
		}
	}
	return out
}

// Begin gives the closed line from the entry once round to it.
func (e Entry) Begin(line []geom.Point) []geom.Point {
	if e.At == line[e.Edge] {
		return geom.Rotated(line, e.Edge)
	}
	n := len(line) - 1
	out := make([]geom.Point, 0, n+2)
	out = append(out, e.At)
	out = append(out, line[e.Edge+1:n]...)
	out = append(out, line[:e.Edge+1]...)
	return append(out, e.At)
}
