package svg

import (
	"fmt"
	"strings"

	"kerfgate/plan/drawing"
)

// use draws what href names, shifted by x and y (SVG 2 §5.5).
func (r *reader) use(n *element, s state) error {
	href := strings.TrimSpace(n.attrs["href"])
	if href == "" || href == "#" {
		r.notice(n, "restore or delete it", "use refers to nothing and is left out")
		return nil
	}
	if !strings.HasPrefix(href, "#") {
		r.notice(n, "copy what it refers to into the drawing", "use refers outside the drawing (%.60q) and is left out", href)
		return nil
	}
	target := r.ids[href[1:]]
	if target == nil {
		r.notice(n, "restore or delete it", "use refers to %.40q, which does not exist", href)
		return nil
	}
	if err := r.recursion(n, target); err != nil {
		return err
	}
	x, err := r.length(n, s, "x", baseWidth, 0)
	if err != nil {
		return err
	}
	y, err := r.length(n, s, "y", baseHeight, 0)
	if err != nil {
		return err
	}
	s.to = s.to.then(translation(x, y))
	outer := r.instance
	r.active[target], r.instance = true, target
	r.using++
	defer func() {
		delete(r.active, target)
		r.instance = outer
		r.using--
	}()
	switch target.name {
	case "symbol", "svg":
		if err := r.count(target); err != nil {
			return err
		}
		inner, err := r.enter(target, s)
		if err != nil || inner.hidden {
			return err
		}
		return r.nested(target, inner, n)
	case "g", "a", "use", "switch", "path", "rect", "circle", "ellipse", "line", "polyline", "polygon", "image", "text":
		return r.walk(target, s)
	}
	r.notice(n, "refer to a shape or group", "use refers to the element %.40q, which cannot be drawn by reference", target.name)
	return nil
}

// recursion refuses a use that draws itself, directly or by way of others.
func (r *reader) recursion(n, target *element) error {
	circle := r.active[target]
	for up := n; up != nil; up = up.parent {
		circle = circle || up == target
	}
	if circle {
		return &drawing.Refusal{What: fmt.Sprintf("use refers to itself by way of %.40q", n.attrs["href"]), Next: "break the circle",
			Place: n.place()}
	}
	if r.using >= r.limits.Depth {
		return &drawing.Refusal{What: "use is nested too deeply", Next: "copy the shapes instead",
			Limit: fmt.Sprint(r.limits.Depth), Value: "more", Place: n.place()}
	}
	return nil
}
