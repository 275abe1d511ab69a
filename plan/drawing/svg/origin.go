package svg

import (
	"errors"
	"fmt"
	"strings"
)

// box is what percentages and keywords of transforms refer to.
type box struct{ x, y, w, h float64 }

// movement is the whole transform of an element into its parent's coordinates: the properties
// translate, rotate and scale, then transform, all about transform-origin (CSS Transforms 2, §9).
func (r *reader) movement(n *element, s state, own *declared) (matrix, error) {
	text, css, moved := own.find("transform")
	single := false
	for _, name := range []string{"translate", "rotate", "scale"} {
		v, ok := own.sheet[name] // as an attribute, rotate means something else
		single = single || ok && v != "none"
	}
	if v, ok := own.sheet["offset-path"]; ok && v != "none" {
		return identity, refused(n, "the style property offset-path", fmt.Errorf("movement along a path is not applied"))
	}
	if moved = moved && text != "" && text != "none" && text != "initial" && text != "unset"; !moved && !single {
		return identity, nil
	}
	ref, err := r.referenceBox(n, s, own)
	if err != nil {
		return identity, err
	}
	about, err := r.origin(n, s, own, ref)
	if err != nil {
		return identity, err
	}
	m := identity
	if single {
		if m, err = r.singleTransforms(n, s, own, ref); err != nil {
			return identity, err
		}
	}
	if moved {
		t, err := r.readTransform(text, css, s.font, ref)
		if err != nil {
			if err = r.faulty(n, "transform", err); err != nil {
				return identity, err
			}
			t = identity
		}
		m = m.then(t)
	}
	return translation(about.x, about.y).then(m).then(translation(-about.x, -about.y)), nil
}

// referenceBox follows transform-box. Its first value in SVG is the nearest viewport; the root of a
// file is a box of its own (CSS Transforms 1, §6).
func (r *reader) referenceBox(n *element, s state, own *declared) (box, error) {
	v, _ := own.sheet["transform-box"]
	switch view := r.viewport(); {
	case n.parent == nil:
		return box{w: r.views[0].w, h: r.views[0].h}, nil
	case v == "fill-box" || v == "content-box":
		return r.boundingBox(n, s)
	case v == "stroke-box" || v == "border-box":
		return box{}, refused(n, "the style property transform-box", fmt.Errorf("the box of the stroke is not reckoned; use fill-box"))
	default:
		return box{w: view.w, h: view.h}, nil
	}
}

// origin is the fixed point of transforms, as a box without size.
func (r *reader) origin(n *element, s state, own *declared, ref box) (box, error) {
	text, css, ok := own.find("transform-origin")
	if !ok || text == "" || text == "initial" || text == "unset" {
		if n.parent == nil {
			return box{x: ref.w / 2, y: ref.h / 2}, nil
		}
		return box{x: ref.x, y: ref.y}, nil
	}
	words := strings.Fields(text)
	faulty := func() (box, error) {
		err := r.faulty(n, "transform-origin", fmt.Errorf("%.40q is %w", text, errFaulty))
		return box{x: ref.x, y: ref.y}, err
	}
	if len(words) > 3 {
		return faulty()
	}
	if len(words) == 1 {
		words = append(words, "center")
	}
	if words[0] == "top" || words[0] == "bottom" || words[1] == "left" || words[1] == "right" {
		words[0], words[1] = words[1], words[0]
	}
	read := func(word, low, high string, side float64) (float64, error) {
		switch word {
		case low:
			return 0, nil
		case "center":
			return side / 2, nil
		case high:
			return side, nil
		}
		v, unit, err := splitUnit(word)
		if err == nil && unit == "" && !css {
			return v, nil
		}
		return r.cssLength(word, side, s.font)
	}
	x, err := read(words[0], "left", "right", ref.w)
	if err == nil {
		var y float64
		if y, err = read(words[1], "top", "bottom", ref.h); err == nil {
			return box{x: ref.x + x, y: ref.y + y}, nil
		}
	}
	if errors.Is(err, errFaulty) {
		return faulty()
	}
	return box{}, refused(n, "transform-origin", err)
}

// singleTransforms reads the properties translate, rotate and scale.
func (r *reader) singleTransforms(n *element, s state, own *declared, ref box) (matrix, error) {
	m := identity
	for _, name := range []string{"translate", "rotate", "scale"} {
		text, ok := own.sheet[name]
		if !ok || text == "none" || text == "initial" || text == "unset" {
			continue
		}
		// The same numbers as of the function, with spaces for commas; a percentage scales too.
		words := strings.Fields(text)
		for i, word := range words {
			if percent, is := strings.CutSuffix(word, "%"); is && name == "scale" {
				words[i] = percent + "e-2"
			}
		}
		t, err := r.readTransform(name+"("+strings.Join(words, ",")+")", true, s.font, ref)
		if err != nil && len(words) > 1 && (name == "rotate" || len(words) > 2) {
			err = fmt.Errorf("%.40q is %w: transforms in space are not read", text, errDepends)
		}
		if err != nil {
			if err = r.faulty(n, "the style property "+name, err); err != nil {
				return identity, err
			}
			continue
		}
		m = m.then(t)
	}
	return m, nil
}
