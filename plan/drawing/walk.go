package drawing

import (
	"errors"
	"fmt"
	"strings"
)

// reader walks the tree of elements and collects shapes.
type reader struct {
	limits  Limits
	drawing Drawing
	ids     map[string]*node
	rules   []rule
	matched map[subject][]*rule
	matches int // work done so far to match rules

	views    []view
	active   map[*node]bool // elements being drawn by way of use
	using    int            // depth of use
	expanded int
	points   int
	notices  map[string]int // what → index in drawing.Notices
}

// state is what an element hands to its children.
type state struct {
	to     matrix // user units → mm on the page
	layer  string
	style  style
	hidden bool // display: none above
}

func newReader(root *node, limits Limits) *reader {
	r := &reader{
		limits: limits, ids: map[string]*node{}, active: map[*node]bool{}, notices: map[string]int{}, matched: map[subject][]*rule{},
	}
	r.index(root)
	return r
}

// index finds ids (the first of equal ones counts) and style sheets.
func (r *reader) index(n *node) {
	if id := n.attrs["id"]; id != "" && r.ids[id] == nil {
		r.ids[id] = n
	}
	if n.name == "style" {
		r.readSheet(n)
	}
	for _, c := range n.children {
		r.index(c)
	}
}

// notice counts one thing that is not drawn; its first place is kept.
func (r *reader) notice(n *node, next, format string, args ...any) {
	what := fmt.Sprintf(format, args...)
	if i, ok := r.notices[what]; ok {
		r.drawing.Notices[i].Count++
		return
	}
	r.notices[what] = len(r.drawing.Notices)
	r.drawing.Notices = append(r.drawing.Notices, Notice{What: what, Place: n.place(), Next: next, Count: 1})
}

// fault makes a refusal of an error in an element's attribute.
func fault(n *node, attr string, err error) error {
	var refusal *Refusal
	if errors.As(err, &refusal) {
		return refusal
	}
	return &Refusal{
		What:  fmt.Sprintf("%s cannot be read: %v", attr, err),
		Next:  "correct this element and save the drawing again",
		Place: n.place(),
	}
}

func (r *reader) walkChildren(n *node, s state) error {
	for _, c := range n.children {
		if err := r.walk(c, s); err != nil {
			return err
		}
	}
	return nil
}

// walk draws one element and what it holds.
func (r *reader) walk(n *node, s state) error {
	if r.using > 0 {
		r.expanded++
		if r.expanded > r.limits.Expansion {
			return &Refusal{
				What: "use elements multiply the drawing too far", Next: "draw fewer copies by reference",
				Limit: fmt.Sprintf("%d elements", r.limits.Expansion), Value: "more", Place: n.place(),
			}
		}
	}
	switch n.name {
	case "defs", "symbol", "title", "desc", "metadata", "style", "clipPath", "mask", "pattern", "marker",
		"linearGradient", "radialGradient", "filter", "view", "cursor", "color-profile", "font", "font-face":
		return nil // definitions; what refers to them is named there
	}
	s, err := r.enter(n, s)
	if err != nil || s.hidden {
		return err
	}
	switch n.name {
	case "g", "a":
		if name := layerName(n); name != "" && n.name == "g" {
			s.layer = name
		}
		return r.walkChildren(n, s)
	case "svg":
		return r.nested(n, s, nil)
	case "use":
		return r.use(n, s)
	case "switch":
		for _, c := range n.children {
			if c.name != "foreignObject" {
				return r.walk(c, s)
			}
		}
		return nil
	case "path", "rect", "circle", "ellipse", "line", "polyline", "polygon":
		return r.shape(n, s)
	case "text":
		r.notice(n, "turn the text into paths in the drawing program", "text is not cut: it has no lines of its own")
	case "image":
		r.notice(n, "trace the image into lines in the drawing program", "an image is not read")
	case "foreignObject", "video", "audio", "iframe", "canvas", "mesh", "solidcolor", "hatch":
		r.notice(n, "replace it by paths", "%s is not read", n.name)
	case "script":
		r.notice(n, "nothing of it is run; remove it", "a script is ignored")
	case "animate", "animateTransform", "animateMotion", "animateColor", "set", "mpath":
		r.notice(n, "the drawing is taken as it stands without it", "an animation is ignored")
	default:
		r.notice(n, "replace it by paths", "the element %.40q is not known", n.name)
	}
	return nil
}

