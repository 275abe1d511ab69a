// Package geom holds the plane geometry that a plan is made of, in whole micrometres.
package geom

import "math"

// Point is a position in whole micrometres; x grows to the right, y away from the operator.
type Point struct {
	_ struct{} `cbor:",toarray"`
	X int64    `json:"x_um"`
	Y int64    `json:"y_um"`
}

// MostCoordinateUM bounds the coordinates, either way from zero, with which the whole-number arithmetic
// of this package is exact: 1 km.
const MostCoordinateUM = 1_000_000_000

// Pt is the point (x, y) in micrometres.
func Pt(x, y int64) Point { return Point{X: x, Y: y} }

// Micrometres rounds mm to the grid. The small bias keeps values that are meant to lie exactly between
// two grid points, and miss it in the last bit, on one side.
func Micrometres(mm float64) int64 {
	return int64(math.Floor(float64(mm*1000) + 0.5 + 1e-6))
}

// Add is p + q.
func (p Point) Add(q Point) Point { return Pt(p.X+q.X, p.Y+q.Y) }

// Sub is p − q.
func (p Point) Sub(q Point) Point { return Pt(p.X-q.X, p.Y-q.Y) }

// Box is an axis-parallel rectangle, both corners inside.
type Box struct {
	Min Point `json:"min"`
	Max Point `json:"max"`
}

// BoxOf is the smallest box around the points; ok is false when there are none.
func BoxOf(points ...Point) (b Box, ok bool) {
	for i, p := range points {
		if i == 0 {
			b = Box{Min: p, Max: p}
			continue
		}
		b = b.With(p)
	}
	return b, len(points) > 0
}

// With is the smallest box around b and p.
func (b Box) With(p Point) Box {
	return Box{
		Min: Pt(min(b.Min.X, p.X), min(b.Min.Y, p.Y)),
		Max: Pt(max(b.Max.X, p.X), max(b.Max.Y, p.Y)),
	}
}

// Union is the smallest box around both.
func (b Box) Union(o Box) Box { return b.With(o.Min).With(o.Max) }

// Move is b shifted by d.
func (b Box) Move(d Point) Box { return Box{Min: b.Min.Add(d), Max: b.Max.Add(d)} }

// Inside says whether b lies wholly in o, edges included.
func (b Box) Inside(o Box) bool {
	return b.Min.X >= o.Min.X && b.Min.Y >= o.Min.Y && b.Max.X <= o.Max.X && b.Max.Y <= o.Max.Y
}

// Width is the extent along x in micrometres.
func (b Box) Width() int64 { return b.Max.X - b.Min.X }

// Height is the extent along y in micrometres.
func (b Box) Height() int64 { return b.Max.Y - b.Min.Y }

// Span is a part of a polyline: from From to To, both in µm along it from its first point.
type Span struct {
	_    struct{} `cbor:",toarray"`
	From int64    `json:"from_um"`
	To   int64    `json:"to_um"`
}
