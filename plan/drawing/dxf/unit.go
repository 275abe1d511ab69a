package dxf

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"kerfgate/plan/drawing"
)

// usFootMM is the U.S. survey foot, 1200/3937 m, in millimetres.
const usFootMM = 1200.0 / 3937.0 * 1000

// unitMM gives millimetres per drawing unit for the values of $INSUNITS, as the format's reference
// lists them; 0 is unitless. Astronomical lengths are those of the International Astronomical Union
// (unit B2 of 2012 and B2 of 2015) and the light year of 365.25 days.
var unitMM = [...]float64{
	1: 25.4, 2: 304.8, 3: 1_609_344, // inch, foot, mile
	4: 1, 5: 10, 6: 1000, 7: 1_000_000, // millimetre, centimetre, metre, kilometre
	8: 25.4e-6, 9: 0.0254, 10: 914.4, // microinch, mil, yard
	11: 1e-7, 12: 1e-6, 13: 1e-3, // ångström, nanometre, micrometre
	14: 100, 15: 10_000, 16: 100_000, 17: 1e12, // decimetre, decametre, hectometre, gigametre
	18: 1.495978707e14, 19: 9.4607304725808e18, 20: 3.0856775814913673e19, // astronomical unit, light year, parsec
	21: usFootMM, 22: usFootMM / 12, 23: usFootMM * 3, 24: usFootMM * 5280, // U.S. survey foot, inch, yard, mile
}

// Unit is one that a person may choose for a drawing whose file does not say it.
type Unit struct {
	Name string
	MM   float64 // millimetres, for Choices.UnitMM
}

// Units are the ones to offer, the likeliest first.
func Units() []Unit {
	return []Unit{{"mm", 1}, {"cm", 10}, {"m", 1000}, {"in", 25.4}, {"ft", 304.8}}
}

// scale gives millimetres per drawing unit, or 0 where a person must say it.
func (h header) scale(choices Choices) (float64, error) {
	if c := choices.UnitMM; c != 0 {
		if !(c > 0) || math.IsInf(c, 0) {
			return 0, &drawing.Refusal{
				What: "the chosen unit is not a length", Next: "choose mm, cm, m, in or ft", Asks: "unit",
			}
		}
		return c, nil
	}
	if h.unit > 0 && h.unit < len(unitMM) {
		return unitMM[h.unit], nil
	}
	return 0, nil
}

// askUnit is the refusal of a drawing whose file does not say how long its unit is. Its size in the
// likely units helps whoever answers.
func (h header) askUnit(width, height float64) error {
	what := "the file does not say which unit it is drawn in"
	if h.unit != 0 {
		what = fmt.Sprintf("the file is drawn in the unit number %d ($INSUNITS), which is not known", h.unit)
	}
	hint := ""
	switch {
	case h.system == 1:
		hint = "; it was drawn with metric settings"
	case h.system == 0 && h.hasSystem:
		hint = "; it was drawn with imperial settings"
	}
	return &drawing.Refusal{What: what, Next: "choose the unit: " + likely(width, height) + hint, Asks: "unit"}
}

// likely gives the size that a drawing of so many units has in each unit that a person may choose.
func likely(width, height float64) string {
	var out []string
	for _, u := range Units() {
		text := u.Name + " (too large for any machine)"
		if w, h := float64(width*u.MM), float64(height*u.MM); max(w, h) <= drawing.MaxExtentMM {
			text = fmt.Sprintf("%s (%s mm wide, %s mm high)", u.Name, decimals(w), decimals(h))
		}
		out = append(out, text)
	}
	return strings.Join(out, ", ")
}

// decimals writes a length with at most three decimals.
func decimals(v float64) string {
	return strings.TrimSuffix(strings.TrimRight(strconv.FormatFloat(v, 'f', 3, 64), "0"), ".")
}
