package svg

// font is what the units em and rem refer to.
type font struct {
	size    float64 // user units
	unknown bool    // it is set in a way that is not read
}

// absoluteSizes are the keywords of CSS Fonts 4 §2.5 in px for a medium of 16, as browsers have them.
var absoluteSizes = map[string]float64{
	"xx-small": 9, "x-small": 10, "small": 13, "medium": 16, "large": 18, "x-large": 24, "xx-large": 32, "xxx-large": 48,
}

// inherit is the font with an element's own declarations.
func (f font) inherit(r *reader, own *declared) font {
	if v, ok := own.sheet["font"]; ok && v != "inherit" {
		f.unknown = true // the shorthand, whose size would have to be told from its other parts
	}
	v, ok := own.lookup("font-size")
	if !ok || v == "" || v == "inherit" || v == "unset" {
		return f
	}
	if v == "initial" {
		return font{size: absoluteSizes["medium"]}
	}
	if size, ok := absoluteSizes[v]; ok {
		return font{size: size}
	}
	size, unit, err := splitUnit(v)
	if err == nil && unit == "%" {
		return font{size: size / 100 * f.size, unknown: f.unknown}
	}
	size, err = r.readLength(v, baseNone, f)
	if err != nil || size < 0 {
		return font{size: f.size, unknown: true}
	}
	return font{size: size}
}
