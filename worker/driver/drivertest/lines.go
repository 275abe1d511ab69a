package drivertest

import (
	"math"

	"kerfgate/plan/geom"
)

// farthest is the greatest distance, in micrometres, from a place on either set of lines to the
// other; +Inf where one is empty and the other is not.
func farthest(a, b [][]geom.Point) float64 { return max(Strays(a, b), Strays(b, a)) }

// Strays is how far, in micrometres, a place on the lines of a lies from the nearest on b at most; places are
// 0.1 mm apart. +Inf where b is empty and a is not.
func Strays(a, b [][]geom.Point) float64 {
	most := 0.0
	for _, line := range a {
		for i := 1; i < len(line); i++ {
			d := line[i].Sub(line[i-1])
			n := max(int(math.Hypot(float64(d.X), float64(d.Y))/100), 1)
			for k := 0; k <= n; k++ {
				f := float64(k) / float64(n)
				x, y := float64(line[i-1].X)+f*float64(d.X), float64(line[i-1].Y)+f*float64(d.Y)
				most = max(most, nearest(x, y, b))
			}
		}
	}
	return most
}

func nearest(x, y float64, lines [][]geom.Point) float64 {
	least := math.Inf(1)
	for _, line := range lines {
		for i := 1; i < len(line); i++ {
			ax, ay := float64(line[i-1].X), float64(line[i-1].Y)
			ux, uy := float64(line[i].X)-ax, float64(line[i].Y)-ay
			f := 0.0
			if l := ux*ux + uy*uy; l > 0 {
				f = min(max(((x-ax)*ux+(y-ay)*uy)/l, 0), 1)
			}
			least = min(least, math.Hypot(x-ax-f*ux, y-ay-f*uy))
		}
	}
	return least
}
