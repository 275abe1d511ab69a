package optics

import (
	"errors"
	"math"
	"testing"

	"kerfgate/plan/hazard/rowtest"
)

// vis is a narrow visible beam for rows that name a power alone.
func vis(nm, watts, mm, mrad float64, at Width) Beam {
	return Beam{WavelengthNM: nm, MaxPowerW: watts, DiameterMM: mm, DivergenceMrad: mrad, WidthAt: at, Profile: ProfileGaussian}
}

const mWcm2 = 10 // W/m²

// TestRows: every published row about beams that was gathered, to the digits printed, with its source; and
// none of those that do not reproduce.
func TestRows(t *testing.T) {
	t.Parallel()
	in := func(unit float64, f func() (float64, error)) func() (any, error) {
		return func() (any, error) { v, err := f(); return v / unit, err }
	}
	number := func(v float64) func() (any, error) { return func() (any, error) { return v, nil } }
	mpe := func(nm, s, unit float64) func() (any, error) {
		return in(unit, func() (float64, error) { l, err := MPE(nm, s); return l.WM2, err })
	}
	dose := func(nm, s, unit float64) func() (any, error) {
		return in(unit, func() (float64, error) { l, err := MPE(nm, s); return l.JM2, err })
	}
	through := func(nm, s float64) func() (any, error) {
		return in(1e-3, func() (float64, error) { l, err := MPE(nm, s); return l.PowerThrough(), err })
	}
	nohd := func(nm, watts, mm, mrad float64, at Width, s float64) func() (any, error) {
		return in(1, func() (float64, error) { d, err := NOHD(vis(nm, watts, mm, mrad, at), s); return d.Metres, err })
	}
	diffuse := func(watts, s, unit float64) func() (any, error) {
		return in(unit, func() (float64, error) {
			d, err := DiffuseZone(vis(445, watts, 3, 1, WidthE), 1, 0, s)
			return d.Metres, err
		})
	}
	marked := func(f func(Beam) (Mark, error), nm, watts, mm float64) func() (any, error) {
		return func() (any, error) { m, err := f(vis(nm, watts, mm, 1, WidthE)); return m.String(), err }
	}
	dense := func(f func(Beam) (Mark, error), nm, watts, mm float64) func() (any, error) {
		return func() (any, error) { m, err := f(vis(nm, watts, mm, 1, WidthE)); return m.WM2, err }
	}
	class1 := func(nm, unit float64) func() (any, error) {
		return in(unit, func() (float64, error) { return Class1LimitW(nm) })
	}
	class := func(mW float64) func() (any, error) {
		return func() (any, error) { c, err := ClassHint(532, mW/1000); return string(c), err }
	}
	far1550 := thermal(1550, 10, false) // W/m²; MPE refuses the wavelength
	od := func(nm, watts, s float64) func() (any, error) {
		return in(1, func() (float64, error) {
			o, err := RequiredOD(vis(nm, watts, 3, 1, WidthE), s)
			return o.Exact, err
		})
	}
	const narrow = 1e-6 // mm: rows that leave the exit diameter out
	// C_E of a source of α mrad, α_max = 200·√t mrad up to 0.25 s (ICNIRP 2013).
	extended := func(alpha, s float64) float64 { return min(alpha, 200*math.Sqrt(min(s, 0.25))) / 1.5 }

	rowtest.Hold(t, "optics", rowtest.Read(t, "testdata/rows.tsv"), map[string]func() (any, error){
		"M01": mpe(532, 0.25, mWcm2), "M02": mpe(532, 1, mWcm2), "M05": dose(488, 0.25, 10), "M06": mpe(488, 0.25, mWcm2), "M09": mpe(633, 10, mWcm2),
		"M10": mpe(532, 0.25, 1), "M11": mpe(532, 600, mWcm2),
		"M04": in(mWcm2, func() (float64, error) { // the law that holds just before the 10 s at which the rounded value takes over
			l, err := MPE(532, math.Nextafter(10, 0))
			return l.WM2, err
		}),
		"B02": mpe(470, 30, mWcm2), "B04": mpe(440, 20, mWcm2), "B05": number(T1(470)),
		"B07": func() (any, error) { l, err := MPE(480, 80); return l.JM2 / 5, err },
		"N01": mpe(980, 0.25, 1), "N03": mpe(980, 10, 1), "N03 day": mpe(980, 30_000, 1), "N04": mpe(1064, 0.25, 1), "N06": mpe(1064, 10, 1), "N06 day": mpe(1064, 30_000, mWcm2),
		"N09": number(CA(905)), "F01": number(far1550), "F03": mpe(10_600, 10, 1), "F04": dose(10_600, 1, 1e4),

		"P01": through(980, 0.25), "P02": through(1064, 10), "P03": through(1064, 0.25), "P05": number(far1550 * area(3.5e-3) * 1000),

		"X01": number(thermalJoinS * math.Pow(10, (10-1.5)/98.5)),
		"X04": in(1/extended(10, 1), func() (float64, error) { l, err := MPE(550, 1); return l.JM2, err }),
		"X05": in(1/extended(204, 0.25), func() (float64, error) { l, err := MPE(532, 0.25); return l.WM2, err }),

		"I01": number(10 / area(1e-2) * 1e-4), "I03": number(1 / area(7e-3)),
		"D01": number(density(3.8, 2.55e-3)), "D03": od(532, 0.5, 0.25), "D05": number(density(300e-3, 30e-6)), "D06": number(density(1e-2, 1e-7)),

		"L01": marked(LB, 1064, 10, 4), "L01 density": dense(LB, 1064, 10, 4), "L05": marked(LB, 532, 1, 7),
		"L03": func() (any, error) { m, err := mark("LB", 0.02/area(3e-3), 3, 10); return m.String(), err },
		"L07": marked(RB, 532, 5, 2), "L07 density": dense(RB, 532, 5, 2),

		"H01": nohd(532, 1, narrow, 1, WidthE, 0.25), "H02": nohd(532, 5, narrow, 1, WidthE, 0.25), "H04": nohd(532, 0.1, 2, 1, WidthE, 0.25),
		"H07": nohd(532, 0.005, 1, 1, WidthE, 0.25), "H08": nohd(532, 1, 1, 1, WidthE2, 0.25), "H10": nohd(1064, 1, 2, 1, WidthE, 10),
		"H11": nohd(1064, 1, narrow, 1, WidthE, 0.25), "H14": nohd(808, 0.5, 1, math.Sqrt(10*30), WidthE2, 0.25),
		"Z01": diffuse(1, 60, 0.01), "Z03": diffuse(10, 10, 1), "Z04": number(lambert(11, 21) * 100), "Z07": number(math.Pow(lambert(1, 1), 2)), // 1 W/m² at that distance, by its square at 1 m

		"C01": class1(633, 1e-4), "C02": class1(405, 1e-6), "C04": class1(1064, 1e-3), "C07": number(far1550 * area(3.5e-3)),
		"C09": through(532, 0.25), "C10 visible": number(class3RVisible * 1000), "C10 1064": class1(1064, 1e-3/5), "C10 1550": number(5 * far1550 * area(3.5e-3) * 1000),
		"C12": number(class3BW), "C14 0.3 mW": class(0.3), "C14 0.9 mW": class(0.9), "C14 5 mW": class(5), "C14 600 mW": class(600),

		"R01": mpe(514, 0.25, 1), "R02": od(514, 11, 0.25), "R02 own limit": number(density(11/area(7e-3), 21)),
		"R03 1 W": nohd(532, 1, narrow, 1, WidthE, 0.25), "R03 5 W": nohd(532, 5, narrow, 1, WidthE, 0.25), "R03 20 W": nohd(532, 20, narrow, 1, WidthE, 0.25),
		"R04": nohd(532, 0.001, narrow, 1.5, WidthE, 0.25), "R05": nohd(532, 0.05, narrow, 1, WidthE, 0.25),
		"R06": func() (any, error) {
			d, err := DiffuseZone(vis(532, 1, 1, 1, WidthE), 1, 0, 10)
			return d.Metres, err
		},
		"R07": mpe(1070, 0.25, 1), "R07 distance": nohd(1070, 1, narrow, 1, WidthE, 0.25), "R08": mpe(532, 10, 1), "R08 incidental": mpe(532, 0.25, mWcm2),
		"R09": mpe(532, 0.25, 1), "R10": nohd(532, 0.1, 2, 1, WidthE, 0.25),
		"R11": func() (any, error) {
			b := vis(1064, 10, 4, 1, WidthE)
			b.Pulsed = true
			if m, err := LB(b); !errors.Is(err, ErrPulsed) {
				return m.String(), err
			}
			return "refused", nil
		},
	})
}

