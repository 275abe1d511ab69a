package checklist_test

import (
	"strings"
	"testing"

	"pgregory.net/rapid"

	"kerfgate/checklist"
	"kerfgate/plan/hazard/optics"
	"kerfgate/plan/machine"
)

// openBeam is the 5 W diode with nothing around it: OD 5.2 and LB5 at 4 mm (own example, recomputed in
// plan/hazard/optics).
func openBeam() checklist.Facts {
	f := facts()
	f.Profile.Enclosure = machine.Enclosure{Kind: machine.EnclosureOpen}
	f.Tool.BeamUM, f.Tool.EyewearODTenths = 4000, 0
	return f
}

// lidded is the same beam behind a lid with an interlock.
func lidded() checklist.Facts {
	f := openBeam()
	f.Profile.Enclosure = machine.Enclosure{Kind: machine.EnclosureLidded, VolumeL: 60, Interlock: true}
	return f
}

func with(f checklist.Facts, change func(*checklist.Facts)) checklist.Facts {
	change(&f)
	return f
}

// What a pair must carry is computed from the tool; an open beam asks for a pair that stands a direct
// hit, a lid with an interlock for the density alone, and a greater entered density counts too.
func TestEyewearComputed(t *testing.T) {
	t.Parallel()
	pair := func(marking, condition string) checklist.Values {
		v := checklist.Values{"marking": marking, "on": "yes"}
		if condition != "" {
			v["condition"] = condition
		}
		return v
	}
	whole := checklist.ConditionWhole
	entered := func(f *checklist.Facts) { f.Tool.EyewearODTenths = 60 }
	noDiameter := func(f *checklist.Facts) { f.Tool.BeamUM = 0 }
	noLock := func(f *checklist.Facts) { f.Profile.Enclosure.Interlock = false }
	ultraviolet := func(f *checklist.Facts) { f.Tool.WavelengthNM = 355 }
	for name, c := range map[string]struct {
		facts checklist.Facts
		given checklist.Values
		up    bool
		says  string
	}{
		"open, fits":                      {openBeam(), pair("190-460 OD 6 D LB5", whole), true, ""},
		"open, LB6 stands for OD 6":       {openBeam(), pair("190-460 D LB6", whole), true, ""},
		"open, density without LB":        {openBeam(), pair("190-460 OD 7", whole), false, "cannot be said: no LB number"},
		"open, no mode letter":            {openBeam(), pair("190-460 OD 7 LB6", whole), false, "no mode letter"},
		"open, pulsed only":               {openBeam(), pair("190-460 OD 7 IR LB6", whole), false, "mode IR"},
		"open, LB too low and OD too low": {openBeam(), pair("190-460 OD 5.1 D LB4", whole), false, "OD 5.1 is marked, OD 5.2 is needed (ICNIRP 2013 (IEC 60825-1:2014 Annex A), photochemical limit); LB4 is marked, LB5 is needed"},
		"open, blue needs the density":    {openBeam(), pair("190-460 D LB5", whole), false, "LB5 alone stands for OD 5"},
		"open, damaged":                   {openBeam(), pair("190-460 OD 6 D LB5", checklist.ConditionDamaged), false, "scratched"},
		"open, another beam":              {openBeam(), pair("10600 D LB6", whole), false, "no marked range holds 445 nm"},
		"open, more was entered":          {with(openBeam(), entered), pair("190-460 OD 5.5 D LB5", whole), false, "entered OD 6"},
		"open, more was entered and fits": {with(openBeam(), entered), pair("190-460 OD 6 D LB5", whole), true, ""},
		"open, beyond any marking":        {with(openBeam(), func(f *checklist.Facts) { f.Tool.PowerMW = 60_000 }), pair("190-460 OD 9 D LB9", whole), false, "ask the person in charge"},
		"lid without interlock":           {with(lidded(), noLock), pair("190-460 OD 7", whole), false, "no LB number"},
		"no diameter, density alone":      {with(openBeam(), noDiameter), pair("190-460 OD 5.2", ""), true, ""},
		"no diameter, too weak":           {with(openBeam(), noDiameter), pair("190-460 OD 5.1", ""), false, "asks for OD 5.2"},
		"lidded, today's keys":            {lidded(), pair("190-460 OD 6", ""), true, ""},
		"lidded, too weak":                {lidded(), pair("190-460 OD 5", ""), false, "asks for OD 5.2"},
		"lidded, what fits an open beam":  {lidded(), pair("190-460 OD 6 D LB5", ""), true, ""},
		"lidded, more was entered":        {with(lidded(), entered), pair("190-460 OD 5.5", ""), false, "asks for OD 6"},
		"not computed, not entered":       {with(openBeam(), ultraviolet), pair("190-460 OD 7", ""), false, "nobody has entered one"},
		"not computed, entered":           {with(with(openBeam(), ultraviolet), entered), pair("190-460 OD 6", ""), true, ""},
		"not computed, entered, weak":     {with(with(openBeam(), ultraviolet), entered), pair("190-460 OD 5", ""), false, "asks for OD 6"},
	} {
		bar := checklist.Judge(item(t, checklist.ItemEyewear), c.given, nil, c.facts)
		if !bar.Answered || bar.Up != c.up || !strings.Contains(bar.Problem, c.says) || (bar.Problem == "") != c.up || (bar.Next == "") != c.up {
			t.Errorf("%s: answered %v, up %v, %q, next %q; needs %q", name, bar.Answered, bar.Up, bar.Problem, bar.Next, bar.Needs)
		}
		for _, text := range []string{bar.Needs, bar.Problem, bar.Next} {
			if strings.Contains(text+" ", "safe ") || strings.Contains(text, "certif") {
				t.Errorf("%s says %q", name, text)
			}
		}
	}
}

