package drawing

import (
	"fmt"
	"strings"
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

func (m matrix) apply(p Vec) Vec {
	return Vec{
		X: float64(m.a*p.X) + float64(m.c*p.Y) + m.e,
		Y: float64(m.b*p.X) + float64(m.d*p.Y) + m.f,
	}
}

// inverse is the map back; ok is false where an axis is flattened to nothing.
func (m matrix) inverse() (inv matrix, ok bool) {
	det := float64(m.a*m.d) - float64(m.b*m.c)
	if det == 0 || !finite(det) {
		return matrix{}, false
	}
	inv = matrix{a: m.d / det, b: -m.b / det, c: -m.c / det, d: m.a / det}
	inv.e = -float64(inv.a*m.e) - float64(inv.c*m.f)
	inv.f = -float64(inv.b*m.e) - float64(inv.d*m.f)
	return inv, finite(inv.a, inv.b, inv.c, inv.d, inv.e, inv.f)
}

func translation(x, y float64) matrix { return matrix{a: 1, d: 1, e: x, f: y} }
func scaling(x, y float64) matrix     { return matrix{a: x, d: y} }

func rotation(deg float64) matrix {
	s, c := sinCosDeg(deg)
	return matrix{a: c, b: s, c: -s, d: c}
}

func skewing(xDeg, yDeg float64) (matrix, error) {
	sx, cx := sinCosDeg(xDeg)
	sy, cy := sinCosDeg(yDeg)
	if cx == 0 || cy == 0 {
		return matrix{}, fmt.Errorf("skew by 90 degrees has no end")
	}
	return matrix{a: 1, d: 1, c: sx / cx, b: sy / cy}, nil
}

// readTransform reads a list of transforms, as attribute (numbers are user units and degrees) or
// as CSS property (numbers carry units).
func (r *reader) readTransform(text string) (matrix, error) {
	m := identity
	rest := strings.TrimSpace(text)
	if rest == "none" {
		return m, nil
	}
	for rest != "" {
		open := strings.IndexByte(rest, '(')
		end := strings.IndexByte(rest, ')')
		if open < 0 || end < open {
			return m, fmt.Errorf("transform %.60q is not a list of functions", text)
		}
		name := strings.ToLower(strings.Trim(rest[:open], " \t\r\n,"))
		args := strings.FieldsFunc(rest[open+1:end], func(c rune) bool { return strings.ContainsRune(" \t\r\n,", c) })
		next, err := r.transformFunction(name, args)
		if err != nil {
			return m, err
		}
		m = m.then(next)
		rest = strings.TrimLeft(rest[end+1:], " \t\r\n,")
	}
	return m, nil
}

// transformFunction is one function of the list.
func (r *reader) transformFunction(name string, args []string) (matrix, error) {
	v := make([]float64, len(args))
	for i, arg := range args {
		var err error
		switch {
		case strings.HasPrefix(name, "rotate") && i == 0 || strings.HasPrefix(name, "skew"):
			v[i], err = readAngle(arg)
		case name == "scale" || name == "scalex" || name == "scaley" || name == "matrix":
			v[i], err = readNumber(arg)
		default:
			v[i], err = r.readLength(arg, baseNone)
		}
		if err != nil {
			return identity, fmt.Errorf("transform %s: %w", name, err)
		}
	}
	at := func(i int, missing float64) float64 {
		if i < len(v) {
			return v[i]
		}
		return missing
	}
	least, most := 1, 1
	switch name {
	case "matrix":
		least, most = 6, 6
	case "translate", "scale", "skew":
		most = 2
	case "rotate":
		most = 3
	}
	if len(v) < least || len(v) > most || name == "rotate" && len(v) == 2 {
		return identity, fmt.Errorf("transform %s has %d numbers", name, len(v))
	}
	switch name {
	case "matrix":
		return matrix{v[0], v[1], v[2], v[3], v[4], v[5]}, nil
	case "translate":
		return translation(v[0], at(1, 0)), nil
	case "translatex":
		return translation(v[0], 0), nil
	case "translatey":
		return translation(0, v[0]), nil
	case "scale":
		return scaling(v[0], at(1, v[0])), nil
	case "scalex":
		return scaling(v[0], 1), nil
	case "scaley":
		return scaling(1, v[0]), nil
	case "rotate":
		x, y := at(1, 0), at(2, 0)
		return translation(x, y).then(rotation(v[0])).then(translation(-x, -y)), nil
	case "skew":
		return skewing(v[0], at(1, 0))
	case "skewx":
		return skewing(v[0], 0)
	case "skewy":
		return skewing(0, v[0])
	}
	return identity, fmt.Errorf("transform function %.40q is not known", name)
}