// The own grid of the limits, W/m², and the power through the aperture in mW.
func TestLimitGrid(t *testing.T) {
	t.Parallel()
	at := []float64{0.25, 10, 100, 600, 30_000}
	for _, g := range []struct {
		nm     []float64
		wm2    [5]float64
		mW     [3]float64 // at 0.25, 10 and 100 s
		places float64    // of the last printed digit of the first value
	}{
		{[]float64{405, 445, 450}, [5]float64{25.46, 10, 1, 1, 1}, [3]float64{0.980, 0.385, 0.0385}, 0.005},
		{[]float64{455}, [5]float64{25.46, 10, 1.259, 1.259, 1.259}, [3]float64{0.980, 0.385, 0.0485}, 0.005},
		{[]float64{520, 532, 635, 650}, [5]float64{25.46, 10, 10, 10, 10}, [3]float64{0.980, 0.385, 0.385}, 0.005},
		{[]float64{808}, [5]float64{41.86, 16.44, 16.44, 16.44, 16.44}, [3]float64{1.611, 0.633, 0.633}, 0.005},
		{[]float64{980}, [5]float64{92.42, 36.31, 36.31, 36.31, 36.31}, [3]float64{3.557, 1.397, 1.397}, 0.0051},
		{[]float64{1064}, [5]float64{127.3, 50, 50, 50, 50}, [3]float64{4.898, 1.924, 1.924}, 0.05},
		{[]float64{10_600}, [5]float64{15_839, 1000, 1000, 1000, 1000}, [3]float64{12.44, 9.621, 9.621}, 0.5},
	} {
		for _, nm := range g.nm {
			for i, s := range at {
				l, err := MPE(nm, s)
				if err != nil || math.Abs(l.WM2-g.wm2[i]) > g.places {
					t.Errorf("%g nm, %g s: %v W/m², want %v; %v", nm, s, l.WM2, g.wm2[i], err)
				}
				if i < len(g.mW) && math.Abs(l.PowerThrough()*1000-g.mW[i]) > g.mW[i]*0.0014 {
					t.Errorf("%g nm, %g s: %v mW through the aperture, want %v", nm, s, l.PowerThrough()*1000, g.mW[i])
				}
			}
		}
	}
}

