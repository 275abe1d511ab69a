package plan_test

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"math"
	"os"
	"runtime/debug"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"kerfgate/plan"
	"kerfgate/plan/geom"
)

// outlines is a drawing of closed outlines with 20 segments each, segments in all. Their last segment lies on
// five of the others.
func outlines(segments int) string { return combs(segments, 0) }

// apart is the same with a back to each comb, so that no segment lies on another.
func apart(segments int) string { return combs(segments, 0.05) }

func combs(segments int, back float64) string {
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
			rise := 0.3
			if k == 0 || k == 18 {
				rise += back
			}
			switch k % 4 {
			case 0:
				fmt.Fprintf(&b, "v%.4f", pitch*rise)
			case 1, 3:
				fmt.Fprintf(&b, "h%.4f", pitch*0.08)
			case 2:
				fmt.Fprintf(&b, "v%.4f", -pitch*rise)
			}
		}
		b.WriteString("Z")
	}
	b.WriteString(`"/></svg>`)
	return b.String()
}

// coil is a drawing of one line that winds outwards, of so many segments.
func coil(segments int) string {
	var b strings.Builder
	b.WriteString(`<svg xmlns="http://www.w3.org/2000/svg" width="500mm" height="500mm" viewBox="0 0 500 500"><path fill="none" stroke="black" d="`)
	for i := range segments + 1 { // r² grows evenly with the way
		share := math.Sqrt(float64(i+100) / float64(segments+100))
		s, c := math.Sincos(share * 2 * math.Pi * math.Sqrt(float64(segments)) / 6)
		fmt.Fprintf(&b, "%c%.4f %.4f", "ML"[min(i, 1)], 245+240*share*c, 245+240*share*s)
	}
	b.WriteString(`"/></svg>`)
	return b.String()
}

// lattice is a drawing of lines that cross, each divided where it meets the others, of so many segments.
func lattice(segments int) string {
	var b strings.Builder
	n := int(math.Sqrt(float64(segments) / 2))
	pitch := 480.0 / float64(n)
	b.WriteString(`<svg xmlns="http://www.w3.org/2000/svg" width="500mm" height="500mm" viewBox="0 0 500 500"><path fill="none" stroke="black" d="`)
	for i := range n {
		for axis := range 2 {
			for k := range n + 1 {
				at := [2]float64{float64(i) * pitch, float64(k) * pitch}
				fmt.Fprintf(&b, "%c%.4f %.4f", "ML"[min(k, 1)], at[axis], at[1-axis])
			}
		}
	}
	b.WriteString(`"/></svg>`)
	return b.String()
}

func wide(drawing string) plan.Request {
	req := request(drawing)
	req.Profile.TravelUM = geom.Box{Max: geom.Pt(600_000, 600_000)}
	req.Profile.HardStops = req.Profile.TravelUM
	req.Stock.SheetWidthUM, req.Stock.SheetHeightUM = 500_000, 500_000
	req.Choices.Effort = plan.NoEffort
	return req
}

// peak forgets how much memory the process had, if the system can, and gives a function that says how much
// it had at most since, in MiB; 0 where nobody knows.
func peak() func() float64 {
	debug.FreeOSMemory()
	if os.WriteFile("/proc/self/clear_refs", []byte("5"), 0) != nil {
		return func() float64 { return 0 }
	}
	return func() float64 {
		var kib float64
		status, _ := os.ReadFile("/proc/self/status")
		for line := range bytes.Lines(status) {
			if text, ok := bytes.CutPrefix(line, []byte("VmHWM:")); ok {
				_, _ = fmt.Sscan(string(text), &kib)
			}
		}
		return kib / 1024
	}
}

// processor is how long the process kept processors busy, collecting garbage too: what a busy machine's clock
// does not tell.
func processor() time.Duration {
	var u syscall.Rusage
	if syscall.Getrusage(syscall.RUSAGE_SELF, &u) != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// hashing is how long a processor is busy with the SHA-256 of some bytes.
func hashing(data []byte) time.Duration {
	n, from := 0, processor()
	for ; processor()-from < 50*time.Millisecond; n++ {
		sha256.Sum256(data)
	}
	return (processor() - from) / time.Duration(n)
}

// BenchmarkMake makes whole plans, without perturbing the order, of drawings of four characters, and
// tells how long they kept processors busy (cpu-s), and that in sums: how often the drawing's bytes could have been
// hashed with SHA-256 for it. MiB are the most that the process held.
func BenchmarkMake(b *testing.B) {
	for _, drawn := range []struct {
		name string
		of   func(int) string
	}{{"shapes", apart}, {"touching", outlines}, {"coil", coil}, {"lattice", lattice}} {
		for _, segments := range []int{10_000, 100_000, 1_000_000} {
			drawing := sync.OnceValue(func() string { return drawn.of(segments) })
			for _, op := range []plan.Operation{plan.Mark, plan.Cut} {
				b.Run(fmt.Sprintf("%s/%dk/%s", drawn.name, segments/1000, op), func(b *testing.B) {
					req := wide(drawing())
					req.Default = op
					floor := hashing(req.Drawing)
					most := peak()
					b.ReportAllocs()
					busy := processor()
					for b.Loop() {
						if _, err := plan.Make(req); err != nil {
							b.Fatal(err)
						}
					}
					each, worked := b.Elapsed()/time.Duration(b.N), (processor()-busy)/time.Duration(b.N)
					b.ReportMetric(worked.Seconds(), "cpu-s")
					b.ReportMetric(float64(worked)/float64(floor), "sums")
					b.ReportMetric(each.Seconds(), "s")
					b.ReportMetric(most(), "MiB")
				})
			}
		}
	}
}
