package drawing

import "math"

// Flatten gives the corners of a polyline that lies within tolerance (mm) of the path, its start
// and end included. ok is false, and the result cut short, where more than most points are needed.
func (p Path) Flatten(tolerance float64, most int) (points []Vec, ok bool) {
	points = append(points, p.Start)
	at := p.Start
	for _, s := range p.Segments {
		if s.Curve {
			points = flattenCubic(points, [4]Vec{at, s.C1, s.C2, s.To}, tolerance, most, 0)
		} else {
			points = append(points, s.To)
		}
		if len(points) > most {
			return points[:most], false
		}
		at = s.To
	}
	return points, true
}

// flattenCubic appends the points after c[0]. For n equal steps of the parameter the deviation is
// at most 3/4·m/n², where m is the larger second difference of the control points (a bound known as
// Wang's formula, from memory: d(d−1)/8·m for degree d and one step). Where few steps do, it takes
// them; else it halves the curve, so that straight parts of an uneven curve get few points.
func flattenCubic(out []Vec, c [4]Vec, tolerance float64, most, depth int) []Vec {
	if len(out) > most {
		return out
	}
	second := func(a, b, d Vec) float64 {
		v := Vec{a.X - 2*b.X + d.X, a.Y - 2*b.Y + d.Y}
		return math.Sqrt(dot(v, v))
	}
	m := max(second(c[0], c[1], c[2]), second(c[1], c[2], c[3]))
	steps := math.Ceil(math.Sqrt(0.75*m/tolerance) - 1e-9)
	if steps > 4 && depth < 24 {
		l, r := halve(c)
		out = flattenCubic(out, l, tolerance, most, depth+1)
		return flattenCubic(out, r, tolerance, most, depth+1)
	}
	for i := 1.0; i < steps; i++ {
		out = append(out, pointAt(c, i/steps))
	}
	return append(out, c[3])
}

// halve divides a cubic at its middle (de Casteljau).
func halve(c [4]Vec) (l, r [4]Vec) {
	ab, bc, cd := lerp(c[0], c[1], 0.5), lerp(c[1], c[2], 0.5), lerp(c[2], c[3], 0.5)
	abc, bcd := lerp(ab, bc, 0.5), lerp(bc, cd, 0.5)
	m := lerp(abc, bcd, 0.5)
	return [4]Vec{c[0], ab, abc, m}, [4]Vec{m, bcd, cd, c[3]}
}

func pointAt(c [4]Vec, t float64) Vec {
	ab, bc, cd := lerp(c[0], c[1], t), lerp(c[1], c[2], t), lerp(c[2], c[3], t)
	abc, bcd := lerp(ab, bc, t), lerp(bc, cd, t)
	return lerp(abc, bcd, t)
}
