package drawing

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
)

// User units per unit: CSS fixes 96 px to the inch (CSS Values and Units 3, §6.2).
const (
	pxPerInch = 96.0
	mmPerPx   = 25.4 / pxPerInch
)

// base says which side of the viewport a percentage refers to.
type base int

const (
	baseNone base = iota
	baseWidth
	baseHeight
	baseDiagonal // √((w² + h²)/2), SVG 2 §8.9
)

var (
	errNotNumber = errors.New("not a number")
	errInfinite  = errors.New("infinite")
)

// scanNumber gives the length of the number that text begins with; 0 if it begins with none.
func scanNumber(text string) int {
	i := 0
	if i < len(text) && (text[i] == '+' || text[i] == '-') {
		i++
	}
	digits := 0
	for i < len(text) && text[i] >= '0' && text[i] <= '9' {
		i++
		digits++
	}
	if i < len(text) && text[i] == '.' {
		i++
		for i < len(text) && text[i] >= '0' && text[i] <= '9' {
			i++
			digits++
		}
	}
	if digits == 0 {
		return 0
	}
	if i < len(text) && (text[i] == 'e' || text[i] == 'E') {
		j := i + 1
		if j < len(text) && (text[j] == '+' || text[j] == '-') {
			j++
		}
		// "em" and "ex" are units, not exponents.
		if j < len(text) && text[j] >= '0' && text[j] <= '9' {
			for j < len(text) && text[j] >= '0' && text[j] <= '9' {
				j++
			}
			i = j
		}
	}
	return i
}

// parseNumber reads text that scanNumber accepted.
func parseNumber(text string) (float64, error) {
	v, err := strconv.ParseFloat(text, 64)
	if err != nil && math.IsInf(v, 0) {
		return 0, fmt.Errorf("%.40q is %w", text, errInfinite)
	}
	if err != nil {
		return 0, fmt.Errorf("%.40q is %w", text, errNotNumber)
	}
	return v, nil
}

// readNumber reads a whole text as one number.
func readNumber(text string) (float64, error) {
	text = strings.TrimSpace(text)
	if n := scanNumber(text); n == 0 || n != len(text) {
		return 0, fmt.Errorf("%.40q is %w", text, errNotNumber)
	}
	return parseNumber(text)
}

// readAngle reads degrees, or an angle with a CSS unit, into degrees.
func readAngle(text string) (float64, error) {
	v, unit, err := splitUnit(text)
	if err != nil {
		return 0, err
	}
	switch unit {
	case "", "deg":
		return v, nil
	case "rad":
		return v * (180 / math.Pi), nil
	case "grad":
		return v * 0.9, nil
	case "turn":
		return v * 360, nil
	}
	return 0, fmt.Errorf("angle unit %.20q is not known", unit)
}

func splitUnit(text string) (v float64, unit string, err error) {
	text = strings.TrimSpace(text)
	n := scanNumber(text)
	if n == 0 {
		return 0, "", fmt.Errorf("%.40q is %w", text, errNotNumber)
	}
	v, err = parseNumber(text[:n])
	return v, strings.ToLower(strings.TrimSpace(text[n:])), err
}

// readLength gives a length in user units of the current viewport.
func (r *reader) readLength(text string, of base) (float64, error) {
	v, unit, err := splitUnit(text)
	if err != nil {
		return 0, err
	}
	switch unit {
	case "", "px":
	case "mm":
		v = v * pxPerInch / 25.4
	case "cm":
		v = v * pxPerInch / 2.54
	case "q":
		v = v * pxPerInch / 101.6
	case "in":
		v *= pxPerInch
	case "pt":
		v = v * pxPerInch / 72
	case "pc":
		v = v * pxPerInch / 6
	case "%":
		view := r.viewport()
		switch of {
		case baseWidth:
			v = v / 100 * view.w
		case baseHeight:
			v = v / 100 * view.h
		case baseDiagonal:
			v = v / 100 * math.Sqrt((float64(view.w*view.w)+float64(view.h*view.h))/2)
		default:
			return 0, fmt.Errorf("%.40q: a percentage has nothing to refer to here", text)
		}
	default:
		return 0, fmt.Errorf("length unit %.20q is not read; use mm, cm, in, pt, pc, Q or px", unit)
	}
	if !finite(v) {
		return 0, fmt.Errorf("%.40q is %w", text, errInfinite)
	}
	return v, nil
}
