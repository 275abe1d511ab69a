package quantity

import (
	"fmt"
	"math"

	"kerfgate/plan/hazard/optics"
)

// Sources of the beam quantities.
const (
	fromICNIRP = "ICNIRP 2013, Health Physics 105(3):271–295; Directive 2006/25/EC, Annex II"
	fromANSI   = "ANSI Z136.1-2014, Appendix B, with the limit of ICNIRP 2013"
)

func wavelength() Input {
	return Input{Name: "wavelength_nm", Meaning: "400 to 1150 or 9000 to 11000", Kind: Number}
}

func power() Input {
	return Input{Name: "power_w", Meaning: "the most that the source gives, never what a job sets", Kind: Number}
}

func diameter() Input {
	return Input{Name: "diameter_mm", Meaning: "of the beam as it leaves the source", Kind: Number}
}

func exposure(seconds float64, meaning string) Input {
	return Input{Name: "seconds", Meaning: meaning, Kind: Number, Default: seconds}
}

// shape are the inputs that say what the widths and the cross-section mean.
func shape() []Input {
	return []Input{
		{Name: "width_at", Meaning: "where widths and angles are measured; data sheets give 1/e2", Kind: Choice, Choices: []string{"1/e2", "1/e"}, Default: "1/e2"},
		{Name: "profile", Meaning: "an unknown one counts 2.5 times the power", Kind: Choice, Choices: []string{"unknown", "gaussian"}, Default: "unknown"},
	}
}

const accidental = "10 for an accidental look, 0.25 for a blink (400 to 700 nm only), 30000 for a working day"

// beamOf reads what a quantity has of a beam.
func beamOf(v values) optics.Beam {
	b := optics.Beam{WavelengthNM: v.number("wavelength_nm"), MaxPowerW: v.number("power_w")}
	if d, ok := v["diameter_mm"]; ok {
		b.DiameterMM = d.(float64)
	}
	if d, ok := v["divergence_mrad"]; ok {
		b.DivergenceMrad = d.(float64)
	}
	if v["width_at"] == "1/e" {
		b.WidthAt = optics.WidthE
	}
	if v["profile"] == "gaussian" {
		b.Profile = optics.ProfileGaussian
	}
	return b
}

func limitParts(l optics.Limit) map[string]any {
	return map[string]any{"limit_w_per_m2": l.WM2, "aperture_mm": l.ApertureMM, "mechanism": l.Mechanism}
}

// warned adds what an exposure shorter than the choice of eyewear takes for granted.
func warned(v values, f found, err error) (found, error) {
	if v.number("wavelength_nm") > 700 && v.number("seconds") < optics.EyewearS {
		f.notes = append(f.notes, "nobody blinks at a beam outside 400 to 700 nm: an exposure under 10 s needs a reason of its own")
	}
	return f, err
}

// distance is the shape of the three distances.
func distance(v values, d optics.Distance, err error) (found, error) {
	f := found{value: d.Metres, also: limitParts(d.Limit)}
	switch {
	case math.IsInf(d.Metres, 1):
		f.text = "without end"
	case err == nil && d.Metres == 0:
		f.notes = []string{"the limit is nowhere passed for this exposure"}
	}
	return warned(v, f, err)
}

