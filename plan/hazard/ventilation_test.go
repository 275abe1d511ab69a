package hazard

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

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
			"opening":     func() (float64, error) { return OpeningVelocity(100, bad) },
			"flow":        func() (float64, error) { return OpeningFlow(bad, 1) },
			"slot":        func() (float64, error) { return SlotVelocity(100, 1, bad, true) },
			"canopy":      func() (float64, error) { return CanopyFlow(1, 1, bad) },
			"fan":         func() (float64, error) { return FanFlow(100, bad, 1000) },
			"effective":   func() (float64, error) { return EffectiveFlow(bad, 3) },
			"vapour":      func() (float64, error) { return VapourFlow(1, bad, 92, 20) },
			"dilution":    func() (float64, error) { return DilutionFlow(1, bad, 3) },
		} {
			if _, err := f(); err == nil {
				t.Errorf("%s of %v gives a number", name, bad)
			}
		}
	}
}
