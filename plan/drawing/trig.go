package drawing

import "math"

// The standard library's sine may be compiled with fused multiply-add, whose last bit then differs
// between targets; these use only operations that IEEE 754 rounds correctly everywhere.

// SinCosDeg gives sine and cosine of an angle in degrees; multiples of 90° are exact.
func SinCosDeg(deg float64) (sin, cos float64) {
	d := math.Mod(deg, 360)
	if d < 0 {
		d += 360
	}
	quarter := math.Floor(d / 90)
	rest := d - float64(quarter*90)
	var s, c float64
	if rest > 45 {
		c, s = sinCosSmall(float64((90 - rest) * (math.Pi / 180)))
	} else {
		s, c = sinCosSmall(float64(rest * (math.Pi / 180)))
	}
	switch int(quarter) % 4 {
	case 1:
		return c, -s
	case 2:
		return -s, -c
	case 3:
		return -c, s
	}
	return s, c
}

// sinCosSmall sums the Taylor series, nested, for 0 ≤ x ≤ π/4; the first term left out is under 1e-19.
func sinCosSmall(x float64) (sin, cos float64) {
	x2 := float64(x * x)
	sin, cos = 1, 1
	for k := 18.0; k >= 2; k -= 2 {
		sin = 1 - float64(x2*sin)/float64(k*(k+1))
		cos = 1 - float64(x2*cos)/float64(k*(k-1))
	}
	return float64(x * sin), cos
}

// lerp is the point t of the way from a to b.
func lerp(a, b Vec, t float64) Vec {
	return Vec{a.X + float64((b.X-a.X)*t), a.Y + float64((b.Y-a.Y)*t)}
}

func dot(a, b Vec) float64   { return float64(a.X*b.X) + float64(a.Y*b.Y) }
func cross(a, b Vec) float64 { return float64(a.X*b.Y) - float64(a.Y*b.X) }

// Finite says whether all values are numbers and none is infinite.
func Finite(values ...float64) bool {
	for _, v := range values {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}
