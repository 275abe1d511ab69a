package svg

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"kerfgate/plan/drawing"
)

// User units per unit: CSS fixes 96 px to the inch (CSS Values and Units 3, §6.2).
const (
	pxPerInch = 96.0
	mmPerPx   = 25.4 / pxPerInch
)

// base says which side of the viewport a percentage refers to.
type base int

const (
	baseNone base = iota
	baseWidth
	baseHeight
	baseDiagonal // √((w² + h²)/2), SVG 2 §8.9
)

// geometry holds the attributes that are CSS properties too (SVG 2 §7.4) and what their
// percentages refer to.
var geometry = map[string]base{
	"x": baseWidth, "y": baseHeight, "width": baseWidth, "height": baseHeight,
	"cx": baseWidth, "cy": baseHeight, "r": baseDiagonal, "rx": baseWidth, "ry": baseHeight,
}

// unitPx gives the user units of an absolute unit as a fraction, so that 25.4 mm are 96 exactly.
func unitPx(unit string) (times, over float64, ok bool) {
	switch unit {
	case "", "px":
		return 1, 1, true
	case "mm":
		return pxPerInch, 25.4, true
	case "cm":
		return pxPerInch, 2.54, true
	case "q":
		return pxPerInch, 101.6, true
	case "in":
		return pxPerInch, 1, true
	case "pt":
		return pxPerInch, 72, true
	case "pc":
		return pxPerInch, 6, true
	}
	return 0, 0, false
}

// Units that have a length only with a font or in a window (CSS Values and Units 4, §6.1); those of
// the window also with s, l or d before them.
var (
	fontUnits   = []string{"ex", "ch", "cap", "ic", "lh", "rex", "rch", "rcap", "ric", "rlh"}
	windowUnits = []string{"vw", "vh", "vi", "vb", "vmin", "vmax"}
)

func knownUnit(unit string) bool {
	_, _, absolute := unitPx(unit)
	return absolute || unit == "%" || unit == "em" || unit == "rem" ||
		slices.Contains(fontUnits, unit) || slices.Contains(windowUnits, strings.TrimLeft(unit, "sld"))
}

// readLength gives a length in user units of the current viewport.
func (r *reader) readLength(text string, of base, f font) (float64, error) {
	v, unit, err := splitUnit(text)
	if err != nil {
		return 0, dependent(text, err)
	}
	if times, over, ok := unitPx(unit); ok {
		v = v * times / over
	} else if v, err = r.relativeLength(text, v, unit, of, f); err != nil {
		return 0, err
	}
	if !drawing.Finite(v) {
		return 0, fmt.Errorf("%.40q is %w", text, errInfinite)
	}
	return v, nil
}

// dependent tells a calculation from a fault.
func dependent(text string, err error) error {
	if errors.Is(err, errFaulty) && strings.Contains(text, "(") {
		return fmt.Errorf("%.40q is %w: calculations and variables are not read", text, errDepends)
	}
	return err
}

func (r *reader) relativeLength(text string, v float64, unit string, of base, f font) (float64, error) {
	switch unit {
	case "%":
		view := r.viewport()
		switch of {
		case baseWidth:
			return v / 100 * view.w, nil
		case baseHeight:
			return v / 100 * view.h, nil
		case baseDiagonal:
			return v / 100 * math.Sqrt((float64(view.w*view.w)+float64(view.h*view.h))/2), nil
		}
		return 0, fmt.Errorf("the percentage %.40q is %w here", text, errFaulty)
	case "em", "rem":
		size := f.size
		if unit == "rem" {
			size = r.rootFont.size
		}
		if f.unknown {
			return 0, fmt.Errorf("%.40q is %w: its font size is not read", text, errDepends)
		}
		return v * size, nil
	}
	if slices.Contains(fontUnits, unit) {
		return 0, fmt.Errorf("%.40q is %w: the unit %s depends on the viewer's fonts; use mm, cm, in, pt, pc, Q or px", text, errDepends, unit)
	}
	if slices.Contains(windowUnits, strings.TrimLeft(unit, "sld")) {
		return 0, fmt.Errorf("%.40q is %w: the unit %s depends on the viewer's window; use mm, cm, in, pt, pc, Q or px", text, errDepends, unit)
	}
	return 0, fmt.Errorf("the length %.40q is %w", text, errFaulty)
}

// length reads one geometry attribute or property as user units. missing stands for what is not
// written, "auto", or faulty, which is named.
func (r *reader) length(n *element, s state, name string, of base, missing float64) (float64, error) {
	v, _, err := r.lengthOrAuto(n, s, name, of, missing)
	return v, err
}

// lengthOrAuto also says whether a length is written.
func (r *reader) lengthOrAuto(n *element, s state, name string, of base, missing float64) (v float64, written bool, err error) {
	if _, property := geometry[name]; property {
		text, _ := r.cascade(n).lookup(name)
		return r.writtenLength(n, s, name, text, of, missing)
	}
	return r.lengthOfAttribute(n, s, name, of, missing)
}

// lengthOfAttribute looks at no style property.
func (r *reader) lengthOfAttribute(n *element, s state, name string, of base, missing float64) (float64, bool, error) {
	return r.writtenLength(n, s, name, n.attrs[name], of, missing)
}

func (r *reader) writtenLength(n *element, s state, name, text string, of base, missing float64) (float64, bool, error) {
	text = strings.TrimSpace(text)
	switch text {
	case "", "auto", "initial", "unset", "revert":
		return missing, false, nil
	}
	v, err := r.readLength(text, of, s.font)
	if err != nil {
		if err = r.faulty(n, name, err); err != nil {
			return 0, false, err
		}
		return missing, false, nil
	}
	return v, true, nil
}

// faulty names an attribute that counts as not written, or refuses the drawing where it is more
// than faulty.
func (r *reader) faulty(n *element, name string, err error) error {
	if errors.Is(err, errFaulty) {
		r.notice(n, "correct this element and save the drawing again",
			"%s is faulty and counts as not written, as the standard asks: %v", name, err)
		return nil
	}
	return refused(n, name, err)
}

// refused makes a refusal of an error in an element's attribute.
func refused(n *element, name string, err error) error {
	var refusal *drawing.Refusal
	if errors.As(err, &refusal) {
		return refusal
	}
	return &drawing.Refusal{
		What:  fmt.Sprintf("%s cannot be read: %v", name, err),
		Next:  "correct this element and save the drawing again",
		Place: n.place(),
	}
}
