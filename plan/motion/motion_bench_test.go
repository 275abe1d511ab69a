package motion

import (
	"math"
	"testing"
	"time"

	"kerfgate/plan/geom"
)

// spiral is a path of n points about 0.2 mm apart.
func spiral(n int) []geom.Point {
	points := make([]geom.Point, n)
	for i := range points {
		a := math.Sqrt(float64(i)) * 2
		s, c := math.Sincos(a)
		points[i] = geom.Pt(int64(100*a*c), int64(100*a*s))
	}
	return points
}

// BenchmarkLines renders a stroke of a million points and gives how many times longer that takes than
// adding up the lengths between them, and the bytes that are made for each point.
func BenchmarkLines(b *testing.B) {
	points := spiral(1_000_000)
	for name, j := range map[string]Job{
		"at rest":       {},
		"power follows": {InMotion: true, Levels: true, SpotUM: 150, WorkUMPerS: 200_000},
		"backlash":      {InMotion: true, Levels: true, SpotUM: 150, WorkUMPerS: 200_000, BacklashXUM: 200, BacklashYUM: 200},
	} {
		j.Limits = square
		j.Strokes = []Stroke{{Points: points, SpeedUMPerS: 60_000, PowerPermille: 900}}
		b.Run(name, func(b *testing.B) {
			start := time.Now()
			var length int64
			for range b.N {
				length += geom.Length(points)
			}
			floor := time.Since(start)
			lines := 0
			b.ResetTimer()
			b.ReportAllocs()
			for range b.N {
				for range Lines(j) {
					lines++
				}
			}
			b.ReportMetric(float64(b.Elapsed())/float64(floor), "×floor")
			b.ReportMetric(float64(lines)/float64(b.N*len(points)), "lines/point")
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(lines), "ns/line")
			_ = length
		})
	}
}
