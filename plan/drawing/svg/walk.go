package svg

import (
	"fmt"
	"strings"

	"kerfgate/plan/drawing"
)

// mostNotices bounds how many different things are named: some name what stands in the file.
const mostNotices = 200

// reader walks the tree of elements and collects shapes.
type reader struct {
	limits  drawing.Limits
	drawing drawing.Drawing
	ids     map[string]*element
	rules   []rule
	// contextual says that a rule looks at what stands around an element.
	contextual bool
	matched    map[subject][]*rule
	matches    int // work done so far to match rules

	views     []view
	rootFont  font
	active    map[*element]bool // elements being drawn by way of use
	instance  *element          // what the nearest use around refers to
	using     int               // depth of use
	measuring int               // depth of bounding boxes being reckoned
	expanded  int
	points    int
	pixels    int
	pictures  map[*element]grey
	reached   int            // work done so far to find what reaches out of its frame
	notices   map[string]int // what → index in drawing.Notices
	named     []drawing.Notice
}

// state is what an element hands to its children.
type state struct {
	to     matrix // user units → mm on the page
	layer  string
	style  style
	font   font
	hidden bool // not rendered, with all that it holds
}

func newReader(root *element, limits drawing.Limits) *reader {
	r := &reader{
		limits: limits, ids: map[string]*element{}, active: map[*element]bool{}, notices: map[string]int{},
		matched: map[subject][]*rule{}, pictures: map[*element]grey{},
	}
	r.index(root)
	return r
}

// index finds ids (the first of equal ones counts) and style sheets.
func (r *reader) index(n *element) {
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
func (r *reader) notice(n *element, next, format string, args ...any) {
	what := fmt.Sprintf(format, args...)
	if _, ok := r.notices[what]; !ok && len(r.named) >= mostNotices {
		what, next = "more is faulty or left out than is listed", "correct what is listed first"
	}
	if i, ok := r.notices[what]; ok {
		r.named[i].Count++
		return
	}
	r.notices[what] = len(r.named)
	r.named = append(r.named, drawing.Notice{What: what, Place: n.place(), Next: next, Count: 1})
}

func (r *reader) walkChildren(n *element, s state) error {
	for _, c := range n.children {
		if err := r.walk(c, s); err != nil {
			return err
		}
	}
	return nil
}

// count holds work that is done more than once for an element to the limit.
func (r *reader) count(n *element) error {
	if r.using == 0 && r.measuring == 0 {
		return nil
	}
	if r.expanded++; r.expanded > r.limits.Expansion {
		return &drawing.Refusal{
			What: "use elements multiply the drawing too far", Next: "draw fewer copies by reference",
			Limit: fmt.Sprintf("%d elements", r.limits.Expansion), Value: "more", Place: n.place(),
		}
	}
	return nil
}

// walk draws one element and what it holds.
func (r *reader) walk(n *element, s state) error {
	if err := r.count(n); err != nil {
		return err
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
	return r.draw(n, s)
}

// draw draws an element whose style and transform are in the state.
func (r *reader) draw(n *element, s state) error {
	switch n.name {
	case "g", "a":
		if name := layerName(n); name != "" && n.name == "g" {
			s.layer = name
		}
		return r.walkChildren(n, s)
	case "svg", "symbol":
		return r.nested(n, s, nil)
	case "use":
		return r.use(n, s)
	case "switch":
		return r.choose(n, s)
	case "path", "rect", "circle", "ellipse", "line", "polyline", "polygon":
		return r.shape(n, s)
	case "image":
		return r.image(n, s)
	case "text", "foreignObject":
		if r.measuring > 0 {
			return refused(n, "transform-box: fill-box", fmt.Errorf("the box of a %s is not reckoned", n.name))
		}
		if n.name == "foreignObject" {
			r.notice(n, "replace it by paths", "foreignObject is not read")
		} else if s.style.visible {
			r.notice(n, "turn the text into paths in the drawing program", "text is not cut: it has no lines of its own")
		}
	case "video", "audio", "iframe", "canvas", "mesh", "solidcolor", "hatch":
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

func layerName(n *element) string {
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
func (r *reader) enter(n *element, s state) (state, error) {
	own := r.cascade(n)
	if r.matches >= mostMatches {
		return s, &drawing.Refusal{
			What: "the drawing's style sheets are too large for its elements", Next: "write the properties on the elements themselves",
			Limit: fmt.Sprintf("%d comparisons", mostMatches), Value: "more", Place: n.place(),
		}
	}
	s.style = s.style.inherit(r, own)
	s.font = s.font.inherit(r, own)
	if s.hidden = strings.EqualFold(own.get("display"), "none") || !r.conditionsHold(n); s.hidden {
		return s, nil
	}
	m, err := r.movement(n, s, own)
	if err != nil {
		return s, err
	}
	s.to = s.to.then(m)
	if det := float64(s.to.a*s.to.d) - float64(s.to.b*s.to.c); det == 0 {
		// CSS Transforms 1, §10: such an element is not rendered.
		r.notice(n, "correct its transform", "a transform flattens an element to nothing; it is not drawn")
		s.hidden = true
		return s, nil
	}
	r.nameEffects(n, own)
	return s, nil
}

// nameEffects names what changes the look of an element and is not applied.
func (r *reader) nameEffects(n *element, own *declared) {
	for _, name := range []string{"clip-path", "mask", "filter", "marker-start", "marker-mid", "marker-end", "marker"} {
		v, css, _ := own.find(name)
		if v == "" || v == "none" || v == "initial" || v == "unset" || name == "marker" && !css {
			continue // marker is no attribute
		}
		r.notice(n, "apply it to the paths in the drawing program", "%s is not applied: the whole shape is taken", name)
	}
	if v := own.get("vector-effect"); v != "" && v != "none" {
		r.notice(n, "nothing to do: line width means nothing here", "vector-effect is ignored")
	}
	for _, name := range []string{"fill", "stroke", "color", "display", "visibility", "stroke-width", "stroke-dasharray", "fill-rule", "clip-path", "mask", "filter"} {
		if strings.Contains(own.get(name), "var(") {
			r.notice(n, "write the value itself", "the variable in the style property %s is not read", name)
		}
	}
}
