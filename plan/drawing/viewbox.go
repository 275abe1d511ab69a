package drawing

import (
	"fmt"
	"strings"
)

// view is a viewport: percentages refer to w × h, in user units of its content; what reaches out
// of the box x, y, w, h would be cut off by a viewer.
type view struct {
	w, h   float64
	x, y   float64
	inv    matrix // mm → user units
	clips  bool
	marked bool // a notice was given
}

func (r *reader) viewport() view {
	if len(r.views) == 0 {
		return view{w: 300, h: 150} // CSS's default size of replaced elements; only before the root is known
	}
	return r.views[len(r.views)-1]
}

// viewBox reads the attribute; ok is false where there is none.
func viewBox(n *node) (x, y, w, h float64, ok bool, err error) {
	text, has := n.attrs["viewBox"]
	if !has {
		return 0, 0, 0, 0, false, nil
	}
	parts := strings.FieldsFunc(text, func(c rune) bool { return strings.ContainsRune(" \t\r\n,", c) })
	if len(parts) != 4 {
		return 0, 0, 0, 0, false, fault(n, "viewBox", fmt.Errorf("%.60q has %d numbers instead of 4", text, len(parts)))
	}
	var v [4]float64
	for i, part := range parts {
		if v[i], err = readNumber(part); err != nil {
			return 0, 0, 0, 0, false, fault(n, "viewBox", err)
		}
	}
	if v[2] < 0 || v[3] < 0 {
		return 0, 0, 0, 0, false, fault(n, "viewBox", fmt.Errorf("%.60q has a negative size", text))
	}
	return v[0], v[1], v[2], v[3], true, nil
}

// fit maps a viewBox into a viewport of w × h (SVG 2 §8.7, preserveAspectRatio).
func fit(n *node, vx, vy, vw, vh, w, h float64) (matrix, error) {
	sx, sy := w/vw, h/vh
	align, slice := "xMidYMid", false
	words := strings.Fields(n.attrs["preserveAspectRatio"])
	if len(words) > 0 && words[0] == "defer" {
		words = words[1:]
	}
	if len(words) > 0 {
		align = words[0]
	}
	if len(words) > 1 {
		slice = words[1] == "slice"
	}
	var tx, ty float64
	if align != "none" {
		s := min(sx, sy)
		if slice {
			s = max(sx, sy)
		}
		sx, sy = s, s
		spareX, spareY := w-float64(vw*s), h-float64(vh*s)
		if len(align) != 8 {
			return identity, fault(n, "preserveAspectRatio", fmt.Errorf("%.40q is not known", align))
		}
		for i, spare := range []float64{spareX, spareY} {
			var part float64
			switch align[4*i+1 : 4*i+4] {
			case "Min":
			case "Mid":
				part = spare / 2
			case "Max":
				part = spare
			default:
				return identity, fault(n, "preserveAspectRatio", fmt.Errorf("%.40q is not known", align))
			}
			if i == 0 {
				tx = part
			} else {
				ty = part
			}
		}
	}
	return matrix{a: sx, d: sy, e: tx - float64(vx*sx), f: ty - float64(vy*sy)}, nil
}

