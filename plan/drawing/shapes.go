package drawing

import (
	"errors"
	"fmt"
	"math"
	"strings"
)

// shape reads one graphic element and adds it in millimetres.
func (r *reader) shape(n *node, s state) error {
	if !s.style.visible {
		return nil
	}
	paths, err := r.outlineOf(n)
	if errors.Is(err, errPathCut) {
		r.notice(n, "draw it again", "path data is broken; what comes before the fault is taken")
	} else if err != nil {
		return err
	}
	if len(paths) == 0 {
		return nil
	}
	if s.style.stroke == noPaint && s.style.fill == noPaint {
		r.notice(n, "give it a line colour, or delete it", "a shape with neither line nor fill is left out")
		return nil
	}
	if s.style.dashed {
		r.notice(n, "draw the dashes as lines of their own", "a dashed line is taken as a whole line")
	}
	for _, name := range []string{"stroke", "fill"} {
		if strings.HasPrefix(r.cascade(n).get(name), "url(") {
			r.notice(n, "nothing to do: only the outline counts", "a gradient or pattern is taken as a plain colour")
		}
	}
	shape := Shape{
		Layer: s.layer, Stroke: string(s.style.stroke), Fill: string(s.style.fill), Place: n.place(),
	}
	for _, path := range paths {
		moved, err := r.place(n, path, s.to)
		if err != nil {
			return err
		}
		shape.Paths = append(shape.Paths, moved)
	}
	r.drawing.Shapes = append(r.drawing.Shapes, shape)
	return nil
}

// place maps a path onto the page, in place, and counts its points.
func (r *reader) place(n *node, path Path, to matrix) (Path, error) {
	r.points += len(path.Segments) + 1
	if r.points > r.limits.Points {
		return path, r.tooManyPoints(n)
	}
	var err error
	at := func(p Vec) Vec {
		q := to.apply(p)
		switch {
		case !finite(q.X, q.Y):
			err = &Refusal{What: "a coordinate is infinite or not a number",
				Next: "correct this element and save the drawing again", Place: n.place()}
		case math.Abs(q.X) > MaxExtentMM || math.Abs(q.Y) > MaxExtentMM:
			err = &Refusal{What: "a shape lies too far from the page", Next: "move or delete it",
				Limit: fmt.Sprintf("%d mm", MaxExtentMM),
				Value: fmt.Sprintf("%.0f mm", max(math.Abs(q.X), math.Abs(q.Y))), Place: n.place()}
		}
		return q
	}
	path.Start = at(path.Start)
	r.reach(n, path.Start)
	for i := range path.Segments {
		s := &path.Segments[i]
		s.To = at(s.To)
		if s.Curve {
			s.C1, s.C2 = at(s.C1), at(s.C2)
		}
		r.reach(n, s.To)
	}
	return path, err
}

func (r *reader) tooManyPoints(n *node) error {
	return &Refusal{
		What: "the drawing has too many points", Next: "simplify it or divide it into several drawings",
		Limit: fmt.Sprint(r.limits.Points), Value: "more", Place: n.place(),
	}
}

// outlineOf gives an element's paths in user units.
func (r *reader) outlineOf(n *node) ([]Path, error) {
	var o outline
	switch n.name {
	case "path":
		text, ok := r.cascade(n).sheet["d"] // SVG 2 allows d: path("…")
		if ok {
			text = strings.Trim(strings.TrimSuffix(strings.TrimPrefix(text, "path("), ")"), `"'`)
		} else {
			text = n.attrs["d"]
		}
		paths, err := readPath(text, r.limits.Points-r.points)
		if errors.Is(err, errPoints) {
			return nil, r.tooManyPoints(n)
		}
		if err != nil && !errors.Is(err, errPathCut) {
			return nil, fault(n, "path data", err)
		}
		return paths, err
	case "polyline", "polygon":
		return r.polyline(n)
	}
	v := map[string]float64{}
	for _, field := range []struct {
		name string
		of   base
	}{
		{"x", baseWidth}, {"y", baseHeight}, {"width", baseWidth}, {"height", baseHeight},
		{"cx", baseWidth}, {"cy", baseHeight}, {"r", baseDiagonal}, {"rx", baseWidth}, {"ry", baseHeight},
		{"x1", baseWidth}, {"y1", baseHeight}, {"x2", baseWidth}, {"y2", baseHeight},
	} {
		text := r.cascade(n).get(field.name)
		if text == "" || text == "auto" {
			continue
		}
		var err error
		if v[field.name], err = r.readLength(text, field.of); err != nil {
			return nil, fault(n, field.name, err)
		}
	}
	has := func(name string) bool { _, ok := v[name]; return ok }
	switch n.name {
	case "line":
		o.move(Vec{v["x1"], v["y1"]})
		o.line(Vec{v["x2"], v["y2"]})
	case "circle":
		if v["r"] > 0 {
			o.ellipse(Vec{v["cx"], v["cy"]}, v["r"], v["r"])
		}
	case "ellipse":
		rx, ry := v["rx"], v["ry"]
		if !has("rx") {
			rx = ry
		}
		if !has("ry") {
			ry = rx
		}
		if rx > 0 && ry > 0 {
			o.ellipse(Vec{v["cx"], v["cy"]}, rx, ry)
		}
	case "rect":
		if v["width"] > 0 && v["height"] > 0 {
			rx, ry := v["rx"], v["ry"]
			if !has("rx") || rx < 0 {
				rx = ry
			}
			if !has("ry") || ry < 0 {
				ry = rx
			}
			o.rect(v["x"], v["y"], v["width"], v["height"], max(0, rx), max(0, ry))
		}
	}
	if len(o.paths) == 0 {
		r.notice(n, "delete it", "a %s without size is not drawn", n.name)
	}
	return o.paths, nil
}

// rect draws a rectangle in the order of SVG 2 §10.2: from the end of the upper left corner.
func (o *outline) rect(x, y, w, h, rx, ry float64) {
	rx, ry = min(rx, w/2), min(ry, h/2)
	if rx == 0 || ry == 0 {
		rx, ry = 0, 0
	}
	corner := func(to Vec) {
		if rx > 0 {
			o.arc(rx, ry, 0, false, true, to)
		}
	}
	o.move(Vec{x + rx, y})
	o.line(Vec{x + w - rx, y})
	corner(Vec{x + w, y + ry})
	o.line(Vec{x + w, y + h - ry})
	corner(Vec{x + w - rx, y + h})
	o.line(Vec{x + rx, y + h})
	corner(Vec{x, y + h - ry})
	o.line(Vec{x, y + ry})
	corner(Vec{x + rx, y})
	o.close()
}

func (r *reader) polyline(n *node) ([]Path, error) {
	p := &pathReader{text: n.attrs["points"]}
	var o outline
	for first := true; ; first = false {
		p.skip()
		if p.pos >= len(p.text) {
			break
		}
		at, err := p.point(false)
		if errors.Is(err, errPathCut) {
			// SVG 2 §10.6: an odd number of coordinates is an error; the points before it are drawn.
			r.notice(n, "draw it again", "a list of points is broken; what comes before the fault is taken")
			break
		}
		if err != nil {
			return nil, fault(n, "points", err)
		}
		if first {
			o.move(at)
			continue
		}
		o.line(at)
		if o.count > r.limits.Points-r.points {
			return nil, r.tooManyPoints(n)
		}
	}
	if n.name == "polygon" {
		o.close()
	}
	return o.paths, nil
}
