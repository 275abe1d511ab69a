package optics

import "fmt"

// Class is a hint at the hazard class of IEC 60825-1:2014 of an accessible continuous-wave beam. Nobody
// classifies a machine from it: the maker's label wins, and a home-built machine has none.
type Class string

// Classes, least hazard first.
const (
	Class1  Class = "1"
	Class2  Class = "2"
	Class3R Class = "3R"
	Class3B Class = "3B"
	Class4  Class = "4"
)

// Fixed limits of the classes in watts.
const (
	class2W        = 1e-3
	class3RVisible = 5e-3
	class3BW       = 0.5
)

// Class1LimitW is the accessible emission limit of class 1 in watts, 100 s base, point source, through
// 7 mm (3.5 mm at 9 to 11 µm). Tables print it rounded to two digits. Errors wrap ErrWavelength.
func Class1LimitW(nm float64) (float64, error) {
	l, err := MPE(nm, 100)
	if err != nil {
		return 0, err
	}
	return l.PowerThrough(), nil
}

// ClassHint is the class whose limits hold for so much accessible power in watts.
func ClassHint(nm, accessibleW float64) (Class, error) {
	one, err := Class1LimitW(nm)
	if err != nil {
		return "", err
	}
	if !(accessibleW > 0 && accessibleW <= 1000) {
		return "", fmt.Errorf("%w: %g W", ErrPower, accessibleW)
	}
	visible := nm <= 700
	threeR := 5 * one
	if visible {
		threeR = class3RVisible
	}
	switch {
	case accessibleW <= one:
		return Class1, nil
	case visible && accessibleW <= class2W:
		return Class2, nil
	case accessibleW <= threeR:
		return Class3R, nil
	case accessibleW <= class3BW:
		return Class3B, nil
	}
	return Class4, nil
}
