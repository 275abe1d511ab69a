package route

import (
	"math"

	"kerfgate/plan/geom"
	"kerfgate/plan/motion"
)

// Time is the cost of a straight way from rest to rest in whole nanoseconds, by the speed and the
// accelerations of the machine: motion.Limits.TravelTime with what does not change taken out, since
// it is asked for a hundred million times.
//
// With d/a = s, the larger of |Δx|/ax and |Δy|/ay, a way on which the speed v is not reached
// (v²·s ≥ d²) takes 2·√s, another one d/v + v·s/d.
func Time(l motion.Limits) func(dx, dy int64) int64 {
	v := float64(l.TravelUMPerS)
	perAX, perAY := 1/float64(l.AccelXUMPerS2), 1/float64(l.AccelYUMPerS2)
	return func(dx, dy int64) int64 {
		x, y := float64(dx), float64(dy)
		s := max(x*perAX, y*perAY)
		dd := float64(x*x) + float64(y*y)
		if float64(v*v*s) >= dd {
			return int64(2e9*math.Sqrt(s) + 0.5)
		}
		d := math.Sqrt(dd)
		return int64(1e9*(d/v+v*s/d) + 0.5)
	}
}

func between(cost func(dx, dy int64) int64, p, q geom.Point) int64 {
	return cost(distance(p.X, q.X), distance(p.Y, q.Y))
}

func distance(a, b int64) int64 {
	if a < b {
		return b - a
	}
	return a - b
}

// gap is the least cost between a point of one box and one of another.
func gap(cost func(dx, dy int64) int64, a, b geom.Box) int64 {
	return cost(
		max(0, b.Min.X-a.Max.X, a.Min.X-b.Max.X),
		max(0, b.Min.Y-a.Max.Y, a.Min.Y-b.Max.Y),
	)
}
