package svg

import (
	"errors"
	"regexp"
	"slices"
	"strings"
)

// pathFunction is the value of the property d (SVG 2 §9.3.2).
var pathFunction = regexp.MustCompile(`^path\(\s*("[^"]*"|'[^']*')\s*\)$`)

// keywords are the values of properties that have nothing but keywords.
var keywords = map[string][]string{
	"visibility":    {"visible", "hidden", "collapse"},
	"fill-rule":     {"nonzero", "evenodd"},
	"transform-box": {"content-box", "border-box", "fill-box", "stroke-box", "view-box"},
}

// validProperty says whether a declaration of a style sheet can be valid, for the properties that
// this reader takes; for all others it says yes.
func validProperty(name, value string, inline bool) bool {
	switch value {
	case "":
		return false
	case "inherit", "initial", "unset", "revert":
		return true
	}
	if strings.Contains(value, "var(") {
		return true // judged where it is used
	}
	if list, ok := keywords[name]; ok {
		return slices.Contains(list, value)
	}
	if _, ok := geometry[name]; ok {
		return value == "auto" || validLength(name, value, inline)
	}
	switch name {
	case "fill", "stroke":
		return validPaint(value)
	case "color":
		_, ok := readColour(value)
		return ok || strings.EqualFold(value, "currentcolor")
	case "d":
		return value == "none" || pathFunction.MatchString(value)
	case "transform":
		return value == "none" || validTransform(value)
	}
	return true
}

// validLength follows browsers beyond the standard: they take a number without a unit, except for
// width and height in a style sheet (Chromium; the test against it shows each case).
func validLength(name, value string, inline bool) bool {
	v, unit, err := splitUnit(value)
	if err != nil {
		return !errors.Is(dependent(value, err), errFaulty)
	}
	if unit != "" {
		return knownUnit(unit)
	}
	return v == 0 || inline || name != "width" && name != "height"
}

func validTransform(value string) bool {
	r := &reader{views: []view{{w: 1, h: 1}}}
	_, err := r.readTransform(value, true, font{size: 1}, box{w: 1, h: 1})
	return !errors.Is(err, errFaulty)
}

func validPaint(value string) bool {
	if strings.HasPrefix(value, "url(") {
		return true
	}
	switch strings.ToLower(value) {
	case "none", "currentcolor", "context-fill", "context-stroke":
		return true
	}
	_, ok := readColour(value)
	return ok
}