// The bar says what is needed with its origin, and says so where the profile is not enough.
func TestEyewearNeeds(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		facts checklist.Facts
		says  []string
		asks  bool // for the condition of the pair
	}{
		"open":        {openBeam(), []string{"OD ≥ 5.2 at 445 nm (5 W, 30000 s; " + optics.Edition + ")", "for a direct hit LB5 with mode letter D"}, true},
		"entered":     {with(facts(), func(f *checklist.Facts) { f.Tool.EyewearODTenths = 60 }), []string{"OD ≥ 6 at 445 nm", "asks for OD 5.2; OD 6 as the person in charge of laser safety entered it"}, false},
		"no diameter": {with(openBeam(), func(f *checklist.Facts) { f.Tool.BeamUM = 0 }), []string{"direct hit cannot be said from this profile: the person in charge of laser safety decides"}, false},
		"lidded":      {lidded(), []string{"OD ≥ 5.2 at 445 nm"}, false},
		"not computed": {with(openBeam(), func(f *checklist.Facts) { f.Tool.WavelengthNM, f.Tool.EyewearODTenths = 355, 70 }),
			[]string{"OD ≥ 7 at 355 nm", "none computed: the wavelength lies outside"}, false},
	} {
		bar := checklist.Judge(item(t, checklist.ItemEyewear), nil, nil, c.facts)
		for _, says := range c.says {
			if !strings.Contains(bar.Needs, says) {
				t.Errorf("%s needs %q, lacks %q", name, bar.Needs, says)
			}
		}
		if got := len(bar.Item.Fields) == 3; got != c.asks {
			t.Errorf("%s asks for %d values", name, len(bar.Item.Fields))
		}
	}
	if bar := checklist.Judge(item(t, checklist.ItemEyewear), nil, nil, lidded()); strings.Contains(bar.Needs, "direct hit") {
		t.Errorf("a lid with an interlock asks for %q", bar.Needs)
	}
}

// Whatever the beam, a pair that lifts the bar of an open beam also lifts that of the same beam behind
// an interlock, and no pair with less density than was entered lifts either.
func TestEyewearNeverLaxer(t *testing.T) {
	t.Parallel()
	eyewear := item(t, checklist.ItemEyewear)
	rapid.Check(t, func(t *rapid.T) {
		f := openBeam()
		f.Tool.WavelengthNM = rapid.Int64Range(395, 1200).Draw(t, "nm")
		f.Tool.PowerMW = rapid.Int64Range(1, 60_000).Draw(t, "mW")
		f.Tool.BeamUM = rapid.Int64Range(0, 8000).Draw(t, "µm")
		f.Tool.EyewearODTenths = rapid.Int64Range(0, 80).Draw(t, "entered")
		od := rapid.Int64Range(10, 90).Draw(t, "od")
		lb := rapid.SampledFrom([]string{"", " D LB3", " D LB5", " D LB6", " LB7", " IR LB6", " D LB9"}).Draw(t, "lb")
		given := checklist.Values{"marking": "390-1200 OD " + tenthsText(od) + lb, "on": "yes", "condition": checklist.ConditionWhole}
		open := checklist.Judge(eyewear, given, nil, f)
		f.Profile.Enclosure = lidded().Profile.Enclosure
		closed := checklist.Judge(eyewear, given, nil, f)
		if open.Up && !closed.Up {
			t.Fatalf("%v lifts the bar of the open beam (%s) and not of the lidded one: %s", given, open.Needs, closed.Problem)
		}
		if (open.Up || closed.Up) && od < f.Tool.EyewearODTenths {
			t.Fatalf("%v lifts a bar that asks for %s", given, open.Needs)
		}
	})
}

func tenthsText(v int64) string { return string(rune('0'+v/10)) + "." + string(rune('0'+v%10)) }

// A gauge reading under 60 % of the commissioned one (own figure) asks for a lockout; from there to 80 %
// the bar only stays down.
func TestLockOutHint(t *testing.T) {
	t.Parallel()
	for reading, want := range map[string]checklist.Hint{
		"0": checklist.HintLockOut, "71": checklist.HintLockOut, "71.99": checklist.HintLockOut,
		"72": "", "95": "", "96": "", "120": "", "-1": "", "much": "", "NaN": "", "": "",
	} {
		typed := checklist.Judge(item(t, checklist.ItemVentilation), checklist.Values{"reading": reading}, nil, facts())
		if want != "" && (typed.Hint != "" || typed.Answered || !strings.Contains(typed.Problem, "is this what the gauge shows?")) {
			t.Errorf("%s Pa was not asked about before it locks out: %+v", reading, typed)
		}
		if slip := checklist.Judge(item(t, checklist.ItemVentilation), checklist.Values{"reading": reading, "shown": "no"}, nil, facts()); slip.Hint != "" || want != "" && slip.Up {
			t.Errorf("%s Pa that the gauge does not show: hint %q, up %v", reading, slip.Hint, slip.Up)
		}
		bar := checklist.Judge(item(t, checklist.ItemVentilation), checklist.Values{"reading": reading, "shown": "yes"}, nil, facts())
		if bar.Hint != want || bar.Up != (reading == "96" || reading == "120") {
			t.Errorf("%s Pa: hint %q, up %v", reading, bar.Hint, bar.Up)
		}
	}
	unmeasured := facts()
	unmeasured.Profile.Air.CommissionedPa = 0
	if bar := checklist.Judge(item(t, checklist.ItemVentilation), checklist.Values{"reading": "0"}, nil, unmeasured); bar.Hint != "" {
		t.Error("a machine that was never commissioned asks for a lockout")
	}
}
