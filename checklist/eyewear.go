package checklist

import (
	"fmt"
	"math"
	"strings"

	"kerfgate/plan/hazard"
	"kerfgate/plan/hazard/optics"
	"kerfgate/plan/machine"
)

// eyewear is what a pair must carry for one tool at one machine. The density is computed from the
// profile's source at full power, and what the person in charge of laser safety entered counts where
// it is greater. A lid whose interlock takes the beam away comes before eyewear, so a direct hit is
// judged for open beams only, and only where the profile has the beam's diameter.
type eyewear struct {
	beam      optics.Beam
	enclosed  bool
	entered   int64     // tenths of OD; 0 where nobody entered one
	computed  optics.OD // where whyNot is nil
	whyNot    error     // why no density is computed
	needs207  string    // the scale number for a direct hit, such as "LB5", or that none reaches
	directHit bool      // the profile is enough to judge one
}

func eyewearOf(f Facts) eyewear {
	e := eyewear{beam: hazard.BeamOf(f.Tool), entered: f.Tool.EyewearODTenths}
	e.enclosed = f.Profile.Enclosure.Kind == machine.EnclosureLidded && f.Profile.Enclosure.Interlock
	if e.computed, e.whyNot = optics.Density(e.beam); e.whyNot != nil || e.beam.DiameterMM == 0 {
		return e
	}
	e.directHit = true
	if mark, err := optics.LB(e.beam); err != nil {
		e.needs207 = err.Error()
	} else {
		e.needs207 = mark.String() + " with mode letter D"
	}
	return e
}

// asksLB says whether the pair must stand a direct hit, and so whether its condition is asked for.
func (e eyewear) asksLB() bool { return e.directHit && !e.enclosed }

func (e eyewear) computedTenths() int64 {
	if e.whyNot != nil {
		return 0
	}
	return int64(math.Round(e.computed.Shown * 10))
}

// tenths is the density that the pair must carry.
func (e eyewear) tenths() int64 { return max(e.entered, e.computedTenths()) }

// needs says it with unit and origin.
func (e eyewear) needs() string {
	var from []string
	if e.whyNot == nil {
		// How long the look lasts that decides: an accidental one, or a working day's.
		l := e.computed.Limit
		from = append(from, fmt.Sprintf("%g s; %s", math.Round(l.JM2/l.WM2), optics.Edition))
		if c := e.computedTenths(); c != e.tenths() {
			from = append(from, fmt.Sprintf("asks for OD %s", tenths(c)))
		}
	} else {
		from = append(from, "none computed: "+e.whyNot.Error())
	}
	if e.entered > e.computedTenths() {
		from = append(from, fmt.Sprintf("OD %s as the person in charge of laser safety entered it", tenths(e.entered)))
	}
	text := fmt.Sprintf("OD ≥ %s at %g nm (%g W, %s)", tenths(e.tenths()), e.beam.WavelengthNM, e.beam.MaxPowerW, strings.Join(from, "; "))
	switch {
	case e.asksLB():
		text += "; for a direct hit " + e.needs207
	case !e.enclosed:
		text += "; whether the pair stands a direct hit cannot be said from this profile: the person in charge of laser safety decides"
	}
	return text
}

// problem judges what was read off the pair.
func (e eyewear) problem(v Values) (what, next string) {
	m, err := ParseMarking(v["marking"])
	if err != nil {
		return err.Error(), "type the marking as it is printed on the frame or filter"
	}
	if e.whyNot != nil && e.entered == 0 {
		return fmt.Sprintf("no optical density can be computed for this beam (%v), and nobody has entered one", e.whyNot),
			"ask the person in charge of laser safety to enter it in the machine's profile"
	}
	verdict, why := e.hit(m, v["condition"])
	if verdict == optics.Fits {
		return "", ""
	}
	if !e.asksLB() {
		// Without a judged scale number it is no more than another density, and the lower one counts.
		if m.Covers(int64(e.beam.WavelengthNM), e.tenths()) {
			return "", ""
		}
		return fmt.Sprintf("this pair is marked for %d to %d nm, OD %s; the beam asks for OD %s at %g nm",
			m.FromNM, m.ToNM, tenths(m.ODTenths), tenths(e.tenths()), e.beam.WavelengthNM), "fetch the pair that fits this beam"
	}
	if verdict == optics.CannotSay {
		return "whether this pair fits cannot be said: " + strings.Join(why, "; "),
			"fetch a pair whose marking says it, or ask the person in charge of laser safety; no run starts with this open"
	}
	return "this pair does not fit: " + strings.Join(why, "; "), "fetch the pair that fits this beam"
}

// hit judges the whole marking, the direct hit included.
func (e eyewear) hit(m Marking, condition string) (optics.Verdict, []string) {
	if !e.directHit {
		return optics.CannotSay, nil
	}
	verdict, why, err := optics.CheckEyewear(m.pair(condition == ConditionDamaged), e.beam)
	if err != nil {
		return optics.CannotSay, []string{err.Error()}
	}
	marked := m.PrintedOD
	if marked == 0 {
		marked = int64(m.LB) * 10
	}
	if marked < e.entered {
		return optics.DoesNotFit, append(why, fmt.Sprintf("OD %s is marked, the person in charge of laser safety entered OD %s", tenths(marked), tenths(e.entered)))
	}
	return verdict, why
}
