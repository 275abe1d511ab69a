package svg

import (
	"strings"
)

// style is the part of an element's appearance that its children may inherit.
type style struct {
	visible bool
	dashed  bool
	flat    bool // the line has no width
	evenOdd bool
	stroke  paint
	fill    paint
	colour  string // of currentColor
}

// paint is "none", "currentcolor", "url" for a gradient or pattern, or a colour as #rrggbb.
type paint string

const (
	noPaint      paint = "none"
	currentPaint paint = "currentcolor"
	serverPaint  paint = "url"
)

// initialStyle is what SVG starts from: filled black, no line.
func initialStyle() style {
	return style{visible: true, stroke: noPaint, fill: "#000000", colour: "#000000"}
}

// resolved is the paint as it is seen: currentColor is the colour of the element that is painted,
// not of the one that says currentColor (CSS Color 4, §9.2).
func (s style) resolved(p paint) string {
	switch p {
	case currentPaint:
		return s.colour
	case serverPaint:
		return "#000000" // that there is paint is what matters here
	}
	return string(p)
}

// inherit is s with an element's own declarations.
func (s style) inherit(r *reader, own *declared) style {
	switch own.get("visibility") {
	case "visible", "initial":
		s.visible = true
	case "hidden", "collapse":
		s.visible = false
	}
	switch own.get("fill-rule") {
	case "nonzero", "initial":
		s.evenOdd = false
	case "evenodd":
		s.evenOdd = true
	}
	if v, ok := own.lookup("stroke-dasharray"); ok && v != "inherit" && v != "unset" {
		s.dashed = strings.ContainsAny(v, "123456789")
	}
	if v, ok := own.lookup("stroke-width"); ok && v != "inherit" && v != "unset" {
		width, _, err := splitUnit(v)
		s.flat = err == nil && width == 0
	}
	if v, ok := own.lookup("color"); ok {
		if c, known := readColour(v); known {
			s.colour = c
		} else if v == "initial" {
			s.colour = "#000000"
		}
	}
	s.stroke = s.readPaint(r, own, "stroke", s.stroke, noPaint)
	s.fill = s.readPaint(r, own, "fill", s.fill, "#000000")
	return s
}

// readPaint keeps the inherited paint where nothing, or nothing known, is declared.
func (s style) readPaint(r *reader, own *declared, name string, inherited, initial paint) paint {
	v, ok := own.lookup(name)
	if !ok || v == "inherit" || v == "unset" || v == "" {
		return inherited
	}
	if v == "initial" {
		return initial
	}
	if strings.HasPrefix(v, "url(") {
		server, fallback, _ := strings.Cut(v[len("url("):], ")")
		if r.paints(strings.Trim(server, " \t\r\n\"'")) {
			return serverPaint
		}
		if v = strings.TrimSpace(fallback); v == "" {
			return noPaint
		}
	}
	switch strings.ToLower(v) {
	case "none", "transparent":
		return noPaint
	case "currentcolor":
		return currentPaint
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

// paints says whether a reference names a gradient or pattern of the drawing.
func (r *reader) paints(href string) bool {
	id, ok := strings.CutPrefix(href, "#")
	if n := r.ids[id]; ok && n != nil {
		switch n.name {
		case "linearGradient", "radialGradient", "pattern":
			return true
		}
	}
	return false
}