// Class hints at the edges of 3R and 3B (IEC 60825-1 tables).
func TestClassHint(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		nm, watts float64
		want      Class
	}{
		{532, 0.5, Class3B},
		{1064, 1.9e-3, Class1}, {1064, 9.6e-3, Class3R}, {1064, 11e-3, Class3B}, {10_600, 40, Class4}, {405, 39e-6, Class2},
	} {
		if got, err := ClassHint(c.nm, c.watts); err != nil || got != c.want {
			t.Errorf("%g nm, %g W: class %s, want %s; %v", c.nm, c.watts, got, c.want, err)
		}
	}
}

// What no formula here covers is refused without a number, unit slips among it.
func TestRefused(t *testing.T) {
	t.Parallel()
	good := vis(445, 5, 4, 2, WidthE)
	for name, c := range map[string]struct {
		change func(*Beam)
		want   error
	}{
		"pulsed":              {func(b *Beam) { b.Pulsed = true }, ErrPulsed},
		"ultraviolet":         {func(b *Beam) { b.WavelengthNM = 355 }, ErrWavelength},
		"1550 nm":             {func(b *Beam) { b.WavelengthNM = 1550 }, ErrWavelength},
		"1500 nm":             {func(b *Beam) { b.WavelengthNM = 1500 }, ErrWavelength},
		"micrometres":         {func(b *Beam) { b.WavelengthNM = 10.6 }, ErrWavelength},
		"no wavelength":       {func(b *Beam) { b.WavelengthNM = 0 }, ErrWavelength},
		"NaN nm":              {func(b *Beam) { b.WavelengthNM = math.NaN() }, ErrWavelength},
		"milliwatts":          {func(b *Beam) { b.MaxPowerW = 5000 }, ErrPower},
		"no power":            {func(b *Beam) { b.MaxPowerW = 0 }, ErrPower},
		"negative power":      {func(b *Beam) { b.MaxPowerW = -1 }, ErrPower},
		"NaN W":               {func(b *Beam) { b.MaxPowerW = math.NaN() }, ErrPower},
		"no diameter":         {func(b *Beam) { b.DiameterMM = 0 }, ErrDiameter},
		"micrometres across":  {func(b *Beam) { b.DiameterMM = 4000 }, ErrDiameter},
		"infinite diameter":   {func(b *Beam) { b.DiameterMM = math.Inf(1) }, ErrDiameter},
		"negative divergence": {func(b *Beam) { b.DivergenceMrad = -1 }, ErrDivergence},
	} {
		b := good
		c.change(&b)
		if _, err := NOHD(b, 10); !errors.Is(err, c.want) {
			t.Errorf("%s: %v, want %v", name, err, c.want)
		}
	}
	for _, s := range []float64{0, -1, 0.1, 30_001, math.NaN(), math.Inf(1)} {
		if _, err := MPE(445, s); !errors.Is(err, ErrDuration) {
			t.Errorf("%g s: %v", s, err)
		}
	}
	if _, err := LB(vis(1500, 0.02, 3, 1, WidthE)); !errors.Is(err, ErrWavelength) {
		t.Errorf("optics/L03: %v", err)
	}
	if _, err := Class1LimitW(1550); !errors.Is(err, ErrWavelength) {
		t.Errorf("optics/C07: %v", err)
	}
	if _, err := RB(vis(808, 1, 3, 1, WidthE)); !errors.Is(err, ErrAlignment) {
		t.Errorf("alignment eyewear for what nobody sees: %v", err)
	}
	if _, err := LB(vis(445, 900, 0.01, 1, WidthE)); !errors.Is(err, ErrMarkRange) {
		t.Errorf("a mark that does not exist: %v", err)
	}
}
