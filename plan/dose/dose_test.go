package dose

import (
	"math"
	"testing"

	"kerfgate/plan/geom"
	"kerfgate/plan/motion"
	"pgregory.net/rapid"
)

func near(t testing.TB, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: got %.7g, want %.7g within %g", what, got, want, within)
	}
}

// TestArithmetic. N7.1: a calculator page (50 mJ on 2 mm: 1.59 J/cm²). N7.2, N7.3: own values of P/v
// and P/(v·Δ), the form of two calculator pages. The peak of a Gaussian spot is held against adding up
// 2P/(πw²)·exp(−2r²/w²) along the line (own).
func TestArithmetic(t *testing.T) {
	t.Parallel()
	near(t, "N7.1 J/cm²", SpotDose(0.05, 2)*100, 1.59, 0.005)
	near(t, "N7.2 J/mm", LineDose(10, 100), 0.100, 1e-12)
	near(t, "N7.2 J/mm²", AreaDose(10, 100, 0.1), 1.00, 1e-12)
	near(t, "N7.3 J/mm", LineDose(40, 300), 0.1333, 0.00005)
	near(t, "N7.3 J/mm²", AreaDose(40, 300, 0.1), 1.333, 0.0005)
	const p, v, w = 10.0, 50.0, 0.1
	sum := 0.0
	for x := -1.0; x < 1; x += 1e-5 {
		sum += 2 * p / (math.Pi * w * w) * math.Exp(-2*x*x/(w*w)) * 1e-5 / v
	}
	near(t, "peak", PeakDose(p, v, w), sum, 1e-4*sum)
}

// bench is a machine of 1 m/s² with a 10 W beam that is switched at rest.
func bench(strokes ...motion.Stroke) Input {
	return Input{PowerMW: 10_000, Job: motion.Job{
		Limits: motion.Limits{TravelUMPerS: 200_000, AccelXUMPerS2: 1_000_000, AccelYUMPerS2: 1_000_000, CornerUM: 20},
		SpotUM: 150, WorkUMPerS: 200_000, Strokes: strokes,
	}}
}

func line(speed, permille int64, points ...geom.Point) motion.Stroke {
	return motion.Stroke{Points: points, SpeedUMPerS: speed, PowerPermille: permille}
}

