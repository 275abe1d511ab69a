package dose

import (
	"math"
	"testing"
	"time"

	"kerfgate/plan/geom"
	"kerfgate/plan/motion"
)

func box(x, y, w, h int64) []geom.Point {
	return []geom.Point{geom.Pt(x, y), geom.Pt(x+w, y), geom.Pt(x+w, y+h), geom.Pt(x, y+h), geom.Pt(x, y)}
}

func ring(x, y int64, r float64, sides int) []geom.Point {
	points := make([]geom.Point, sides+1)
	for i := range points {
		s, c := math.Sincos(2 * math.Pi * float64(i) / float64(sides))
		points[i] = geom.Pt(x+int64(math.Round(r*c)), y+int64(math.Round(r*s)))
	}
	return points
}

// TestCleanShapes: what people draw every day is not hot: plates with holes, right and sharp corners,
// lines that cross, dials, a stencil with bridges of 3 mm; cut, and marked faster.
func TestCleanShapes(t *testing.T) {
	t.Parallel()
	star := make([]geom.Point, 0, 11)
	for i := range 11 {
		s, c := math.Sincos(float64(i) * math.Pi / 5)
		r := 12_000.0
		if i%2 == 1 {
			r = 5_000
		}
		star = append(star, geom.Pt(int64(r*c), int64(r*s)))
	}
	var grid, dial, stencil []motion.Stroke
	for i := range int64(8) {
		grid = append(grid, line(30_000, 400, geom.Pt(0, i*10_000), geom.Pt(70_000, i*10_000)))
		grid = append(grid, line(30_000, 400, geom.Pt(i*10_000, 0), geom.Pt(i*10_000, 70_000)))
		stencil = append(stencil, line(10_000, 1000, box(i*13_000, 0, 10_000, 20_000)...))
	}
	for i := range 60 {
		s, c := math.Sincos(float64(i) * math.Pi / 30)
		dial = append(dial, line(20_000, 500, geom.Pt(int64(25_000*c), int64(25_000*s)), geom.Pt(int64(30_000*c), int64(30_000*s))))
	}
	for name, strokes := range map[string][]motion.Stroke{
		"plate":   {line(10_000, 1000, ring(15_000, 15_000, 2_000, 48)...), line(10_000, 1000, box(0, 0, 60_000, 40_000)...)},
		"star":    {line(10_000, 1000, star...)},
		"grid":    grid,
		"dial":    dial,
		"stencil": stencil,
		"twice":   {line(10_000, 1000, box(0, 0, 60_000, 40_000)...), line(10_000, 1000, box(0, 0, 60_000, 40_000)...)},
	} {
		for _, inMotion := range []bool{false, true} {
			in := bench(strokes...)
			in.Job.InMotion, in.Job.Levels, in.Job.OnDelayMS, in.Job.OffDelayMS = inMotion, inMotion, 2, 2
			if got := mustOf(t, in); len(got.Hot) != 0 {
				t.Errorf("%s, in motion %t: %+v", name, inMotion, got.Hot)
			}
		}
	}
}

// TestHotSpots: each cause, its place and its words.
func TestHotSpots(t *testing.T) {
	t.Parallel()
	slow := bench(line(10_000, 1000, geom.Pt(0, 0), geom.Pt(30_000, 0)))
	slow.Job.OffDelayMS = 500
	var hatch []motion.Stroke
	for i := range int64(8) {
		hatch = append(hatch, line(20_000, 1000, geom.Pt(0, i*400), geom.Pt(12_000, i*400)))
	}
	thrice := line(20_000, 1000, box(0, 0, 12_000, 12_000)...)
	var coil []geom.Point
	for i := range 200 {
		s, c := math.Sincos(float64(i) / 5)
		coil = append(coil, geom.Pt(10_000+int64((200+float64(i)*3)*c), 10_000+int64((200+float64(i)*3)*s)))
	}
	for _, c := range []struct {
		name  string
		in    Input
		why   Why
		place geom.Point
		off   float64 // µm
	}{
		// 0.5 s of 10 W at 10 mm/s are 5 J, as much as 5 mm of line: with what the line itself gives the disc, 3 passes.
		{"slow switch", slow, WhyDwell, geom.Pt(30_000, 0), 1_200},
		{"hatch", bench(hatch...), WhyNeighbours, geom.Pt(6_000, 1_400), 8_000},
		{"three times at once", bench(thrice, thrice, thrice), WhyOverlap, geom.Pt(6_000, 6_000), 9_000},
		{"coil", bench(line(20_000, 1000, coil...)), WhySmall, geom.Pt(10_000, 10_000), 1_500},
	} {
		d := mustOf(t, c.in)
		if len(d.Hot) == 0 {
			t.Errorf("%s: no hot spot", c.name)
			continue
		}
		worst := d.Hot[0]
		for _, h := range d.Hot {
			if h.Permille > worst.Permille {
				worst = h
			}
		}
		t.Logf("%s: %d, worst %+v", c.name, len(d.Hot), worst)
		if worst.Why != c.why || geom.Distance(worst.Place, c.place) > c.off || worst.Permille <= hotPermille || worst.EnergyMJ <= 0 {
			t.Errorf("%s: %+v", c.name, worst)
		}
	}
	// 5 J and what 1 to 2 mm of line give (1 J/mm).
	if h := mustOf(t, slow).Hot[0]; h.EnergyMJ < 5_000 || h.EnergyMJ > 7_500 {
		t.Errorf("slow switch: %d mJ", h.EnergyMJ)
	}
}

// TestTimeApart: the same three passes are no hot spot where ten seconds lie between them, nor where the
// material is known to take more.
func TestTimeApart(t *testing.T) {
	t.Parallel()
	pass := line(20_000, 1000, box(0, 0, 12_000, 12_000)...)
	far := line(20_000, 1000, box(50_000, 0, 60_000, 60_000)...) // 12 s
	if d := mustOf(t, bench(pass, far, pass, far, pass)); len(d.Hot) != 0 {
		t.Errorf("apart: %+v", d.Hot)
	}
	in := bench(pass, pass, pass)
	in.Works = []Work{{ProvenUJPerMM: 2_000_000}, {ProvenUJPerMM: 2_000_000}, {ProvenUJPerMM: 2_000_000}}
	if d := mustOf(t, in); len(d.Hot) != 0 {
		t.Errorf("proven: %+v", d.Hot)
	}
}

// BenchmarkOf gives how many times longer a dose takes than motion alone, for 20 m of lines.
func BenchmarkOf(b *testing.B) {
	var strokes []motion.Stroke
	for i := range int64(200) {
		strokes = append(strokes, line(50_000, 700, geom.Pt(0, i*500), geom.Pt(100_000, i*500)))
	}
	in := bench(strokes...)
	start := time.Now()
	for range b.N {
		in.Job.Total()
	}
	floor := time.Since(start)
	b.ResetTimer()
	b.ReportAllocs()
	for range b.N {
		if _, err := Of(in); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed())/float64(floor), "×motion")
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/20e3, "ns/mm")
}
