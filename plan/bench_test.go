package plan_test

import (
	"fmt"
	"runtime"
	"strings"
	"testing"
	"time"

	"kerfgate/plan"
	"kerfgate/plan/drawing"
	"kerfgate/plan/drawing/svg"
	"kerfgate/plan/geom"
)

// outlines is a drawing of closed outlines with 20 segments each, segments in all.
func outlines(segments int) string {
	var b strings.Builder
	n := segments / 20
	columns := 1
	for columns*columns < n {
		columns++
	}
	pitch := 480.0 / float64(columns)
	b.WriteString(`<svg xmlns="http://www.w3.org/2000/svg" width="500mm" height="500mm" viewBox="0 0 500 500"><path fill="none" stroke="black" d="`)
	for i := range n {
		fmt.Fprintf(&b, "M%.4f %.4f", float64(i%columns)*pitch, float64(i/columns)*pitch)
		for k := range 19 { // a comb: up, along, down, along
			switch k % 4 {
			case 0:
				fmt.Fprintf(&b, "v%.4f", pitch*0.3)
			case 1, 3:
				fmt.Fprintf(&b, "h%.4f", pitch*0.08)
			case 2:
				fmt.Fprintf(&b, "v%.4f", -pitch*0.3)
			}
		}
		b.WriteString("Z")
	}
	b.WriteString(`"/></svg>`)
	return b.String()
}

func wide(drawing string) plan.Request {
	req := request(drawing)
	req.Profile.TravelUM = geom.Box{Max: geom.Pt(600_000, 600_000)}
	req.Profile.HardStops = req.Profile.TravelUM
	req.Stock.SheetWidthUM, req.Stock.SheetHeightUM = 500_000, 500_000
	req.Default, req.Choices.Effort = plan.Mark, 1
	return req
}

// benchmarkMake tells the time of a plan in reads: how often the same bytes could have been read into
// shapes meanwhile, which is the least that any planner has to do; and the memory that it holds at most.
func benchmarkMake(b *testing.B, segments int, op plan.Operation) {
	req := wide(outlines(segments))
	req.Default = op
	start := time.Now()
	if _, err := svg.Read(req.Drawing, drawing.Limits{}); err != nil {
		b.Fatal(err)
	}
	floor := time.Since(start)
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := plan.Make(req); err != nil {
			b.Fatal(err)
		}
	}
	runtime.ReadMemStats(&after)
	b.ReportMetric(float64(b.Elapsed())/float64(b.N)/float64(floor), "reads")
	b.ReportMetric(float64(after.HeapSys-before.HeapIdle+before.HeapReleased)/(1<<20), "MiB-heap")
}

func BenchmarkMark10k(b *testing.B)  { benchmarkMake(b, 10_000, plan.Mark) }
func BenchmarkCut10k(b *testing.B)   { benchmarkMake(b, 10_000, plan.Cut) }
func BenchmarkMark100k(b *testing.B) { benchmarkMake(b, 100_000, plan.Mark) }
func BenchmarkCut100k(b *testing.B)  { benchmarkMake(b, 100_000, plan.Cut) }
func BenchmarkCut1M(b *testing.B)    { benchmarkMake(b, 1_000_000, plan.Cut) }
