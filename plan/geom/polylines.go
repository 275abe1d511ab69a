package geom

import "slices"

// Polylines are polylines behind each other, with their segments counted through. That takes half the
// memory of segments that each have both their ends.
type Polylines struct {
	Points []Point
	Of     []int32 // of each segment, the polyline
	First  []int32 // of each polyline, its first point; it has one segment fewer than points
}

// Grow makes room for so many more polylines with so many points in all.
func (p *Polylines) Grow(lines, points int) {
	p.Points = slices.Grow(p.Points, points)
	p.Of = slices.Grow(p.Of, max(0, points-lines))
	p.First = slices.Grow(p.First, lines)
}

// Add appends a polyline.
func (p *Polylines) Add(points []Point) {
	p.Begin()
	p.Points = append(p.Points, points...)
	p.End()
}

// Begin lets the points that are appended from here on be those of a further polyline; End ends it.
func (p *Polylines) Begin() { p.First = append(p.First, int32(len(p.Points))) }

// End ends the last polyline, which has at least one point.
func (p *Polylines) End() {
	k := len(p.First) - 1
	for len(p.Of) < len(p.Points)-1-k {
		p.Of = append(p.Of, int32(k))
	}
}

// Len is how many segments there are.
func (p *Polylines) Len() int { return len(p.Of) }

// Segment is the i-th of all.
func (p *Polylines) Segment(i int) Segment {
	k := i + int(p.Of[i]) // every polyline before has a point more than segments
	return Segment{p.Points[k], p.Points[k+1]}
}

// Line is the k-th polyline.
func (p *Polylines) Line(k int) []Point {
	end := len(p.Points)
	if k+1 < len(p.First) {
		end = int(p.First[k+1])
	}
	return p.Points[p.First[k]:end:end]
}

// Segments are those of the k-th polyline: from the first to before end.
func (p *Polylines) Segments(k int) (first, end int) {
	first = int(p.First[k]) - k
	return first, first + len(p.Line(k)) - 1
}