// readRoot sets the page's size and walks the whole drawing.
func (r *reader) readRoot(root *node) error {
	vx, vy, vw, vh, boxed, err := viewBox(root)
	if err != nil {
		return err
	}
	size := func(name string) (float64, bool, error) {
		text := strings.TrimSpace(root.attrs[name])
		if text == "" || text == "auto" || strings.HasSuffix(text, "%") {
			return 0, false, nil
		}
		v, err := r.readLength(text, baseNone)
		if err == nil && v < 0 {
			err = fmt.Errorf("%.40q is negative", text)
		}
		if err != nil {
			return 0, false, fault(root, name, err)
		}
		return v, true, nil
	}
	w, hasW, err := size("width")
	if err != nil {
		return err
	}
	h, hasH, err := size("height")
	if err != nil {
		return err
	}
	const next = "give the drawing a width and a height in mm"
	switch {
	case !boxed && !(hasW && hasH):
		r.notice(root, next, "the drawing has no size: one unit is taken as 1/96 inch")
		fallthrough
	case !boxed:
		vw, vh = w, h
	case vw == 0 || vh == 0:
		return &Refusal{What: "the drawing's viewBox has no area", Next: "correct the page size and save again", Place: root.place()}
	case hasW && !hasH:
		h = w * vh / vw
	case hasH && !hasW:
		w = h * vw / vh
	case !hasW:
		r.notice(root, next, "the drawing has no size of its own: one unit is taken as 1/96 inch")
		w, h = vw, vh
	}
	m := identity
	if boxed {
		if m, err = fit(root, vx, vy, vw, vh, w, h); err != nil {
			return err
		}
	}
	if !finite(w, h, m.a, m.d, m.e, m.f) {
		return &Refusal{What: "the drawing's size is infinite", Next: "correct the page size and save again", Place: root.place()}
	}
	r.drawing.WidthMM, r.drawing.HeightMM = float64(w*mmPerPx), float64(h*mmPerPx)
	page := view{w: w, h: h, inv: scaling(1/mmPerPx, 1/mmPerPx), clips: boxed || hasW && hasH}
	r.views = append(r.views, page, view{w: vw, h: vh})
	s, err := r.enter(root, state{to: scaling(mmPerPx, mmPerPx), style: initialStyle()})
	if err != nil || s.hidden {
		return err
	}
	s.to = s.to.then(m)
	return r.walkChildren(root, s)
}

// nested opens the viewport of a nested svg element, or of a symbol that user draws.
func (r *reader) nested(n *node, s state, user *node) error {
	parent := r.viewport()
	var at [4]float64
	for i, field := range []struct {
		name    string
		of      base
		missing float64
	}{{"x", baseWidth, 0}, {"y", baseHeight, 0}, {"width", baseWidth, parent.w}, {"height", baseHeight, parent.h}} {
		v, err := r.length(n, field.name, field.of, field.missing)
		if err != nil {
			return err
		}
		if user != nil && i >= 2 && user.attrs[field.name] != "" {
			if v, err = r.length(user, field.name, field.of, v); err != nil {
				return err
			}
		}
		at[i] = v
	}
	if at[2] < 0 || at[3] < 0 {
		return fault(n, "size", fmt.Errorf("it is negative"))
	}
	if at[2] == 0 || at[3] == 0 {
		return nil // the standard: not drawn
	}
	s.to = s.to.then(translation(at[0], at[1]))
	inner := view{w: at[2], h: at[3], clips: r.cascade(n).get("overflow") != "visible"}
	vx, vy, vw, vh, boxed, err := viewBox(n)
	if err != nil {
		return err
	}
	inner.inv, _ = s.to.inverse()
	outer := inner
	if boxed {
		if vw == 0 || vh == 0 {
			return nil
		}
		m, err := fit(n, vx, vy, vw, vh, at[2], at[3])
		if err != nil {
			return err
		}
		s.to = s.to.then(m)
		inner.w, inner.h = vw, vh
	}
	inner.clips = false
	r.views = append(r.views, outer, inner)
	defer func() { r.views = r.views[:len(r.views)-2] }()
	return r.walkChildren(n, s)
}

// reach names shapes that lie beyond a page or viewport, which a viewer would cut off there.
func (r *reader) reach(n *node, p Vec) {
	const slack = 0.05
	for i := range r.views {
		v := &r.views[i]
		if !v.clips || v.marked {
			continue
		}
		u := v.inv.apply(p)
		if u.X < v.x-slack || u.Y < v.y-slack || u.X > v.x+v.w+slack || u.Y > v.y+v.h+slack {
			v.marked = true
			r.notice(n, "move it inside, or enlarge the page", "a shape reaches beyond its page or frame; it is taken whole")
		}
	}
}
