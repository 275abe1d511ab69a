package hazard

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

const (
	cfm  = 1.699   // m³/h, from memory; its own row is U01
	fpm  = 0.00508 // m/s
	foot = 0.3048  // m
	inWG = 249.1   // Pa, from memory
	ft3  = foot * foot * foot
	ft2  = foot * foot
)

// Published worked values of ventilation, to the digits as printed. off is half a unit of the last
// printed digit, or what the row's note allows.
func TestVentilation(t *testing.T) {
	t.Parallel()
	got := func(v float64, err error) float64 {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	for _, r := range []struct {
		id, source   string
		got, printed float64
		off          float64
	}{
		{"P01", "hygienists' question bank, q 21: 30 000 ft³, 6000 cfm, 50 to 10 ppm, minutes", got(ClearingTime(30_000*ft3, 6000*cfm, 1, 0.2)) / 60, 8, 0.5},
		{"P04", "published blog, 2014: seven half-lives leave less than 1 %", 100 * math.Exp2(-7), 0.781, 0.0005},
		{"B01", "question bank, q 22: 10 cfm into 5000 cfm, 20 000 ft³, 60 min, ppm", got(BuildUp(10*cfm*1e6, 5000*cfm, 20_000*ft3, 10, 1)), 2000, 0.5},
		{"B02", "package help: 1.4 cfm into 2500 cfm, 75 000 ft³, 11 min, ppm", got(BuildUp(1.4*cfm*1e6, 2500*cfm, 75_000*ft3, 0, 11.0/60)), 171.90, 0.05},
		{"A01", "question bank, q 1: 20×15×10 ft, 300 cfm", got(AirChanges(300*cfm, 3000*ft3)), 6, 0.005},
		{"A03", "software note: 100 ft³, 5 cfm", got(AirChanges(5*cfm, 100*ft3)), 3, 0.005},
		{"D02", "web calculator: 200 mm, 565 m³/h", got(DuctVelocity(565, 200)), 5, 0.005},
		{"D03", "web calculator: 300 mm, 1271 m³/h; it rounds the area", got(DuctVelocity(1271, 300)), 5, 0.0055},
		{"D08", "question bank, q 8: 4 in of water, fpm", got(VelocityOfPressure(4*inWG)) / fpm, 8010, 20}, // 1.29 is rounded
		{"D10", "question bank, q 14: 100 Pa", got(VelocityOfPressure(100)), 12.9, 0.05},
		{"H03", "question bank, q 35: plain 6×6 in, 600 cfm at 1 ft, fpm", got(CaptureVelocity(600*cfm, foot, 0.25*ft2, false)) / fpm, 59, 0.6},
		{"H08", "question bank, q 40: flanged 4 ft², 400 cfm at 2 ft, fpm", got(CaptureVelocity(400*cfm, 2*foot, 4*ft2, true)) / fpm, 12.1, 0.05},
		{"U01", "engineering handbook site: 1 cfm in m³/h", ft3 * 60, 1.7, 0.05},
		{"U03", "engineering handbook site: 1 fpm in m/s", foot / 60, 5.08e-3, 5e-6},
		{"C01", "NIOSH, OSHA: CO 35 ppm", got(MGPerM3(35, 28.01)), 40, 0.5},
		{"C03", "NIOSH, OSHA: methyl methacrylate 100 ppm, rounded", got(MGPerM3(100, 100.12)), 410, 1},
		{"C04", "ACGIH: styrene 50 ppm", got(MGPerM3(50, 104.15)), 213, 0.5},
		{"C06", "Cal/OSHA 2008: HCl 1 ppm", got(MGPerM3(1, 36.46)), 1.49, 0.005},
		{"C07", "NIOSH: HCN 4.7 ppm, one digit", got(MGPerM3(4.7, 27.03)), 5, 0.5},
		{"example 100 mm", "own: 150 m³/h in a 100 mm duct", got(DuctVelocity(150, 100)), 5.3, 0.05},
		{"example 125 mm", "own: 150 m³/h in a 125 mm duct", got(DuctVelocity(150, 125)), 3.4, 0.05},
		{"example PM2.5", "own: 18.783 mg/min (paperboard, 2024 abstract) into 150 m³/h", got(Steady(18.783*60, 150, 1)), 7.5, 0.05},
	} {
		if math.Abs(r.got-r.printed) > r.off {
			t.Errorf("air/%s (%s): %v, printed %v", r.id, r.source, r.got, r.printed)
		}
	}
}

// Published values that do not reproduce: the formula must not give them.
func TestVentilationNotReproduced(t *testing.T) {
	t.Parallel()
	r1, err := BuildUp(0.3*cfm*1e6, 8000*cfm, 20_000*ft3, 0, 0.25)
	if err != nil || math.Abs(r1-37.4) > 0.2 || math.Abs(r1-30) < 1 {
		t.Errorf("air/R1: %v ppm, %v", r1, err)
	}
	r8, err := MGPerM3(50, 28.01)
	if err != nil || math.Abs(r8-57.3) > 0.05 || math.Abs(r8-55) < 0.5 {
		t.Errorf("air/R8: %v mg/m³, %v", r8, err)
	}
}

// More flow never lengthens a purge, more fume never thins the air, and nothing that is no quantity
// gives a number.
func TestVentilationProperties(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Float64Range(0.01, 100).Draw(t, "volume")
		q1 := rapid.Float64Range(1, 5000).Draw(t, "flow")
		q2 := rapid.Float64Range(q1, 5000).Draw(t, "more")
		a, err1 := ClearingTime(v, q1, 10, 0.001)
		b, err2 := ClearingTime(v, q2, 10, 0.001)
		if err1 != nil || err2 != nil || b > a {
			t.Fatalf("%v s at %v m³/h, %v s at %v; %v %v", a, q1, b, q2, err1, err2)
		}
		g := rapid.Float64Range(0, 1e6).Draw(t, "generation")
		h := rapid.Float64Range(0, 10).Draw(t, "hours")
		c, err := BuildUp(g, q1, v, 0, h)
		if err != nil || c < -1e-9 || c > g/q1*(1+1e-9) {
			t.Fatalf("%v after %v h from %v; %v", c, h, g, err)
		}
	})
	for _, bad := range []float64{0, -1, math.NaN(), math.Inf(1)} {
		for name, f := range map[string]func() (float64, error){
			"air changes": func() (float64, error) { return AirChanges(bad, 1) },
			"build-up":    func() (float64, error) { return BuildUp(1, bad, 1, 0, 1) },
			"steady":      func() (float64, error) { return Steady(1, bad, 1) },
			"duct":        func() (float64, error) { return DuctVelocity(100, bad) },
			"pressure":    func() (float64, error) { return VelocityOfPressure(bad) },
			"capture":     func() (float64, error) { return CaptureVelocity(100, bad, 1, false) },
			"mass":        func() (float64, error) { return MGPerM3(1, bad) },
			"share":       func() (float64, error) { return FlowShare(bad, 100) },
		} {
			if _, err := f(); err == nil {
				t.Errorf("%s of %v gives a number", name, bad)
			}
		}
	}
}
