package svg

import (
	"fmt"
	"strings"
)

// readTransform reads a list of transforms, as attribute (numbers are user units and degrees,
// SVG 1.1 §7.6) or as CSS property (numbers carry units, CSS Transforms 1 §9). Percentages refer to
// the box.
func (r *reader) readTransform(text string, css bool, f font, ref box) (matrix, error) {
	m := identity
	rest := strings.TrimSpace(text)
	if rest == "none" {
		return m, nil
	}
	for rest != "" {
		open := strings.IndexByte(rest, '(')
		end := strings.IndexByte(rest, ')')
		if open < 0 || end < open {
			return m, fmt.Errorf("the transform %.60q is %w", text, errFaulty)
		}
		name := strings.TrimSpace(rest[:open])
		list := transformList{r: r, css: css, font: f, ref: ref, name: name}
		if css {
			list.name = strings.ToLower(name)
		}
		args, ok := splitArgs(rest[open+1:end], css)
		if !ok {
			return m, fmt.Errorf("the transform %.60q is %w", text, errFaulty)
		}
		next, err := list.function(args)
		if err != nil {
			return m, fmt.Errorf("transform %.40s: %w", name, err)
		}
		m = m.then(next)
		rest = strings.TrimSpace(rest[end+1:])
		if comma, ok := strings.CutPrefix(rest, ","); ok && !css {
			rest = strings.TrimSpace(comma)
		}
	}
	return m, nil
}

// transformList is what one function of the list is read with.
type transformList struct {
	r    *reader
	css  bool
	font font
	ref  box
	name string
}

func (t transformList) angle(text string) (float64, error) {
	if t.css {
		return readAngle(text)
	}
	return readNumber(text)
}

// shift reads a length along x (0) or y (1).
func (t transformList) shift(text string, axis int) (float64, error) {
	if !t.css {
		return readNumber(text)
	}
	side := t.ref.w
	if axis == 1 {
		side = t.ref.h
	}
	return t.r.cssLength(text, side, t.font)
}

// cssLength reads a length of a style sheet: a unit is needed, and a percentage refers to side.
func (r *reader) cssLength(text string, side float64, f font) (float64, error) {
	v, unit, err := splitUnit(text)
	switch {
	case err != nil:
		return 0, dependent(text, err)
	case unit == "%":
		return v / 100 * side, nil
	case unit == "" && v != 0:
		return 0, fmt.Errorf("%.40q is %w: it has no unit", text, errFaulty)
	}
	return r.readLength(text, baseNone, f)
}

// function is one function of the list.
func (t transformList) function(args []string) (matrix, error) {
	if t.css {
		switch t.name {
		case "translate3d", "translatez", "scale3d", "scalez", "rotate3d", "rotatex", "rotatey", "rotatez", "matrix3d", "perspective":
			return identity, fmt.Errorf("it is %w: transforms in space are not read", errDepends)
		}
	}
	kinds, least := "", 0 // per number: n number, a angle, x and y shifts
	switch t.name {
	case "matrix":
		kinds, least = "nnnnnn", 6

	case "translate":
		kinds, least = "xy", 1
	case "scale":
		kinds, least = "nn", 1
	case "rotate":
		kinds, least = "axy", 1
		if t.css {
			kinds = "a"
		}
	case "skewX", "skewY":
		if !t.css {
			kinds, least = "a", 1
		}
	case "skew", "skewx", "skewy", "translatex", "translatey", "scalex", "scaley":
		if t.css {
			kinds, least = map[string]string{"skew": "aa", "skewx": "a", "skewy": "a",
				"translatex": "x", "translatey": "y", "scalex": "n", "scaley": "n"}[t.name], 1
		}
	}
	if kinds == "" || len(args) < least || len(args) > len(kinds) || kinds == "axy" && len(args) == 2 {
		return identity, fmt.Errorf("with %d numbers it is %w", len(args), errFaulty)
	}
	var v [6]float64
	for i, arg := range args {
		var err error
		switch kinds[i] {
		case 'n':
			v[i], err = readNumber(arg)
		case 'a':
			v[i], err = t.angle(arg)
		case 'x':
			v[i], err = t.shift(arg, 0)
		case 'y':
			v[i], err = t.shift(arg, 1)
		}
		if err != nil {
			return identity, err
		}
	}
	if t.name == "scale" && len(args) == 1 {
		v[1] = v[0]
	}
	return t.matrix(v)
}

// matrix is the function with its numbers filled up.
func (t transformList) matrix(v [6]float64) (matrix, error) {
	switch t.name {
	case "matrix":
		return matrix{v[0], v[1], v[2], v[3], v[4], v[5]}, nil
	case "translate", "translatex":
		return translation(v[0], v[1]), nil
	case "translatey":
		return translation(0, v[0]), nil
	case "scale":
		return scaling(v[0], v[1]), nil
	case "scalex":
		return scaling(v[0], 1), nil
	case "scaley":
		return scaling(1, v[0]), nil
	case "rotate":
		return translation(v[1], v[2]).then(rotation(v[0])).then(translation(-v[1], -v[2])), nil
	case "skew":
		return skewing(v[0], v[1])
	case "skewX", "skewx":
		return skewing(v[0], 0)
	}
	return skewing(0, v[0]) // skewY
}

// splitArgs divides the numbers of a function: at commas in CSS, at commas or white space in the
// attribute.
func splitArgs(text string, css bool) (args []string, ok bool) {
	for _, part := range strings.Split(text, ",") {
		words := strings.Fields(part)
		if len(words) == 0 || css && len(words) > 1 {
			return nil, false
		}
		args = append(args, words...)
	}
	return args, true
}
