package svg

import (
	"errors"
	"fmt"
	"math"

	"kerfgate/plan/drawing"
)

// shape reads one graphic element and adds it in millimetres.
func (r *reader) shape(n *element, s state) error {
	if !s.style.visible && r.measuring == 0 {
		return nil
	}
	paths, err := r.outlineOf(n, s)
	if errors.Is(err, errPathCut) {
		r.notice(n, "draw it again", "path data is broken; what comes before the fault is taken")
	} else if err != nil {
		return err
	}
	if len(paths) == 0 {
		return nil
	}
	shape := drawing.Shape{
		Layer: s.layer, Stroke: s.style.resolved(s.style.stroke), Fill: s.style.resolved(s.style.fill),
		EvenOdd: s.style.evenOdd, Paths: paths, Place: n.place(),
	}
	if r.measuring == 0 {
		if shape.Stroke == string(noPaint) && shape.Fill == string(noPaint) {
			r.notice(n, "give it a line colour, or delete it", "a shape with neither line nor fill is left out")
			return nil
		}
		r.nameLook(n, s, shape)
	}
	for i := range paths {
		if err := r.place(n, &paths[i], s.to); err != nil {
			return err
		}
	}
	r.reach(n, paths)
	r.drawing.Shapes = append(r.drawing.Shapes, shape)
	return nil
}

// nameLook names what a shape's lines and fill look like beyond their colour.
func (r *reader) nameLook(n *element, s state, shape drawing.Shape) {
	if shape.Stroke != string(noPaint) && s.style.dashed {
		r.notice(n, "draw the dashes as lines of their own", "a dashed line is taken as a whole line")
	}
	if shape.Stroke != string(noPaint) && s.style.flat {
		r.notice(n, "delete it if it is not meant", "a line of no width is taken as a line")
	}
	if s.style.stroke == serverPaint || s.style.fill == serverPaint {
		r.notice(n, "nothing to do: only the outline counts", "a gradient or pattern is taken as a plain colour")
	}
}

// place maps a path onto the page, in place, and counts its points.
func (r *reader) place(n *element, path *drawing.Path, to matrix) error {
	r.points += len(path.Segments) + 1
	if r.points > r.limits.Points {
		return r.tooManyPoints(n)
	}
	var err error
	at := func(p drawing.Vec) drawing.Vec {
		q := to.apply(p)
		switch {
		case !drawing.Finite(q.X, q.Y):
			err = &drawing.Refusal{What: "a coordinate is infinite or not a number",
				Next: "correct this element and save the drawing again", Place: n.place()}
		case r.measuring == 0 && (math.Abs(q.X) > drawing.MaxExtentMM || math.Abs(q.Y) > drawing.MaxExtentMM):
			err = &drawing.Refusal{What: "a shape lies too far from the page", Next: "move or delete it",
				Limit: fmt.Sprintf("%d mm", drawing.MaxExtentMM),
				Value: fmt.Sprintf("%.0f mm", max(math.Abs(q.X), math.Abs(q.Y))), Place: n.place()}
		}
		return q
	}
	path.Start = at(path.Start)
	for i := range path.Segments {
		s := &path.Segments[i]
		s.To = at(s.To)
		if s.Curve {
			s.C1, s.C2 = at(s.C1), at(s.C2)
		}
	}
	return err
}

func (r *reader) tooManyPoints(n *element) error {
	return &drawing.Refusal{
		What: "the drawing has too many points", Next: "simplify it or divide it into several drawings",
		Limit: fmt.Sprint(r.limits.Points), Value: "more", Place: n.place(),
	}
}

// outlineOf gives an element's paths in user units.
func (r *reader) outlineOf(n *element, s state) ([]drawing.Path, error) {
	switch n.name {
	case "path":
		return r.path(n)
	case "polyline", "polygon":
		return r.polyline(n)
	}
	var o drawing.Outline
	if err := r.basic(n, s, &o); err != nil {
		return nil, err
	}
	if o.Points() == 0 {
		r.notice(n, "delete it", "a %s without size is not drawn", n.name)
	}
	return o.Paths(), nil
}

