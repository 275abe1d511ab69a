package contour

import (
	"cmp"
	"slices"

	"kerfgate/plan/geom"
)

// run is a part of a line, from and to in µm along it.
type run struct{ from, to float64 }

// united sorts runs and merges those that overlap or lie at most gap apart.
func united(runs []run, gap float64) []run {
	slices.SortFunc(runs, func(a, b run) int { return cmp.Or(cmp.Compare(a.from, b.from), cmp.Compare(a.to, b.to)) })
	out := runs[:0]
	for _, r := range runs {
		if n := len(out); n > 0 && r.from <= out[n-1].to+gap {
			out[n-1].to = max(out[n-1].to, r.to)
			continue
		}
		out = append(out, r)
	}
	return out
}

// outside gives the parts of whole that no run covers; runs are sorted and disjoint.
func outside(whole run, runs []run) []run {
	var out []run
	at := whole.from
	for _, r := range runs {
		if r.to <= at {
			continue
		}
		if r.from >= whole.to {
			break
		}
		if r.from > at {
			out = append(out, run{at, r.from})
		}
		at = max(at, r.to)
	}
	if at < whole.to {
		out = append(out, run{at, whole.to})
	}
	return out
}

// arcs appends for every point how far it lies along the line.
func arcs(out []float64, points []geom.Point) []float64 {
	out = slices.Grow(out, len(points))
	at := 0.0
	for i, p := range points {
		if i > 0 {
			at += geom.Distance(points[i-1], p)
		}
		out = append(out, at)
	}
	return out
}

// part is the polyline along the run, whose ends are rounded to the grid. A run that reaches past
// the end of a closed line goes on at its beginning.
func part(points []geom.Point, along []float64, r run) []geom.Point {
	total := along[len(along)-1]
	var out []geom.Point
	add := func(p geom.Point) {
		if n := len(out); n == 0 || out[n-1] != p {
			out = append(out, p)
		}
	}
	add(pointAt(points, along, r.from))
	for turn := 0.0; turn < r.to; turn += total {
		first, _ := slices.BinarySearch(along, r.from-turn)
		for i := max(0, first); i < len(points) && along[i]+turn < r.to; i++ {
			if along[i]+turn > r.from {
				add(points[i])
			}
		}
	}
	add(pointAt(points, along, r.to))
	return out
}

// pointAt is the grid point at a distance along the line; past the end it goes round.
func pointAt(points []geom.Point, along []float64, at float64) geom.Point {
	total := along[len(along)-1]
	if at > total {
		at -= total
	}
	i, exact := slices.BinarySearch(along, at)
	if exact || i == 0 {
		return points[i]
	}
	if i == len(points) {
		return points[i-1]
	}
	s := geom.Segment{A: points[i-1], B: points[i]}
	return s.At((at - along[i-1]) / (along[i] - along[i-1]))
}