func ofBeams() []Quantity {
	return []Quantity{{
		Name: "exposure_limit", Title: "exposure limit of the eye", Unit: "W/m²", round: Down,
		Inputs:  []Input{wavelength(), exposure(optics.EyewearS, accidental)},
		Formula: "400–700 nm: 18·t^−0.25 below 10 s, then 10; × C_A up to 1050 nm; 90·t^−0.25 below 10 s, then 50 up to 1150 nm; 5600·t^−0.75 below 10 s, then 1000 at 9–11 µm; 400–600 nm from 10 s: at most 100·C_B/t, from 100 s C_B",
		Source:  fromICNIRP, Edition: optics.Edition,
		compute: func(v values) (found, error) {
			l, err := optics.MPE(v.number("wavelength_nm"), v.number("seconds"))
			return warned(v, found{value: l.WM2, also: map[string]any{"radiant_exposure_j_per_m2": l.JM2, "aperture_mm": l.ApertureMM,
				"power_through_aperture_w": l.PowerThrough(), "mechanism": l.Mechanism}}, err)
		},
	}, {
		Name: "required_density", Title: "optical density that eyewear must have", Unit: "OD", round: Up,
		Inputs:  []Input{wavelength(), power(), exposure(optics.EyewearS, accidental)},
		Formula: "log10(P/(π·D²/4)/limit), D = the limiting aperture, however narrow the beam; at least 0",
		Source:  fromICNIRP, Edition: optics.Edition,
		compute: func(v values) (found, error) {
			od, err := optics.RequiredOD(beamOf(v), v.number("seconds"))
			return warned(v, found{value: od.Exact, text: fmt.Sprintf("%.1f", od.Shown), also: limitParts(od.Limit)}, err)
		},
	}, {
		Name: "ocular_distance", Title: "distance within which the open beam passes the limit", Unit: "m", round: Up,
		Inputs: append([]Input{wavelength(), power(), diameter(), {Name: "divergence_mrad", Meaning: "full angle", Kind: Number},
			exposure(optics.EyewearS, accidental)}, shape()...),
		Formula: "(√(4·P/(π·limit)) − a)/φ, exit diameter a and full angle φ at 1/e (1/e² over √2)",
		Source:  fromANSI, Edition: optics.Edition,
		compute: func(v values) (found, error) {
			d, err := optics.NOHD(beamOf(v), v.number("seconds"))
			return distance(v, d, err)
		},
	}, {
		Name: "behind_lens", Title: "distance behind the focusing lens within which the limit is passed", Unit: "m", round: Up,
		Inputs: append([]Input{wavelength(), power(), {Name: "focal_mm", Meaning: "of the lens", Kind: Number},
			{Name: "at_lens_mm", Meaning: "diameter of the beam at the lens", Kind: Number}, exposure(optics.EyewearS, accidental)}, shape()...),
		Formula: "(f/b)·√(4·P/(π·limit)), beam diameter b at the lens at 1/e (1/e² over √2)",
		Source:  fromANSI, Edition: optics.Edition,
		compute: func(v values) (found, error) {
			d, err := optics.BehindLens(beamOf(v), v.number("focal_mm"), v.number("at_lens_mm"), v.number("seconds"))
			return distance(v, d, err)
		},
	}, {
		Name: "diffuse_zone", Title: "distance within which light scattered by matt work passes the limit", Unit: "m", round: Up,
		Inputs: []Input{wavelength(), power(), {Name: "reflectance", Meaning: "above 0 to 1; 1 where unknown", Kind: Number, Default: 1.0},
			{Name: "angle_deg", Meaning: "from the surface's normal, below 90", Kind: Number, Default: 0.0},
			exposure(optics.WorkingDayS, "30000 for watching a working day")},
		Formula: "√(ρ·P·cosθ/(π·limit)), the Lambert rule; shiny work reflects like a mirror: take ocular_distance",
		Source:  fromANSI, Edition: optics.Edition,
		compute: func(v values) (found, error) {
			d, err := optics.DiffuseZone(beamOf(v), v.number("reflectance"), v.number("angle_deg"), v.number("seconds"))
			return distance(v, d, err)
		},
	}, {
		Name: "eyewear_number", Title: "scale number of eyewear for a direct hit, mode D", round: Up,
		Inputs:  []Input{wavelength(), power(), diameter()},
		Formula: "smallest n with P/(π·d²/4) ≤ 10^(n+1) W/m² (above 1400 nm 10^(n+3)), d = the beam's own diameter",
		Source:  "EN 207, as university guidelines summarise it; not compared with the standard's own text",
		Edition: "EN 207; the 2017 edition corrects for beams other than 1 mm: the supplier knows",
		compute: func(v values) (found, error) { return marked(optics.LB(beamOf(v))) },
	}, {
		Name: "alignment_number", Title: "scale number of alignment eyewear, never for running a job", round: Up,
		Inputs:  []Input{{Name: "wavelength_nm", Meaning: "400 to 700", Kind: Number}, power(), diameter()},
		Formula: "smallest n with P/(π·d²/4) ≤ 10^(n+3) W/m², d = the beam's own diameter",
		Source:  "EN 208, as university guidelines summarise it; not compared with the standard's own text",
		Edition: "EN 208",
		compute: func(v values) (found, error) { return marked(optics.RB(beamOf(v))) },
	}, {
		Name: "class_hint", Title: "hint at the hazard class of accessible power; the maker's label wins",
		Inputs:  []Input{wavelength(), {Name: "power_w", Meaning: "that a person can reach", Kind: Number}},
		Formula: "1 up to the limit of 100 s through its aperture; 2 up to 1 mW (400–700 nm); 3R up to 5 mW visible, else 5 × class 1; 3B up to 0.5 W; 4 above",
		Source:  "IEC 60825-1 class tables, in transcription", Edition: "IEC 60825-1:2014",
		compute: func(v values) (found, error) {
			nm := v.number("wavelength_nm")
			class, err := optics.ClassHint(nm, v.number("power_w"))
			if err != nil {
				return found{}, err
			}
			one, err := optics.Class1LimitW(nm)
			return found{value: notANumber, text: string(class), also: map[string]any{"class_1_limit_w": one}}, err
		},
	}}
}

func marked(m optics.Mark, err error) (found, error) {
	return found{value: float64(m.N), text: m.String(), also: map[string]any{"power_density_w_per_m2": m.WM2}}, err
}
