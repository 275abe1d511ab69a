package svg

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
)

var (
	// errFaulty marks what the standard calls invalid: it counts as not written.
	errFaulty = errors.New("faulty")
	// errInfinite and errNotNumber mark what no drawing means; it is refused.
	errInfinite  = errors.New("infinite")
	errNotNumber = errors.New("not a number")
	// errDepends marks what has a value only in one viewer or with one font; it is refused.
	errDepends = errors.New("not a fixed length")
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
	if i+1 < len(text) && text[i] == '.' && text[i+1] >= '0' && text[i+1] <= '9' {
		i++
		for i < len(text) && text[i] >= '0' && text[i] <= '9' {
			i++
			digits++
		}
	} else if i < len(text) && text[i] == '.' && digits > 0 {
		i++ // "5." stands in files of old programs
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
		return 0, fmt.Errorf("%.40q is %w", text, errFaulty)
	}
	return v, nil
}

// notNumber says what text is that begins with no number.
func notNumber(text string) error {
	word := strings.ToLower(strings.TrimLeft(text[:min(len(text), 9)], "+-"))
	switch {
	case strings.HasPrefix(word, "nan"):
		return fmt.Errorf("NaN is %w", errNotNumber)
	case strings.HasPrefix(word, "inf"):
		return fmt.Errorf("it is %w", errInfinite)
	}
	return fmt.Errorf("%.40q is %w", text, errFaulty)
}

// readNumber reads a whole text as one number.
func readNumber(text string) (float64, error) {
	v, unit, err := splitUnit(text)
	if err == nil && unit != "" {
		err = fmt.Errorf("%.40q is %w", text, errFaulty)
	}
	return v, err
}

// splitUnit divides "5mm" into 5 and "mm".
func splitUnit(text string) (v float64, unit string, err error) {
	text = strings.TrimSpace(text)
	n := scanNumber(text)
	if n == 0 {
		return 0, "", notNumber(text)
	}
	v, err = parseNumber(text[:n])
	return v, strings.ToLower(text[n:]), err
}

// readAngle reads an angle with a CSS unit into degrees.
func readAngle(text string) (float64, error) {
	v, unit, err := splitUnit(text)
	if err != nil {
		return 0, err
	}
	switch unit {
	case "deg":
		return v, nil
	case "rad":
		return v * (180 / math.Pi), nil
	case "grad":
		return v * 0.9, nil
	case "turn":
		return v * 360, nil
	case "":
		if v == 0 {
			return 0, nil
		}
	}
	return 0, fmt.Errorf("the angle %.40q is %w", text, errFaulty)
}

// splitList divides a list at white space and commas.
func splitList(text string) []string {
	return strings.FieldsFunc(text, func(c rune) bool { return strings.ContainsRune(" \t\r\n\f,", c) })
}
