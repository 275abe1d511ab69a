package drawing

import (
	"fmt"
	"math"
	"strings"
)

// style is the part of an element's appearance that its children may inherit.
type style struct {
	visible bool
	dashed  bool
	stroke  paint
	fill    paint
	colour  string // of currentColor
}

// paint is "none" or a colour.
type paint string

const noPaint paint = "none"

// initialStyle is what SVG starts from: filled black, no line.
func initialStyle() style {
	return style{visible: true, stroke: noPaint, fill: "#000000", colour: "#000000"}
}

// inherit is s with an element's own declarations.
func (s style) inherit(own *declared) style {
	switch own.get("visibility") {
	case "visible":
		s.visible = true
	case "hidden", "collapse":
		s.visible = false
	}
	if v, ok := own.lookup("stroke-dasharray"); ok && v != "inherit" {
		s.dashed = v != "none" && v != "" && strings.Trim(v, "0., ") != ""
	}
	if v, ok := own.lookup("color"); ok {
		if c, known := readColour(v); known {
			s.colour = c
		}
	}
	s.stroke = s.readPaint(own, "stroke", s.stroke)
	s.fill = s.readPaint(own, "fill", s.fill)
	return s
}

// readPaint keeps the inherited paint where nothing, or nothing known, is declared. A gradient or
// pattern counts as its fallback colour, else black: that there is paint is what matters here.
func (s style) readPaint(own *declared, name string, inherited paint) paint {
	v, ok := own.lookup(name)
	if !ok || v == "inherit" || v == "" {
		return inherited
	}
	if strings.HasPrefix(v, "url(") {
		end := strings.IndexByte(v, ')')
		fallback := strings.TrimSpace(v[end+1:])
		if fallback == "none" || end < 0 || fallback == "" {
			return "#000000"
		}
		v = fallback
	}
	switch strings.ToLower(v) {
	case "none", "transparent":
		return noPaint
	case "currentcolor":
		return paint(s.colour)
	case "context-fill":
		return s.fill
	case "context-stroke":
		return s.stroke
	}
	if c, known := readColour(v); known {
		return paint(c)
	}
	return inherited
}

// readColour gives a CSS colour as #rrggbb; its transparency is left aside.
func readColour(text string) (string, bool) {
	text = strings.ToLower(strings.TrimSpace(text))
	if hex, ok := strings.CutPrefix(text, "#"); ok {
		for _, c := range hex {
			if !strings.ContainsRune("0123456789abcdef", c) {
				return "", false
			}
		}
		switch len(hex) {
		case 3, 4:
			return fmt.Sprintf("#%c%c%c%c%c%c", hex[0], hex[0], hex[1], hex[1], hex[2], hex[2]), true
		case 6, 8:
			return "#" + hex[:6], true
		}
		return "", false
	}
	if name, args, ok := strings.Cut(text, "("); ok {
		parts := strings.FieldsFunc(strings.TrimSuffix(args, ")"), func(c rune) bool { return strings.ContainsRune(" ,/\t\r\n", c) })
		if len(parts) < 3 {
			return "", false
		}
		switch strings.TrimSpace(name) {
		case "rgb", "rgba":
			return readRGB(parts[:3])
		case "hsl", "hsla":
			return readHSL(parts[:3])
		}
		return "", false
	}
	c, ok := colourNames()[text]
	return c, ok
}

func readRGB(parts []string) (string, bool) {
	var v [3]int
	for i, part := range parts {
		f, unit, err := splitUnit(part)
		if err != nil || unit != "" && unit != "%" {
			return "", false
		}
		if unit == "%" {
			f = f * 255 / 100
		}
		v[i] = int(math.Round(min(255, max(0, f))))
	}
	return fmt.Sprintf("#%02x%02x%02x", v[0], v[1], v[2]), true
}

// readHSL follows CSS Color 4, §7.1.
func readHSL(parts []string) (string, bool) {
	h, err := readAngle(parts[0])
	s, _, err2 := splitUnit(parts[1])
	l, _, err3 := splitUnit(parts[2])
	if err != nil || err2 != nil || err3 != nil {
		return "", false
	}
	h = math.Mod(math.Mod(h, 360)+360, 360)
	s, l = min(1, max(0, s/100)), min(1, max(0, l/100))
	part := func(n float64) int {
		k := math.Mod(n+h/30, 12)
		a := float64(s * min(l, 1-l))
		v := l - float64(a*max(-1, min(k-3, 9-k, 1)))
		return int(math.Round(v * 255))
	}
	return fmt.Sprintf("#%02x%02x%02x", part(0), part(8), part(4)), true
}
