package drawing

import (
	"math"
	"testing"
)

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: got %.10f, want %.10f within %g", what, got, want, within)
	}
}

// TestQuarterByOneCubic: N5.1, the largest radial error of the usual cubic is 0.027253 % and never
// inside (Spencer Mortensen, Approximate a circle with cubic Bézier curves); N5.5: the point at
// t = 0.3 of the specification's quadratic is (320, 195) (svg.path tests).
func TestQuarterByOneCubic(t *testing.T) {
	t.Parallel()
	const c = 0.5522847498307936
	quarter := [4]Vec{{1, 0}, {1, c}, {c, 1}, {0, 1}}
	worst, least := 0.0, 1.0
	for i := range 10_001 {
		p := pointAt(quarter, float64(i)/10_000)
		e := math.Hypot(p.X, p.Y) - 1
		worst, least = max(worst, e), min(least, e)
	}
	near(t, "largest error", worst, 2.72530e-4, 1e-9)
	if least < -1e-12 {
		t.Errorf("inside the circle by %g", least)
	}
	var o Outline
	o.Move(Vec{200, 300})
	o.Quad(Vec{400, 50}, Vec{600, 300})
	s := o.Paths()[0].Segments[0]
	p := pointAt([4]Vec{{200, 300}, s.C1, s.C2, s.To}, 0.3)
	near(t, "x", p.X, 320, 1e-9)
	near(t, "y", p.Y, 195, 1e-9)
}

// TestOwnArcsAreRound: spans of 22.5° keep the radial error under 1e-7 of the radius.
func TestOwnArcsAreRound(t *testing.T) {
	t.Parallel()
	var o Outline
	o.Ellipse(Vec{500, 500}, 400, 400)
	at := o.Paths()[0].Start
	for _, s := range o.Paths()[0].Segments {
		for i := range 101 {
			p := pointAt([4]Vec{at, s.C1, s.C2, s.To}, float64(i)/100)
			near(t, "radius", math.Hypot(p.X-500, p.Y-500)/400, 1, 1e-7)
		}
		at = s.To
	}
}

// TestFlattenWithinTolerance compares the chords with the true circle: N5.11, sagitta
// s = r(1 − cos(θ/2)), and N5.12, no more than 2.222·√(r/t) pieces and no fewer than
// π/acos(1 − t/r) (formulas: COGO notes; a mapping library's manual).
func TestFlattenWithinTolerance(t *testing.T) {
	t.Parallel()
	near(t, "N5.11", 10*(1-math.Cos(math.Pi/4)), 2.928932, 1e-6)
	for _, tolerance := range []float64{0.001, 0.01, 0.1} {
		var o Outline
		o.Ellipse(Vec{50, 50}, 10, 10)
		points, _ := o.Paths()[0].Flatten(tolerance, 1_000_000)
		for i := 1; i < len(points); i++ {
			m := lerp(points[i-1], points[i], 0.5)
			if e := 10 - math.Hypot(m.X-50, m.Y-50); e > tolerance {
				t.Errorf("tolerance %g: chord %d is off by %g", tolerance, i, e)
			}
		}
		exact, bound := math.Pi/math.Acos(1-tolerance/10), 2.222*math.Sqrt(10/tolerance)
		if n := float64(len(points) - 1); n < exact || n > 2*bound+16 {
			t.Errorf("tolerance %g: %v pieces, least %.1f, bound %.1f", tolerance, n, exact, bound)
		}
	}
}
