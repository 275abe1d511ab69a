package contour_test

import (
	"fmt"
	"testing"
	"time"

	"kerfgate/plan/contour"
	"kerfgate/plan/geom"
)

// tags are n segments: rows of round tags, each with 100 corners, a hole of 40 and a square window of
// single lines; every tenth tag is drawn twice. The gap between tags is 600 µm.
func tags(n int) []contour.Line {
	var lines []contour.Line
	made := 0
	for i := 0; made < n; i++ {
		x, y := int64(i%100)*10_600+6_000, int64(i/100)*10_600+6_000
		outline := circle(x, y, 5_000, 100)
		lines = append(lines, outline, circle(x, y+3_000, 1_000, 40))
		for _, s := range [][4]int64{{-1, -1, 1, -1}, {1, -1, 1, 1}, {1, 1, -1, 1}, {-1, 1, -1, -1}} {
			lines = append(lines, cut(x+s[0]*1_500, y+s[1]*1_500, x+s[2]*1_500, y+s[3]*1_500))
		}
		made += 144
		if i%10 == 0 {
			lines = append(lines, group(1, back(outline)))
			made += 100
		}
	}
	return lines
}

// grille is n segments drawn as single lines of a square grid: everything meets.
func grille(n int) []contour.Line {
	side := int64(1)
	for 2*side*side < int64(n) {
		side++
	}
	var lines []contour.Line
	for x := range side {
		for y := range side {
			lines = append(lines, cut(x*step, y*step, (x+1)*step, y*step), cut(x*step, y*step, x*step, (y+1)*step))
		}
	}
	return lines
}

// BenchmarkSizes gives Clean and Understand for growing drawings, per segment, and times the floor
// of the same run: indexing the segments and asking for the neighbours of each, once.
func BenchmarkSizes(b *testing.B) {
	o := contour.Options{KerfUM: 150, ResolutionUM: 50, BridgeUM: 1_000, SupportUM: 20_000}
	for _, drawing := range []struct {
		name string
		make func(int) []contour.Line
	}{{"tags", tags}, {"grille", grille}} {
		for _, n := range []int{10_000, 100_000, 1_000_000} {
			b.Run(fmt.Sprintf("%s/%d", drawing.name, n), func(b *testing.B) {
				lines := drawing.make(n)
				b.ReportAllocs()
				var cleaning, looking time.Duration
				for b.Loop() {
					at := time.Now()
					r, err := contour.Clean(lines, o)
					if err != nil {
						b.Fatal(err)
					}
					cleaning += time.Since(at)
					at = time.Now()
					if _, err := contour.Understand(r.Lines, o); err != nil {
						b.Fatal(err)
					}
					looking += time.Since(at)
				}
				floor := neighbours(lines)
				runs := float64(b.N)
				b.ReportMetric(float64(cleaning.Nanoseconds())/runs/float64(n), "clean-ns/segment")
				b.ReportMetric(float64(looking.Nanoseconds())/runs/float64(n), "understand-ns/segment")
				b.ReportMetric((cleaning+looking).Seconds()/runs/floor.Seconds(), "×floor")
			})
		}
	}
}

func neighbours(lines []contour.Line) time.Duration {
	at := time.Now()
	var ways geom.Polylines
	for _, l := range lines {
		ways.Add(l.Points)
	}
	search := geom.NewSegmentIndex(&ways).Search()
	found := 0
	for i := range ways.Len() {
		search.Near(ways.Segment(i).Box(), func(int) bool { found++; return true })
	}
	return time.Since(at)
}
