package geom

import (
	"cmp"
	"math"
	"slices"
)

// Hull is the convex hull of points: its corners anticlockwise from the leftmost lowest, none on the line
// between its neighbours; of points on one line their two ends, of one point itself. Andrew's monotone chain
// (A. M. Andrew, Information Processing Letters 9, 1979). The slice is sorted in place.
func Hull(points []Point) []Point {
	slices.SortFunc(points, func(a, b Point) int {
		if c := cmp.Compare(a.X, b.X); c != 0 {
			return c
		}
		return cmp.Compare(a.Y, b.Y)
	})
	points = slices.Compact(points)
	if len(points) < 3 {
		return slices.Clone(points)
	}
	hull := make([]Point, 0, 16)
	half := func(from int, p Point) {
		for len(hull) >= from+2 && Cross(hull[len(hull)-2], hull[len(hull)-1], p) <= 0 {
			hull = hull[:len(hull)-1]
		}
		hull = append(hull, p)
	}
	for _, p := range points {
		half(0, p)
	}
	lower := len(hull) - 1
	for i := len(points) - 2; i >= 0; i-- {
		half(lower, points[i])
	}
	return hull[:len(hull)-1]
}

// Fewer leaves corners of a convex ring out that lie at most slack µm outside what remains, and doubles the
// slack until no more than most are left.
func Fewer(ring []Point, slack float64, most int) []Point {
	for ; len(ring) > 3; slack *= 2 {
		kept := ring[:1:1]
		for i, last := 1, 0; i < len(ring); i++ {
			next := ring[(i+1)%len(ring)]
			for k := last + 1; k <= i; k++ {
				if off(ring[k], ring[last], next) > slack {
					kept = append(kept, ring[i])
					last = i
					break
				}
			}
		}
		if len(kept) <= most {
			if len(kept) < 3 {
				return ring[:min(len(ring), most)]
			}
			return kept
		}
	}
	return ring
}

// off is how far a point lies from the line through two others.
func off(p, a, b Point) float64 {
	if way := Distance(a, b); way > 0 {
		return math.Abs(float64(Cross(a, b, p))) / way
	}
	return Distance(a, p)
}
