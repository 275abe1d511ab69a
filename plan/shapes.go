package plan

import (
	"fmt"
	"math"

	"kerfgate/plan/drawing"
	"kerfgate/plan/geom"
)

// line is one polyline on its way from the drawing to a stroke.
type line struct {
	group  int // index of its group
	op     Operation
	closed bool // the last point equals the first
	points []geom.Point
}

// groupsOf finds the drawing's own groups: what shares a layer and a line colour, in order of
// appearance. of gives each shape's group.
func groupsOf(d *drawing.Drawing) (groups []Group, of []int) {
	type key struct{ layer, colour string }
	seen := map[key]int{}
	of = make([]int, len(d.Shapes))
	for i, s := range d.Shapes {
		k := key{s.Layer, s.Stroke}
		g, ok := seen[k]
		if !ok {
			g = len(groups)
			seen[k] = g
			groups = append(groups, Group{Letter: letter(g), Layer: s.Layer, Colour: s.Stroke})
		}
		groups[g].Shapes++
		of[i] = g
	}
	return groups, of
}

// letter is A, B, … Z, AA, AB, … for 0, 1, …
func letter(i int) string {
	text := ""
	for i++; i > 0; i = (i - 1) / 26 {
		text = string(rune('A'+(i-1)%26)) + text
	}
	return text
}

// tolerance is how far a flattened curve may lie from the true one, in µm: no more than one count
// of the drive, and 20 µm at most.
func tolerance(smallestStepUM int64) int64 { return max(1, min(20, smallestStepUM)) }

// flatten turns shapes into polylines in whole µm with y growing upwards, and leaves out what has
// no length. The error is a Reason's text when there are too many points.
func flatten(d *drawing.Drawing, of []int, groups []Group, toleranceUM int64, most int) ([]line, error) {
	var lines []line
	left := most
	for i, s := range d.Shapes {
		for _, path := range s.Paths {
			corners, ok := path.Flatten(float64(toleranceUM)/1000, left)
			if !ok {
				return nil, fmt.Errorf("more than %d points are needed to follow the curves", most)
			}
			left -= len(corners)
			l := line{group: of[i], closed: path.Closed}
			for _, c := range corners {
				p := geom.Pt(micrometres(c.X), micrometres(-c.Y))
				if n := len(l.points); n == 0 || l.points[n-1] != p {
					l.points = append(l.points, p)
				}
			}
			if len(l.points) < 2 {
				continue
			}
			l.closed = l.closed && len(l.points) > 3 && l.points[0] == l.points[len(l.points)-1]
			groups[of[i]].LengthUM += geom.Length(l.points)
			lines = append(lines, l)
		}
	}
	return lines, nil
}

// micrometres rounds mm to the grid. The small bias keeps values that are meant to lie exactly
// between two grid points, and miss it in the last bit, on one side.
func micrometres(mm float64) int64 {
	return int64(math.Floor(float64(mm*1000) + 0.5 + 1e-6))
}
