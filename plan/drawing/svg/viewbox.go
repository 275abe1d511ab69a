package svg

import (
	"fmt"
	"strings"

	"kerfgate/plan/drawing"
)

// view is a viewport: percentages refer to w × h, in user units of its content. Where it clips, a
// viewer would cut off what reaches out of the box 0, 0, w, h.
type view struct {
	w, h   float64
	inv    matrix // mm → user units
	clips  bool
	marked bool // a notice was given
}

func (r *reader) viewport() view {
	if len(r.views) == 0 {
		return view{w: defaultWidth, h: defaultHeight} // only before the root is known
	}
	return r.views[len(r.views)-1]
}

// defaultWidth and defaultHeight are CSS's size in px of what says none (CSS 2.1, §10.3.2).
const (
	defaultWidth  = 300
	defaultHeight = 150
)

// viewBox reads the attribute; ok is false where there is none.
func viewBox(n *element) (x, y, w, h float64, ok bool, err error) {
	text, has := n.attrs["viewBox"]
	if !has {
		return 0, 0, 0, 0, false, nil
	}
	parts := splitList(text)
	if len(parts) != 4 {
		return 0, 0, 0, 0, false, refused(n, "viewBox", fmt.Errorf("%.60q has %d numbers instead of 4", text, len(parts)))
	}
	var v [4]float64
	for i, part := range parts {
		if v[i], err = readNumber(part); err != nil {
			return 0, 0, 0, 0, false, refused(n, "viewBox", err)
		}
	}
	if v[2] < 0 || v[3] < 0 {
		return 0, 0, 0, 0, false, refused(n, "viewBox", fmt.Errorf("%.60q has a negative size", text))
	}
	return v[0], v[1], v[2], v[3], true, nil
}

// fit maps a viewBox into a viewport of w × h.
func (r *reader) fit(n *element, vx, vy, vw, vh, w, h float64) matrix {
	a := r.aspect(n)
	sx, sy := w/vw, h/vh
	var tx, ty float64
	if !a.none {
		s := min(sx, sy)
		if a.slice {
			s = max(sx, sy)
		}
		sx, sy = s, s
		tx, ty = float64((w-float64(vw*s))*a.x), float64((h-float64(vh*s))*a.y)
	}
	return matrix{a: sx, d: sy, e: tx - float64(vx*sx), f: ty - float64(vy*sy)}
}

// aspect is preserveAspectRatio (SVG 2 §8.7): x and y are the shares of the spare room before the
// picture.
type aspect struct {
	none, slice bool
	x, y        float64
}

func (r *reader) aspect(n *element) aspect {
	words := strings.Fields(n.attrs["preserveAspectRatio"])
	if len(words) > 0 && words[0] == "defer" {
		words = words[1:]
	}
	middle := aspect{x: 0.5, y: 0.5}
	if len(words) == 0 {
		return middle
	}
	faulty := func() aspect {
		r.notice(n, "correct this element and save the drawing again", "preserveAspectRatio is faulty and counts as not written, as the standard asks")
		return middle
	}
	a := aspect{none: words[0] == "none", slice: len(words) == 2 && words[1] == "slice"}
	if len(words) > 2 || len(words) == 2 && words[1] != "slice" && words[1] != "meet" {
		return faulty()
	}
	if a.none {
		return a
	}
	share := map[string]float64{"Min": 0, "Mid": 0.5, "Max": 1}
	word := words[0]
	if len(word) != 8 || word[0] != 'x' || word[4] != 'Y' {
		return faulty()
	}
	var okX, okY bool
	a.x, okX = share[word[1:4]]
	a.y, okY = share[word[5:]]
	if !okX || !okY {
		return faulty()
	}
	return a
}