func layerName(n *node) string {
	name := n.attrs["label"]
	if name == "" {
		name = n.attrs["id"]
	}
	name = strings.Join(strings.Fields(name), " ")
	if runes := []rune(name); len(runes) > 80 {
		name = string(runes[:80])
	}
	return name
}

// enter applies an element's style and transform.
func (r *reader) enter(n *node, s state) (state, error) {
	own := r.cascade(n)
	if r.matches >= mostMatches {
		return s, &Refusal{
			What: "the drawing's style sheets are too large for its elements", Next: "write the properties on the elements themselves",
			Limit: fmt.Sprintf("%d comparisons", mostMatches), Value: "more", Place: n.place(),
		}
	}
	s.style = s.style.inherit(own)
	if own.get("display") == "none" {
		s.hidden = true
		return s, nil
	}
	if text, ok := own.lookup("transform"); ok {
		m, err := r.readTransform(text)
		if err != nil {
			return s, fault(n, "transform", err)
		}
		s.to = s.to.then(m)
	}
	for _, name := range []string{"clip-path", "mask", "filter", "marker-start", "marker-mid", "marker-end", "marker"} {
		if v := own.get(name); v != "" && v != "none" {
			r.notice(n, "apply it to the paths in the drawing program", "%s is not applied: the whole shape is taken", name)
		}
	}
	for _, name := range []string{"transform-origin", "transform-box", "offset-path", "translate", "rotate", "scale"} {
		// rotate is an ordinary attribute of text; as a style property it moves shapes.
		if v, ok := own.sheet[name]; ok && v != "" && v != "none" {
			r.notice(n, "apply the movement in the drawing program", "the style property %s is not applied", name)
		}
	}
	if v := own.get("vector-effect"); v != "" && v != "none" {
		r.notice(n, "nothing to do: line width means nothing here", "vector-effect is ignored")
	}
	return s, nil
}

// use draws what href names, shifted by x and y.
func (r *reader) use(n *node, s state) error {
	href := strings.TrimSpace(n.attrs["href"])
	if !strings.HasPrefix(href, "#") {
		r.notice(n, "copy what it refers to into the drawing", "use refers outside the drawing and is left out")
		return nil
	}
	target := r.ids[href[1:]]
	if target == nil {
		r.notice(n, "restore or delete it", "use refers to %.40q, which does not exist", href)
		return nil
	}
	if r.active[target] {
		return &Refusal{
			What: fmt.Sprintf("use refers to itself by way of %.40q", href), Next: "break the circle",
			Place: n.place(),
		}
	}
	x, err := r.length(n, "x", baseWidth, 0)
	if err != nil {
		return err
	}
	y, err := r.length(n, "y", baseHeight, 0)
	if err != nil {
		return err
	}
	s.to = s.to.then(translation(x, y))
	r.active[target] = true
	r.using++
	defer func() {
		delete(r.active, target)
		r.using--
	}()
	if r.using > r.limits.Depth {
		return &Refusal{What: "use is nested too deeply", Next: "copy the shapes instead",
			Limit: fmt.Sprint(r.limits.Depth), Value: "more", Place: n.place()}
	}
	if target.name == "symbol" || target.name == "svg" {
		if target.name == "symbol" { // walk passes it by
			r.expanded++
		}
		inner, err := r.enter(target, s)
		if err != nil || inner.hidden {
			return err
		}
		return r.nested(target, inner, n)
	}
	return r.walk(target, s)
}

// length reads an attribute, or the style property of the same name, as user units.
func (r *reader) length(n *node, name string, of base, missing float64) (float64, error) {
	text := strings.TrimSpace(n.attrs[name])
	if text == "" || text == "auto" {
		return missing, nil
	}
	v, err := r.readLength(text, of)
	if err != nil {
		return 0, fault(n, name, err)
	}
	return v, nil
}
