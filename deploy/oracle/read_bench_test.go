package oracle_test

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"kerfgate/plan/contour"
	"kerfgate/plan/drawing"
	"kerfgate/plan/drawing/svg"
	"kerfgate/plan/geom"
)

// BenchmarkReadingAgainstResvg times reading, flattening within 0.02 mm and cleaning of the open SVG
// files against what resvg takes for reading and rendering the same bytes, the least of several runs
// each, and prints the ratio of the sums, the median of the ratios and the worst with its name. Ours
// below 1 is the aim.
func BenchmarkReadingAgainstResvg(b *testing.B) {
	const times = 7
	files := svgFiles(b, dataFolder(b, "svg"))
	for b.Loop() {
		var names, texts []string
		var ours []float64
		refused := 0
		for _, file := range files {
			data, err := os.ReadFile(file)
			if err != nil {
				b.Fatal(err)
			}
			ms, ok := leastReading(b, data, times)
			if !ok {
				refused++
				continue
			}
			names = append(names, filepath.Join(filepath.Base(filepath.Dir(file)), filepath.Base(file)))
			texts, ours = append(texts, string(data)), append(ours, ms)
		}
		var theirs []*float64
		node(b, "svg_time.mjs", map[string]any{"texts": texts, "times": times}, &theirs)
		type pair struct {
			name        string
			ours, resvg float64
		}
		var pairs []pair
		var sum, sumResvg float64
		for i, ms := range theirs {
			if ms == nil {
				continue
			}
			pairs = append(pairs, pair{names[i], ours[i], *ms})
			sum, sumResvg = sum+ours[i], sumResvg+*ms
		}
		slices.SortFunc(pairs, func(p, q pair) int {
			if p.ours*q.resvg < q.ours*p.resvg {
				return -1
			}
			return 1
		})
		if len(pairs) == 0 {
			b.Fatal("no file was read by both")
		}
		middle, worst := pairs[len(pairs)/2], pairs[len(pairs)-1]
		over := 0
		for _, p := range pairs {
			if p.ours > p.resvg {
				over++
			}
		}
		fmt.Printf("%d files (%d refused by us): %.1f ms, resvg %.1f ms; slower in %d\n", len(pairs), refused, sum, sumResvg, over)
		for _, p := range pairs[max(0, len(pairs)-5):] {
			fmt.Printf("  %-60s %.3f ms, resvg %.3f ms\n", p.name, p.ours, p.resvg)
		}
		fmt.Printf("worst: %s\n", worst.name)
		b.ReportMetric(sum/sumResvg, "total/resvg")
		b.ReportMetric(middle.ours/middle.resvg, "median/resvg")
		b.ReportMetric(worst.ours/worst.resvg, "worst/resvg")
	}
}

// leastReading is the least milliseconds of several runs; ok is false for what is refused.
func leastReading(b *testing.B, data []byte, times int) (ms float64, ok bool) {
	least := time.Duration(1 << 62)
	for range times {
		at := time.Now()
		d, err := svg.Read(data, drawing.Limits{})
		if err != nil {
			return 0, false
		}
		var lines []contour.Line
		for _, s := range d.Shapes {
			for _, path := range s.Paths {
				corners, whole := path.Flatten(0.02, 1_000_000)
				if !whole {
					b.Fatal("more than a million points")
				}
				l := contour.Line{Op: "mark"}
				for _, c := range corners {
					p := geom.Pt(geom.Micrometres(c.X), geom.Micrometres(-c.Y))
					if n := len(l.Points); n == 0 || l.Points[n-1] != p {
						l.Points = append(l.Points, p)
					}
				}
				if n := len(l.Points); n > 1 {
					l.Closed = path.Closed && n > 3 && l.Points[0] == l.Points[n-1]
					lines = append(lines, l)
				}
			}
		}
		if _, err := contour.Clean(lines, contour.Options{}); err != nil {
			return 0, false
		}
		least = min(least, time.Since(at))
	}
	return float64(least) / 1e6, true
}
