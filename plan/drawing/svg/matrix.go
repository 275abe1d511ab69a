package svg

import (
	"fmt"

	"kerfgate/plan/drawing"
)

// matrix maps (x, y) to (a·x + c·y + e, b·x + d·y + f), as SVG writes it.
type matrix struct{ a, b, c, d, e, f float64 }

var identity = matrix{a: 1, d: 1}

// then is m applied after n: the transform of a child n inside its parent m.
func (m matrix) then(n matrix) matrix {
	return matrix{
		a: float64(m.a*n.a) + float64(m.c*n.b),
		b: float64(m.b*n.a) + float64(m.d*n.b),
		c: float64(m.a*n.c) + float64(m.c*n.d),
		d: float64(m.b*n.c) + float64(m.d*n.d),
		e: float64(m.a*n.e) + float64(m.c*n.f) + m.e,
		f: float64(m.b*n.e) + float64(m.d*n.f) + m.f,
	}
}

func (m matrix) apply(p drawing.Vec) drawing.Vec {
	return drawing.Vec{
		X: float64(m.a*p.X) + float64(m.c*p.Y) + m.e,
		Y: float64(m.b*p.X) + float64(m.d*p.Y) + m.f,
	}
}

// inverse is the map back; ok is false where an axis is flattened to nothing.
func (m matrix) inverse() (inv matrix, ok bool) {
	det := float64(m.a*m.d) - float64(m.b*m.c)
	if det == 0 || !drawing.Finite(det) {
		return matrix{}, false
	}
	inv = matrix{a: m.d / det, b: -m.b / det, c: -m.c / det, d: m.a / det}
	inv.e = -float64(inv.a*m.e) - float64(inv.c*m.f)
	inv.f = -float64(inv.b*m.e) - float64(inv.d*m.f)
	return inv, drawing.Finite(inv.a, inv.b, inv.c, inv.d, inv.e, inv.f)
}

func translation(x, y float64) matrix { return matrix{a: 1, d: 1, e: x, f: y} }
func scaling(x, y float64) matrix     { return matrix{a: x, d: y} }

func rotation(deg float64) matrix {
	s, c := drawing.SinCosDeg(deg)
	return matrix{a: c, b: s, c: -s, d: c}
}

func skewing(xDeg, yDeg float64) (matrix, error) {
	sx, cx := drawing.SinCosDeg(xDeg)
	sy, cy := drawing.SinCosDeg(yDeg)
	if cx == 0 || cy == 0 {
		return matrix{}, fmt.Errorf("skew by 90 degrees is %w", errInfinite)
	}
	return matrix{a: 1, d: 1, c: sx / cx, b: sy / cy}, nil
}

func vec(x, y float64) drawing.Vec { return drawing.Vec{X: x, Y: y} }
