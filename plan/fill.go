package plan

import (
	"fmt"
	"slices"

	"kerfgate/plan/geom"
)

// mostCrossings bounds the work of filling areas.
const mostCrossings = 2_000_000

// leastPitchUM bounds how close the lines of a filling lie.
const leastPitchUM = 50

// fillAreas replaces the closed lines of engraved groups by level lines across their inside, one
// spot width apart; what lies inside is counted by even-odd within a group. Open lines have no
// inside: they are named and left out.
func (m *maker) fillAreas(lines []line, groups []Group) []line {
	var out []line
	areas := make([][]line, len(groups))
	open := make([]int, len(groups))
	for _, l := range lines {
		switch {
		case l.op != Engrave:
			out = append(out, l)
		case l.closed:
			areas[l.group] = append(areas[l.group], l)
		default:
			open[l.group]++
		}
	}
	m.warnOpenCuts(out, groups)
	left := mostCrossings
	for g, area := range areas {
		if open[g] > 0 {
			m.warn(fmt.Sprintf("open lines have no inside to engrave and are left out: %d", open[g]),
				"group "+groups[g].Letter, "close them in the drawing, or mark them instead")
		}
		rows, ok := fillRows(area, max(leastPitchUM, m.tool.SpotUM), &left)
		if !ok {
			m.refuse(Reason{What: "the areas to engrave are too large or too fine", Next: "engrave less, or mark the outlines",
				Field: "operations." + groups[g].Letter, Limit: fmt.Sprintf("%d line ends", mostCrossings), Value: "more"})
			return nil
		}
		for _, r := range rows {
			out = append(out, line{group: g, op: Engrave, points: []geom.Point{r[0], r[1]}})
		}
	}
	return out
}

// fillRows gives the parts of level lines that lie inside the areas, bottom up and left to right.
// Rows lie half a micrometre above the grid, so that none passes through a point; ok is false when
// more than left crossings are needed.
func fillRows(area []line, pitch int64, left *int) (rows [][2]geom.Point, ok bool) {
	if len(area) == 0 {
		return nil, true
	}
	box, _ := geom.BoxOf(area[0].points...)
	for _, l := range area[1:] {
		b, _ := geom.BoxOf(l.points...)
		box = box.Union(b)
	}
	first := box.Min.Y + pitch/2
	if first >= box.Max.Y {
		first = box.Min.Y
	}
	count := (box.Max.Y-1-first)/pitch + 1
	if box.Max.Y-1 < first {
		return nil, true
	}
	if count > mostCrossings {
		return nil, false
	}
	crossings := make([][]int64, count)
	for _, l := range area {
		for i := 1; i < len(l.points); i++ {
			a, b := l.points[i-1], l.points[i]
			if a.Y > b.Y {
				a, b = b, a
			}
			// Rows with a.Y ≤ y < b.Y, that is a.Y < y + ½ < b.Y.
			k := max(0, (a.Y-first+pitch-1)/pitch)
			if a.Y <= first {
				k = 0
			}
			for ; k < count && first+k*pitch < b.Y; k++ {
				if *left--; *left < 0 {
					return nil, false
				}
				y2 := 2*(first+k*pitch) + 1
				rise := 2 * (b.Y - a.Y)
				x := a.X + floorDiv((y2-2*a.Y)*(b.X-a.X)+rise/2, rise)
				crossings[k] = append(crossings[k], x)
			}
		}
	}
	for k, xs := range crossings {
		slices.Sort(xs)
		y := first + int64(k)*pitch
		for i := 0; i+1 < len(xs); i += 2 {
			if xs[i] < xs[i+1] {
				rows = append(rows, [2]geom.Point{geom.Pt(xs[i], y), geom.Pt(xs[i+1], y)})
			}
		}
	}
	return rows, true
}