// readRoot sets the page's size and walks the whole drawing.
func (r *reader) readRoot(root *element) error {
	vx, vy, vw, vh, boxed, err := viewBox(root)
	if err != nil {
		return err
	}
	own := r.cascade(root)
	initial := state{to: scaling(mmPerPx, mmPerPx), style: initialStyle(), font: font{size: absoluteSizes["medium"]}}
	r.rootFont = initial.font.inherit(r, own)
	initial.font = r.rootFont
	size := func(name string) (float64, bool, error) {
		if text := own.get(name); strings.HasSuffix(text, "%") {
			return 0, false, nil // of the viewer's window
		}
		v, written, err := r.lengthOrAuto(root, initial, name, baseNone, 0)
		if err == nil && v < 0 {
			err = refused(root, name, fmt.Errorf("%g is negative", v))
		}
		return v, written, err
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
		if !hasW {
			w = defaultWidth
		}
		if !hasH {
			h = defaultHeight
		}
		vw, vh = w, h
	case !boxed:
		vw, vh = w, h
	case vw == 0 || vh == 0:
		return &drawing.Refusal{What: "the drawing's viewBox has no area", Next: "correct the page size and save again", Place: root.place()}
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
		m = r.fit(root, vx, vy, vw, vh, w, h)
	}
	if !drawing.Finite(w, h, m.a, m.d, m.e, m.f) {
		return &drawing.Refusal{What: "the drawing's size is infinite", Next: "correct the page size and save again", Place: root.place()}
	}
	r.drawing.WidthMM, r.drawing.HeightMM = float64(w*mmPerPx), float64(h*mmPerPx)
	page := view{w: w, h: h, inv: scaling(1/mmPerPx, 1/mmPerPx), clips: boxed || hasW && hasH}
	r.views = append(r.views, page, view{w: vw, h: vh})
	if w == 0 || h == 0 {
		r.notice(root, next, "the drawing's page has no area: nothing of it is drawn")
	} else if s, err := r.enter(root, initial); err != nil {
		return err
	} else if !s.hidden {
		s.to = s.to.then(m)
		if err := r.walkChildren(root, s); err != nil {
			return err
		}
	}
	r.drawing.Notices = r.named
	return nil
}

// nested opens the viewport of a nested svg element, or of a symbol or svg element that user draws.
func (r *reader) nested(n *element, s state, user *element) error {
	parent := r.viewport()
	place := [4]float64{2: parent.w, 3: parent.h} // x, y, width, height
	for i, name := range []string{"x", "y", "width", "height"} {
		of := geometry[name]
		if _, styled := r.cascade(n).sheet[name]; styled {
			// Browsers take the attributes alone, though SVG 2 §7.4 has properties too.
			r.notice(n, "write "+name+" as an attribute", "the style property %s of a nested %s is not applied, as in browsers", name, n.name)
		}
		v, written, err := r.lengthOfAttribute(n, s, name, of, place[i])
		if err != nil {
			return err
		}
		place[i] = v
		if user != nil && i >= 2 {
			// Browsers take the attributes of use alone, no style properties.
			if text := strings.TrimSpace(user.attrs[name]); text == "" || text == "auto" {
				continue
			}
			if v, written, err = r.lengthOfAttribute(user, s, name, of, v); err != nil {
				return err
			}
		}
		if place[i] = v; i >= 2 && written && v < 0 {
			r.notice(n, "correct its size", "a %s with a negative size is not drawn", n.name)
			return nil
		}
	}
	w, h := place[2], place[3]
	if w == 0 || h == 0 {
		return nil // the standard: not drawn
	}
	s.to = s.to.then(translation(place[0], place[1]))
	overflow := r.cascade(n).get("overflow")
	outer := view{w: w, h: h, clips: overflow != "visible" && overflow != "auto"}
	outer.inv, _ = s.to.inverse()
	inner := view{w: w, h: h}
	vx, vy, vw, vh, boxed, err := viewBox(n)
	if err != nil {
		return err
	}
	if boxed {
		if vw == 0 || vh == 0 {
			return nil
		}
		s.to = s.to.then(r.fit(n, vx, vy, vw, vh, w, h))
		inner.w, inner.h = vw, vh
	}
	r.views = append(r.views, outer, inner)
	defer func() { r.views = r.views[:len(r.views)-2] }()
	return r.walkChildren(n, s)
}