func mustOf(t interface {
	Helper()
	Fatal(...any)
}, in Input) *Dose {
	t.Helper()
	d, err := Of(in)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// TestLine: 10 W at 100 mm/s are 0.1 J/mm (N7.2) where the carriage cruises, more where it speeds up;
// where power follows speed it is 0.1 J/mm from end to end.
func TestLine(t *testing.T) {
	t.Parallel()
	in := bench(line(100_000, 1000, geom.Pt(0, 250), geom.Pt(100_000, 250)))
	d := mustOf(t, in)
	l := d.Strokes[0]
	// 1.1 s of 10 W; the mean is that over 100 mm. 100 mm are 666 pieces of 0.15 mm and one of 0.1 mm,
	// which takes √(2·d/a).
	if d.EnergyMJ != 11_000 || l.LengthUM != 100_000 || l.LeastUJPerMM != 100_000 || l.MeanUJPerMM != 110_000 {
		t.Errorf("%d mJ, %+v", d.EnergyMJ, l)
	}
	ramp := func(mm float64) float64 { return 10 * math.Sqrt(2*mm/1000) / mm * 1e6 }
	near(t, "most", float64(l.MostUJPerMM), ramp(0.1), 2)
	// 0.1 J/mm over half a millimetre of a cell of 0.25 mm² are 0.2 J/mm².
	near(t, "map", float64(d.Map.At(geom.Pt(50_250, 100))), 200_000, 200)
	if d.Map.At(geom.Pt(50_250, 600)) != 0 {
		t.Error("the map has dose beside the line")
	}
	in.Job.InMotion, in.Job.Levels = true, true
	l = mustOf(t, in).Strokes[0]
	if l.LeastUJPerMM < 90_000 || l.MostUJPerMM > 110_000 || l.MeanUJPerMM < 99_500 || l.MeanUJPerMM > 100_500 {
		t.Errorf("power follows: %+v", l)
	}
}

// TestArea: 40 W at 300 mm/s in lines 0.1 mm apart put 1.333 J/mm² (N7.3) onto the middle of the
// area; over-travel of v²/2a = 15 mm each side leaves the speed even there.
func TestArea(t *testing.T) {
	t.Parallel()
	s := line(300_000, 1000)
	at := int64(0)
	for y := range int64(100) {
		a, b := geom.Pt(0, y*100), geom.Pt(60_000, y*100)
		if y%2 == 1 {
			a, b = b, a
		}
		s.Points = append(s.Points, a, b)
		s.On = append(s.On, geom.Span{From: at + 16_000, To: at + 44_000})
		at += 60_100
	}
	in := bench(s)
	in.PowerMW = 40_000
	in.Job.Limits = motion.Limits{TravelUMPerS: 300_000, AccelXUMPerS2: 3_000_000, AccelYUMPerS2: 3_000_000, CornerUM: 20}
	in.Job.InMotion = true
	in.Works = []Work{{PitchUM: 100, DepthUM: 200}}
	d := mustOf(t, in)
	for _, p := range []geom.Point{geom.Pt(20_250, 5_250), geom.Pt(30_250, 2_250), geom.Pt(40_250, 7_750)} {
		near(t, "area dose", float64(d.Map.At(p))/1e6, 1.333, 0.02)
	}
	if l := d.Strokes[0]; l.LengthUM != 2_800_000 || l.LeastUJPerMM < 133_000 || l.MostUJPerMM > 134_000 {
		t.Errorf("%+v", l)
	}
	if len(d.Hot) != 0 {
		t.Errorf("hot: %+v", d.Hot)
	}
	// 2.8 m × 0.1 mm × 0.2 mm.
	if d.Removed.VolumeNL != 56_000 {
		t.Errorf("removed %+v", d.Removed)
	}
}

// TestRemoved: 100 mm of a 0.2 mm kerf through 3 mm are 60 mm³; plywood of 600 kg/m³ loses 36 mg. Card of 300 g/m² and
// 0.4 mm loses 0.2 mm × 100 mm × 300 g/m² = 6 mg.
func TestRemoved(t *testing.T) {
	t.Parallel()
	in := bench(line(10_000, 1000, geom.Pt(0, 0), geom.Pt(100_000, 0)), line(10_000, 1000, geom.Pt(100_000, 0), geom.Pt(0, 0)))
	in.Works = []Work{{KerfUM: 200, DepthUM: 3_000}, {KerfUM: 200, DepthUM: 3_000, Again: true}}
	in.Sheet = Sheet{ThicknessUM: 3_000, DensityKgPerM3: 600}
	if got := mustOf(t, in).Removed; got != (Removed{VolumeNL: 60_000, MassUG: 36_000}) {
		t.Errorf("plywood: %+v", got)
	}
	in.Works = []Work{{KerfUM: 200, DepthUM: 400}}
	in.Sheet = Sheet{ThicknessUM: 400, GrammageGPerM2: 300}
	if got := mustOf(t, in).Removed; got != (Removed{VolumeNL: 8_000, MassUG: 6_000}) {
		t.Errorf("card: %+v", got)
	}
}

// TestSums: lines, map and total hold the same energy to the picojoule, whatever is burned; it is what
// motion's totals say; more power is never less dose.
func TestSums(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		in := bench()
		j := &in.Job
		j.InMotion, j.Levels = rapid.Bool().Draw(t, "in motion"), rapid.Bool().Draw(t, "levels")
		j.OnDelayMS, j.OffDelayMS = rapid.Int64Range(0, 50).Draw(t, "on"), rapid.Int64Range(0, 50).Draw(t, "off")
		j.BacklashXUM = rapid.Int64Range(0, 200).Draw(t, "bx")
		for range rapid.IntRange(1, 4).Draw(t, "strokes") {
			s := line(rapid.Int64Range(2_000, 150_000).Draw(t, "speed"), rapid.Int64Range(100, 900).Draw(t, "power"))
			for range rapid.IntRange(2, 6).Draw(t, "points") {
				s.Points = append(s.Points, geom.Pt(rapid.Int64Range(-30_000, 30_000).Draw(t, "x"), rapid.Int64Range(-30_000, 30_000).Draw(t, "y")))
			}
			if n := geom.Length(s.Points); n > 2_000 {
				s.On = []geom.Span{{From: 0, To: n / 4}, {From: n / 2, To: n}}
			}
			j.Strokes = append(j.Strokes, s)
		}
		d := mustOf(t, in)
		var lines, cells int64
		for _, l := range d.Strokes {
			lines += l.EnergyPJ
			if l.LeastUJPerMM > l.MeanUJPerMM || l.MeanUJPerMM > l.MostUJPerMM {
				t.Fatalf("%+v", l)
			}
		}
		for c := range d.Map.Cells() {
			cells += c.EnergyPJ
		}
		total := j.Total()
		if want := total.OnPermilleMicros * in.PowerMW; lines != want || cells != want || d.EnergyPJ != want {
			t.Fatalf("lines %d, map %d, sum %d, totals %d pJ", lines, cells, d.EnergyPJ, want)
		}
		stronger := in
		stronger.PowerMW += 1_000
		for i, l := range mustOf(t, stronger).Strokes {
			if l.MeanUJPerMM < d.Strokes[i].MeanUJPerMM || l.EnergyPJ <= d.Strokes[i].EnergyPJ && l.EnergyPJ > 0 {
				t.Fatalf("more power: %+v after %+v", l, d.Strokes[i])
			}
		}
	})
}

// TestMapIsBounded: a job strewn over more than the map may hold is refused.
func TestMapIsBounded(t *testing.T) {
	t.Parallel()
	in := bench()
	for i := range int64(MostTiles + 1) {
		x, y := i%60*40_000, i/60*40_000
		in.Job.Strokes = append(in.Job.Strokes, line(100_000, 1000, geom.Pt(x, y), geom.Pt(x+1_000, y)))
	}
	if _, err := Of(in); err == nil {
		t.Error("no error")
	}
}
