package plan

import (
	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
)

const (
	// outlineSlackUM is how far the outline of a trace may leave a corner outside: less than an eye sees
	// under the carriage.
	outlineSlackUM = 200
	// MostOutline bounds the corners of an outline.
	MostOutline = 64
)

// Outline is the way around everything that the tool marks, as a line stretched around it would lie: the corners of
// the convex hull, anticlockwise, in the plan's coordinates and not closed; corners that stand out by less
// than 0.2 mm are left out. It has no hops, passes each side once, and shows on an off-cut what a box would
// hide. Empty where nothing is marked.
func (p *Plan) Outline() []geom.Point {
	const room = 4096 // points that are held before they are reduced
	held, most := make([]geom.Point, 0, room), room
	for s := range p.Each() {
		for _, part := range s.Marked() {
			held = append(held, part...)
			if len(held) >= most {
				held = geom.Hull(held)
				most = max(room, 2*len(held))
			}
		}
	}
	return geom.Fewer(geom.Hull(held), outlineSlackUM, MostOutline)
}

// TracedBox is the box around everything that the tool marks, as corners.
func (p *Plan) TracedBox() []geom.Point {
	b := p.Extents
	return []geom.Point{b.Min, geom.Pt(b.Max.X, b.Min.Y), b.Max, geom.Pt(b.Min.X, b.Max.Y)}
}

// ToldAround are the corners of a way around the plan as its machine has to be told them, from the origin.
func (p *Plan) ToldAround(profile machine.Profile, corners []geom.Point) []geom.Point {
	g := p.GeometryOn(profile)
	told := make([]geom.Point, 0, len(corners))
	for _, c := range corners {
		told = append(told, g.Told(c))
	}
	return told
}
