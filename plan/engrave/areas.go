package engrave

import (
	"cmp"
	"fmt"
	"slices"

	"kerfgate/plan/geom"
)

// Area is what one shape encloses: outlines whose last point equals their first.
type Area struct {
	Outlines [][]geom.Point
	// EvenOdd: inside is where the outlines run around an odd number of times; else where they do not
	// run around zero times in sum.
	EvenOdd bool
	// Painted: the shape is filled in the drawing. Painted areas that overlap are one, and lie over all
	// others. Those that are not painted are taken as outlines among each other: one inside another is
	// a hole in it.
	Painted bool
}

// Areas fills what the areas enclose together. A tool whose jitter moves no end by more than a pitch is
// switched in motion; for any other every line is a row of its own, from rest to rest. In motion a line that is
// too short for the switch is a row of its own too, the carriage stops before a blank that is too short, and a
// blank that is so short that the width of the tool's line covers it is passed with the tool on. Errors are
// *Refusal.
func Areas(areas []Area, p Pattern, limits Limits) ([]Row, error) {
	if err := p.check(); err != nil {
		return nil, err
	}
	limits = limits.WithDefaults()
	first, crossings, err := cross(areas, p.PitchUM, limits)
	if err != nil {
		return nil, err
	}
	c := newCarriage(p, limits, p.edgesHold())
	w := winding{areas: areas, around: make([]int32, len(areas))}
	for k, at := range crossings {
		if err := c.level(first+int64(k)*p.PitchUM, w.runs(at)); err != nil {
			return nil, err
		}
	}
	return c.done()
}

// crossing is where a level line meets an outline.
type crossing struct {
	x    int64
	area int32
	turn int32 // +1 where the outline runs upwards, −1 where it runs down
}

// winding counts along a level line how often the outlines of each area run around.
type winding struct {
	areas  []Area
	around []int32 // by area; all zero before and after a line, since outlines are closed
	kept   []run
}

func (w *winding) inside(area int32) bool {
	n := w.around[area]
	return n != 0 && (n%2 != 0 || !w.areas[area].EvenOdd)
}

// runs gives the parts of a level line that lie inside; those that touch are one.
func (w *winding) runs(at []crossing) []run {
	slices.SortFunc(at, func(a, b crossing) int {
		return cmp.Or(cmp.Compare(a.x, b.x), cmp.Compare(a.area, b.area), cmp.Compare(a.turn, b.turn))
	})
	w.kept = w.kept[:0]
	painted, outlined, was := 0, false, false
	var from int64
	for _, c := range at {
		before := w.inside(c.area)
		w.around[c.area] += c.turn
		if after := w.inside(c.area); after != before {
			switch {
			case !w.areas[c.area].Painted:
				outlined = !outlined
			case after:
				painted++
			default:
				painted--
			}
		}
		is := painted > 0 || outlined
		if is && !was {
			from = c.x
		} else if was && !is && from < c.x {
			if n := len(w.kept); n > 0 && w.kept[n-1].to == from {
				w.kept[n-1].to = c.x
			} else {
				w.kept = append(w.kept, run{from, c.x})
			}
		}
		was = is
	}
	return w.kept
}

// cross finds where level lines, the first at first and then one every pitch, meet the areas' outlines.
// They are reckoned half a micrometre above the grid, so that none passes through a point.
func cross(areas []Area, pitch int64, limits Limits) (first int64, crossings [][]crossing, err error) {
	box, some := geom.Box{}, false
	for _, a := range areas {
		for _, points := range a.Outlines {
			b, ok := geom.BoxOf(points...)
			if ok && some {
				b = b.Union(box)
			}
			if ok {
				box, some = b, true
			}
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
	crossings = make([][]crossing, count)
	left := limits.Crossings
	for index, area := range areas {
		for _, points := range area.Outlines {
			for i := 1; i < len(points); i++ {
				a, b, turn := points[i-1], points[i], int32(1)
				if a.Y > b.Y {
					a, b, turn = b, a, -1
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
					crossings[k] = append(crossings[k], crossing{x, int32(index), turn})
				}
			}
		}
	}
	return first, crossings, nil
}
