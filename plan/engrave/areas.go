package engrave

import (
	"fmt"
	"slices"

	"kerfgate/plan/geom"
)

// Areas fills what closed outlines (the last point of each equals its first) enclose; what lies
// inside is counted by even-odd over all of them. A tool that keeps up is switched in motion; for
// any other every line is a row of its own, from rest to rest. Errors are *Refusal.
func Areas(outlines [][]geom.Point, p Pattern, limits Limits) ([]Row, error) {
	if err := p.check(); err != nil {
		return nil, err
	}
	limits = limits.WithDefaults()
	first, crossings, err := cross(outlines, p.PitchUM, limits)
	if err != nil {
		return nil, err
	}
	c := newCarriage(p, limits, p.keepsUp())
	for k, xs := range crossings {
		slices.Sort(xs)
		if err := c.level(first+int64(k)*p.PitchUM, between(xs)); err != nil {
			return nil, err
		}
	}
	return c.done()
}

// between gives the runs inside, from every odd crossing to the next; those that touch are one.
func between(xs []int64) []run {
	var runs []run
	for i := 0; i+1 < len(xs); i += 2 {
		switch n := len(runs); {
		case xs[i] == xs[i+1]:
		case n > 0 && runs[n-1].to == xs[i]:
			runs[n-1].to = xs[i+1]
		default:
			runs = append(runs, run{xs[i], xs[i+1]})
		}
	}
	return runs
}

// cross finds where level lines, the first at first and then one every pitch, meet the outlines.
// They are reckoned half a micrometre above the grid, so that none passes through a point.
func cross(outlines [][]geom.Point, pitch int64, limits Limits) (first int64, crossings [][]int64, err error) {
	box, some := geom.Box{}, false
	for _, points := range outlines {
		b, ok := geom.BoxOf(points...)
		if ok && some {
			b = b.Union(box)
		}
		if ok {
			box, some = b, true
		}
	}
	if !some || box.Height() == 0 {
		return 0, nil, nil
	}
	if far := max(-box.Min.X, -box.Min.Y, box.Max.X, box.Max.Y); far > geom.MostCoordinateUM {
		return 0, nil, &Refusal{What: "the areas to engrave lie too far out", Next: "move them to the drawing's page",
			Limit: mm(geom.MostCoordinateUM) + " mm", Value: mm(far) + " mm"}
	}
	first = box.Min.Y + pitch/2
	if first >= box.Max.Y {
		first = box.Min.Y
	}
	count := (box.Max.Y-1-first)/pitch + 1
	if count > int64(limits.Rows) {
		return 0, nil, tooFine("rows", limits.Rows, fmt.Sprint(count))
	}
	crossings = make([][]int64, count)
	left := limits.Crossings
	for _, points := range outlines {
		for i := 1; i < len(points); i++ {
			a, b := points[i-1], points[i]
			if a.Y > b.Y {
				a, b = b, a
			}
			// Lines with a.Y ≤ y < b.Y, that is a.Y < y + ½ < b.Y.
			k := int64(0)
			if a.Y > first {
				k = ceilDiv(a.Y-first, pitch)
			}
			for ; k < count && first+k*pitch < b.Y; k++ {
				if left--; left < 0 {
					return 0, nil, tooFine("line ends", limits.Crossings, "more")
				}
				y2 := 2*(first+k*pitch) + 1
				rise := 2 * (b.Y - a.Y)
				x := a.X + geom.FloorDiv((y2-2*a.Y)*(b.X-a.X)+rise/2, rise)
				crossings[k] = append(crossings[k], x)
			}
		}
	}
	return first, crossings, nil
}
