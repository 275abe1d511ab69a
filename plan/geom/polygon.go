package geom

import (
	"math"
	"math/bits"
)

// Cross is the z part of (a − o) × (b − o), in µm²: positive where o, a, b turn to the left.
// Exact for coordinates up to 10⁹ µm.
func Cross(o, a, b Point) int64 {
	return (a.X-o.X)*(b.Y-o.Y) - (a.Y-o.Y)*(b.X-o.X)
}

// Distance is the straight way from p to q in µm.
func Distance(p, q Point) float64 {
	dx, dy := float64(q.X-p.X), float64(q.Y-p.Y)
	return math.Sqrt(float64(dx*dx) + float64(dy*dy))
}

// Length is the length of the polyline in whole µm, rounded once at its end.
func Length(points []Point) int64 {
	var sum float64
	for i := 1; i < len(points); i++ {
		sum += Distance(points[i-1], points[i])
	}
	return int64(math.Round(sum))
}

// Area is the area in µm² within the closed polyline (its last point equals its first), positive
// when it runs anticlockwise.
func Area(points []Point) float64 {
	if len(points) < 3 {
		return 0
	}
	var hi, lo uint64 // the sum in 128 bits, since 10⁷ points may overflow 64
	o := points[0]
	for i := 1; i+1 < len(points); i++ {
		c := Cross(o, points[i], points[i+1])
		var carry uint64
		lo, carry = bits.Add64(lo, uint64(c), 0)
		hi += uint64(c>>63) + carry
	}
	sign := 1.0
	if int64(hi) < 0 {
		var borrow uint64
		lo, borrow = bits.Sub64(0, lo, 0)
		hi, _ = bits.Sub64(0, hi, borrow)
		sign = -1
	}
	return sign * (float64(float64(hi)*(1<<63)) + float64(float64(lo)/2))
}

// Side says where a point lies.
type Side int

// The three places.
const (
	Outside Side = iota
	OnEdge
	Within
)

// Region is a closed polyline prepared for many questions. Inside counts by even-odd.
type Region struct {
	Box    Box
	points []Point
	bands  [][]int32 // edges by band of y; nil for short outlines
	height int64     // of one band
}

// NewRegion prepares a closed polyline, whose last point equals its first.
func NewRegion(points []Point) *Region {
	r := &Region{points: points}
	r.Box, _ = BoxOf(points...)
	edges := len(points) - 1
	if edges < 64 {
		return r
	}
	n := int64(edges / 8)
	r.height = r.Box.Height()/n + 1
	r.bands = make([][]int32, n)
	for i := range edges {
		low := min(points[i].Y, points[i+1].Y)
		high := max(points[i].Y, points[i+1].Y)
		// A long edge would fill many bands: such outlines cross few of them each.
		for b := (low - r.Box.Min.Y) / r.height; b <= (high-r.Box.Min.Y)/r.height; b++ {
			r.bands[b] = append(r.bands[b], int32(i))
		}
	}
	return r
}

// Locate says where p lies; exact.
func (r *Region) Locate(p Point) Side {
	if p.X < r.Box.Min.X || p.X > r.Box.Max.X || p.Y < r.Box.Min.Y || p.Y > r.Box.Max.Y {
		return Outside
	}
	odd := false
	if r.bands != nil {
		for _, i := range r.bands[(p.Y-r.Box.Min.Y)/r.height] {
			switch edge(r.points[i], r.points[i+1], p) {
			case onEdge:
				return OnEdge
			case crosses:
				odd = !odd
			}
		}
	} else {
		for i := 1; i < len(r.points); i++ {
			switch edge(r.points[i-1], r.points[i], p) {
			case onEdge:
				return OnEdge
			case crosses:
				odd = !odd
			}
		}
	}
	if odd {
		return Within
	}
	return Outside
}

type meeting int

const (
	misses meeting = iota
	crosses
	onEdge
)

// edge says how the ray from p to the right meets a–b; the lower end belongs to the edge, the
// upper one does not.
func edge(a, b, p Point) meeting {
	if a.Y > b.Y {
		a, b = b, a
	}
	if p.Y < a.Y || p.Y > b.Y {
		return misses
	}
	c := Cross(a, b, p)
	if c == 0 && p.X >= min(a.X, b.X) && p.X <= max(a.X, b.X) {
		return onEdge
	}
	if p.Y == b.Y || c <= 0 {
		return misses
	}
	return crosses
}

// Holds says whether the polyline lies inside r: by the first of its points that is not on r's
// edge, or by a middle between two points where all are. Outlines that cross are not told apart.
func (r *Region) Holds(points []Point) bool {
	box, ok := BoxOf(points...)
	if !ok || !box.Inside(r.Box) {
		return false
	}
	for _, p := range points {
		switch r.Locate(p) {
		case Within:
			return true
		case Outside:
			return false
		}
	}
	for i := 1; i < len(points); i++ {
		m := Pt((points[i-1].X+points[i].X)/2, (points[i-1].Y+points[i].Y)/2)
		if side := r.Locate(m); side != OnEdge {
			return side == Within
		}
	}
	return false
}

// Divide cuts a polyline into n parts of equal length, whose ends are rounded to whole µm. Parts
// without length are left out.
func Divide(points []Point, n int) [][]Point {
	var total float64
	for i := 1; i < len(points); i++ {
		total += Distance(points[i-1], points[i])
	}
	var parts [][]Point
	part := []Point{points[0]}
	var done float64
	next := 1
	for i := 1; i < len(points); i++ {
		a, b := points[i-1], points[i]
		d := Distance(a, b)
		for next < n && done+d > total*float64(next)/float64(n) {
			t := (total*float64(next)/float64(n) - done) / d
			m := Pt(a.X+int64(math.Round(float64(b.X-a.X)*t)), a.Y+int64(math.Round(float64(b.Y-a.Y)*t)))
			next++
			if part[len(part)-1] != m {
				part = append(part, m)
			}
			if len(part) > 1 {
				parts = append(parts, part)
			}
			part = []Point{m}
		}
		done += d
		if part[len(part)-1] != b {
			part = append(part, b)
		}
	}
	if len(part) > 1 {
		parts = append(parts, part)
	}
	return parts
}

// Rotated is the closed polyline started, and ended, at its i-th point. It shares memory with points
// where nothing is to be turned.
func Rotated(points []Point, i int) []Point {
	if i == 0 {
		return points
	}
	n := len(points) - 1
	out := make([]Point, 0, n+1)
	out = append(out, points[i:n]...)
	return append(out, points[:i+1]...)
}
