package optics

import (
	"errors"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// The two machines of the trade, own arithmetic: a 5 W diode at 445 nm (beam 4 mm, lens 40 mm) and a
// 40 W tube at 10.6 µm (6 mm, 50.8 mm).
func TestTwoMachines(t *testing.T) {
	t.Parallel()
	diode := vis(445, 5, 4, 1, WidthE)
	tube := vis(10_600, 40, 6, 1, WidthE)
	near := func(what string, got, want, off float64) {
		t.Helper()
		if math.Abs(got-want) > off {
			t.Errorf("%s: %v, want %v", what, got, want)
		}
	}
	od := func(b Beam, s float64) float64 {
		v, err := RequiredOD(b, s)
		if err != nil {
			t.Fatal(err)
		}
		return v.Exact
	}
	metres := func(d Distance, err error) float64 {
		if err != nil {
			t.Fatal(err)
		}
		return d.Metres
	}
	near("diode OD", od(diode, 10), 4.11, 0.005)
	near("diode OD, a day", od(diode, 30_000), 5.11, 0.005)
	near("diode behind the lens", metres(BehindLens(diode, 40, 4, 10)), 8.0, 0.05)
	near("diode diffuse", metres(DiffuseZone(diode, 1, 0, 10)), 0.40, 0.005)
	near("diode diffuse, a day", metres(DiffuseZone(diode, 1, 0, 30_000)), 1.26, 0.005)
	near("tube OD", od(tube, 10), 3.62, 0.005)
	near("tube behind the lens", metres(BehindLens(tube, 50.8, 6, 10)), 1.9, 0.05)
	near("tube diffuse", metres(DiffuseZone(tube, 1, 0, 10)), 0.11, 0.005)
	for b, want := range map[*Beam]string{&diode: "LB5", &tube: "LB4"} {
		if m, err := LB(*b); err != nil || m.String() != want {
			t.Errorf("%g nm: %s, want %s; %v", b.WavelengthNM, m, want, err)
		}
	}
}

func TestCheckEyewear(t *testing.T) {
	t.Parallel()
	blue := vis(445, 5, 4, 1, WidthE) // needs OD 5.2 for a day of watching, LB5
	tube := vis(10_600, 40, 6, 1, WidthE)
	line := func(from, to, od float64, modes string, lb int) []Line {
		return []Line{{FromNM: from, ToNM: to, OD: od, Modes: modes, LB: lb}}
	}
	for name, c := range map[string]struct {
		pair Eyewear
		beam Beam
		want Verdict
		says string
	}{
		"fits":                    {Eyewear{Lines: line(400, 460, 6, "D", 5)}, blue, Fits, ""},
		"several modes":           {Eyewear{Lines: line(180, 460, 7, "DIR", 6)}, blue, Fits, ""},
		"second range":            {Eyewear{Lines: append(line(180, 315, 7, "D", 7), line(400, 460, 6, "D", 5)...)}, blue, Fits, ""},
		"tube":                    {Eyewear{Lines: line(9000, 11_000, 5, "DI", 4)}, tube, Fits, ""},
		"blue needs the density":  {Eyewear{Lines: line(400, 460, 0, "D", 5)}, blue, DoesNotFit, "LB5 alone stands for OD 5"},
		"density too low":         {Eyewear{Lines: line(400, 460, 4.5, "D", 6)}, blue, DoesNotFit, "OD 4.5 is marked, OD 5.2 is needed"},
		"another wavelength":      {Eyewear{Lines: line(800, 1100, 7, "D", 7)}, blue, DoesNotFit, "no marked range holds 445 nm"},
		"just beside":             {Eyewear{Lines: line(446, 460, 7, "D", 7)}, blue, DoesNotFit, "no marked range"},
		"pulsed only":             {Eyewear{Lines: line(400, 460, 7, "IR", 7)}, blue, DoesNotFit, "mode IR"},
		"no mode":                 {Eyewear{Lines: line(400, 460, 7, "", 7)}, blue, CannotSay, "no mode letter"},
		"density alone":           {Eyewear{Lines: line(400, 460, 7, "", 0)}, blue, CannotSay, "no LB number"},
		"weak and density alone":  {Eyewear{Lines: line(400, 460, 3, "", 0)}, blue, DoesNotFit, "OD 3 is marked"},
		"scale number too low":    {Eyewear{Lines: line(9000, 11_000, 5, "D", 3)}, tube, DoesNotFit, "LB3 is marked"},
		"for aligning":            {Eyewear{Lines: []Line{{FromNM: 400, ToNM: 460, RB: 5}}}, blue, DoesNotFit, "for aligning only"},
		"scratched":               {Eyewear{Lines: line(400, 460, 6, "D", 5), Scratched: true}, blue, DoesNotFit, "scratched"},
		"illegible":               {Eyewear{Lines: line(400, 460, 6, "D", 5), Illegible: true}, blue, CannotSay, "cannot be read"},
		"nothing marked":          {Eyewear{}, blue, CannotSay, "missing"},
		"beyond any marking":      {Eyewear{Lines: line(400, 460, 9, "D", 9)}, vis(445, 60, 4, 1, WidthE), CannotSay, "ask the person in charge"},
		"a mark that is not made": {Eyewear{Lines: line(400, 460, 9, "D", 10)}, vis(445, 900, 0.01, 1, WidthE), CannotSay, "no scale number"},
	} {
		got, why, err := CheckEyewear(c.pair, c.beam)
		if err != nil || got != c.want || !strings.Contains(strings.Join(why, "; "), c.says) || (c.want == Fits) != (len(why) == 0) {
			t.Errorf("%s: %s, %q; want %s, %q; %v", name, got, why, c.want, c.says, err)
		}
		for _, text := range why {
			if strings.Contains(text, "safe ") || strings.Contains(text, "certified") {
				t.Errorf("%s says %q", name, text)
			}
		}
	}
}

// More power never needs less density or a smaller number, a longer look never has a higher limit, and
// a limit of a longer exposure is never passed by the one of a shorter.
func TestMonotonic(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		nm := rapid.OneOf(rapid.Float64Range(400, 1150), rapid.Float64Range(9000, 11_000)).Draw(t, "nm")
		s1 := rapid.Float64Range(0.25, 30_000).Draw(t, "s1")
		s2 := rapid.Float64Range(s1, 30_000).Draw(t, "s2")
		w1 := rapid.Float64Range(1e-5, 900).Draw(t, "w1")
		w2 := rapid.Float64Range(w1, 900).Draw(t, "w2")
		l1, err1 := MPE(nm, s1)
		l2, err2 := MPE(nm, s2)
		if err1 != nil || err2 != nil {
			t.Fatal(err1, err2)
		}
		if l2.WM2 > l1.WM2 {
			t.Fatalf("%g s has the limit %g, %g s has %g", s1, l1.WM2, s2, l2.WM2)
		}
		b1, b2 := vis(nm, w1, 3, 1, WidthE), vis(nm, w2, 3, 1, WidthE)
		o1, err1 := RequiredOD(b1, s1)
		o2, err2 := RequiredOD(b2, s1)
		if err1 != nil || err2 != nil || o2.Exact < o1.Exact || o1.Shown < o1.Exact-1e-9 || o1.Shown > o1.Exact+0.1 {
			t.Fatalf("%g W needs %+v, %g W needs %+v; %v %v", w1, o1, w2, o2, err1, err2)
		}
		d1, err1 := NOHD(b1, s1)
		d2, err2 := NOHD(b2, s1)
		if err1 != nil || err2 != nil || d2.Metres < d1.Metres {
			t.Fatalf("%g W reaches %g m, %g W %g m; %v %v", w1, d1.Metres, w2, d2.Metres, err1, err2)
		}
		m1, err1 := LB(b1)
		m2, err2 := LB(b2)
		if err2 == nil && (err1 != nil || m2.N < m1.N) {
			t.Fatalf("%g W: %s, %g W: %s; %v", w1, m1, w2, m2, err1)
		}
	})
}

// A diameter so small that its area is no number any more must not come out as the lowest mark.
func TestMarkOfNoArea(t *testing.T) {
	t.Parallel()
	for _, mm := range []float64{1e-3, 1e-100, 1e-152, 5e-324} {
		for name, f := range map[string]func(Beam) (Mark, error){"LB": LB, "RB": RB} {
			if m, err := f(vis(532, 100, mm, 1, WidthE)); !errors.Is(err, ErrMarkRange) {
				t.Errorf("%s of %g mm: %v, %v", name, mm, m, err)
			}
		}
	}
}
