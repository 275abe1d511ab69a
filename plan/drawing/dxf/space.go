package dxf

import (
	"math"

	"kerfgate/plan/drawing"
)

// vec3 is a position or direction in drawing units; y grows away from the viewer's feet, z towards
// the viewer's eyes.
type vec3 struct{ x, y, z float64 }

func (a vec3) add(b vec3) vec3 { return vec3{a.x + b.x, a.y + b.y, a.z + b.z} }
func (a vec3) sub(b vec3) vec3 { return vec3{a.x - b.x, a.y - b.y, a.z - b.z} }
func (a vec3) times(k float64) vec3 {
	return vec3{float64(a.x * k), float64(a.y * k), float64(a.z * k)}
}
func (a vec3) plus(k float64, b vec3) vec3 { return a.add(b.times(k)) }
func (a vec3) length() float64             { return math.Sqrt(a.dot(a)) }

func (a vec3) dot(b vec3) float64 {
	return float64(a.x*b.x) + float64(a.y*b.y) + float64(a.z*b.z)
}

func (a vec3) cross(b vec3) vec3 {
	return vec3{
		float64(a.y*b.z) - float64(a.z*b.y),
		float64(a.z*b.x) - float64(a.x*b.z),
		float64(a.x*b.y) - float64(a.y*b.x),
	}
}

// finite says whether all coordinates are numbers.
func (a vec3) finite() bool {
	sum := a.x + a.y + a.z
	return !math.IsNaN(sum) && !math.IsInf(sum, 0)
}

// unit is the direction of a; ok is false where a has none.
func (a vec3) unit() (u vec3, ok bool) {
	n := a.length()
	if !(n > 1e-12) || math.IsInf(n, 0) {
		return vec3{}, false
	}
	return vec3{a.x / n, a.y / n, a.z / n}, true
}

// affine maps p to p.x·x + p.y·y + p.z·z + at.
type affine struct{ x, y, z, at vec3 }

var world = affine{x: vec3{x: 1}, y: vec3{y: 1}, z: vec3{z: 1}}

// turn maps a direction.
func (m affine) turn(p vec3) vec3 {
	return m.x.times(p.x).add(m.y.times(p.y)).add(m.z.times(p.z))
}

// apply maps a position.
func (m affine) apply(p vec3) vec3 { return m.turn(p).add(m.at) }

// then is m applied after n.
func (m affine) then(n affine) affine {
	return affine{x: m.turn(n.x), y: m.turn(n.y), z: m.turn(n.z), at: m.apply(n.at)}
}

// moved is a shift by d.
func moved(d vec3) affine {
	m := world
	m.at = d
	return m
}

// turnedDeg turns about z, from x to y for growing angles.
func turnedDeg(deg float64) affine {
	sin, cos := drawing.SinCosDeg(deg)
	return affine{x: vec3{cos, sin, 0}, y: vec3{-sin, cos, 0}, z: vec3{z: 1}}
}

// scaled stretches along the axes; a negative factor mirrors.
func scaled(x, y, z float64) affine {
	return affine{x: vec3{x: x}, y: vec3{y: y}, z: vec3{z: z}}
}

// facing gives the axes of an entity's own plane out of the plane's normal, by the arbitrary axis
// algorithm of the format's reference: x lies across the world's y where the normal is within 1/64
// of the world's z, else across the world's z. The normal (0, 0, −1) so mirrors x.
func facing(normal vec3) (m affine, ok bool) {
	if normal == (vec3{z: 1}) {
		return world, true
	}
	n, ok := normal.unit()
	if !ok {
		return world, false
	}
	across := vec3{z: 1}
	if math.Abs(n.x) < 1.0/64 && math.Abs(n.y) < 1.0/64 {
		across = vec3{y: 1}
	}
	x, ok := across.cross(n).unit()
	if !ok {
		return world, false
	}
	y, _ := n.cross(x).unit()
	return affine{x: x, y: y, z: n}, true
}