// path reads path data from the attribute, or from the property d: path("…") of SVG 2.
func (r *reader) path(n *element) ([]drawing.Path, error) {
	text, css, _ := r.cascade(n).find("d")
	if css {
		if quoted := pathFunction.FindStringSubmatch(text); quoted != nil {
			text = quoted[1][1 : len(quoted[1])-1]
		}
	} else {
		text = n.attrs["d"]
	}
	if text == "none" {
		return nil, nil
	}
	paths, err := readPath(text, r.limits.Points-r.points)
	if errors.Is(err, errPoints) {
		return nil, r.tooManyPoints(n)
	}
	if err != nil && !errors.Is(err, errPathCut) {
		return nil, refused(n, "path data", err)
	}
	return paths, err
}

// basic draws a line, circle, ellipse or rectangle (SVG 2, chapter 10). One without size is not drawn.
func (r *reader) basic(n *element, s state, o *drawing.Outline) error {
	v, has := map[string]float64{}, map[string]bool{}
	fields := map[string][]string{
		"line": {"x1", "y1", "x2", "y2"}, "circle": {"cx", "cy", "r"},
		"ellipse": {"cx", "cy", "rx", "ry"}, "rect": {"x", "y", "width", "height", "rx", "ry"},
	}[n.name]
	for _, name := range fields {
		of, ok := geometry[name]
		if !ok {
			of = map[byte]base{'x': baseWidth, 'y': baseHeight}[name[0]]
		}
		var err error
		if v[name], has[name], err = r.lengthOrAuto(n, s, name, of, 0); err != nil {
			return err
		}
	}
	rx, ry := v["rx"], v["ry"]
	if !has["rx"] || rx < 0 { // a negative radius counts as "auto"
		rx = ry
	}
	if !has["ry"] || ry < 0 {
		ry = rx
	}
	rx, ry = max(0, rx), max(0, ry)
	switch n.name {
	case "line":
		o.Move(vec(v["x1"], v["y1"]))
		o.Line(vec(v["x2"], v["y2"]))
	case "circle":
		if v["r"] > 0 {
			o.Ellipse(vec(v["cx"], v["cy"]), v["r"], v["r"])
		}
	case "ellipse":
		if rx > 0 && ry > 0 {
			o.Ellipse(vec(v["cx"], v["cy"]), rx, ry)
		}
	case "rect":
		if v["width"] > 0 && v["height"] > 0 {
			rectangle(o, v["x"], v["y"], v["width"], v["height"], rx, ry)
		}
	}
	return nil
}

// rectangle draws a rectangle in the order of SVG 2 §10.2: from the end of the upper left corner.
func rectangle(o *drawing.Outline, x, y, w, h, rx, ry float64) {
	rx, ry = min(rx, w/2), min(ry, h/2)
	if rx == 0 || ry == 0 {
		rx, ry = 0, 0
	}
	corner := func(to drawing.Vec) {
		if rx > 0 {
			o.Arc(rx, ry, 0, false, true, to)
		}
	}
	o.Move(vec(x+rx, y))
	o.Line(vec(x+w-rx, y))
	corner(vec(x+w, y+ry))
	o.Line(vec(x+w, y+h-ry))
	corner(vec(x+w-rx, y+h))
	o.Line(vec(x+rx, y+h))
	corner(vec(x, y+h-ry))
	o.Line(vec(x, y+ry))
	corner(vec(x+rx, y))
	o.Close()
}

func (r *reader) polyline(n *element) ([]drawing.Path, error) {
	p := &pathReader{text: n.attrs["points"]}
	var o drawing.Outline
	const next = "draw it again"
	for first := true; ; first = false {
		p.skip()
		if p.pos >= len(p.text) {
			break
		}
		at, err := p.point(false)
		if errors.Is(err, errPathCut) && p.pos >= len(p.text) {
			// SVG 2 §10.6: of an odd number of coordinates the last one is dropped.
			r.notice(n, next, "a list of points has a coordinate too many, which is dropped")
			break
		}
		if errors.Is(err, errPathCut) {
			r.notice(n, next, "a list of points is broken and counts as not written, as browsers take it")
			return nil, nil
		}
		if err != nil {
			return nil, refused(n, "points", err)
		}
		if first {
			o.Move(at)
			continue
		}
		o.Line(at)
		if o.Points() > r.limits.Points-r.points {
			return nil, r.tooManyPoints(n)
		}
	}
	if n.name == "polygon" {
		o.Close()
	}
	return o.Paths(), nil
}
