package dxf_test

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"time"

	"kerfgate/plan/drawing"
	"kerfgate/plan/drawing/dxf"
)

// BenchmarkRead reads files of about 30 MB. Beside megabytes a second it gives the ratio to the floor: the
// time of going through the same bytes line by line.
func BenchmarkRead(b *testing.B) {
	const size = 30 << 20
	grow := func(part func(i int) string) []byte {
		var out strings.Builder
		for i := 0; out.Len() < size; i++ {
			out.WriteString(part(i))
		}
		return []byte(entities(out.String()))
	}
	corners := func(i int) string {
		var p strings.Builder
		p.WriteString(entity("LWPOLYLINE", 5, "2A", 8, "outlines", 90, 1000, 70, 1))
		for j := range 1000 {
			fmt.Fprintf(&p, " 10\n%d.%09d\n 20\n%d.%09d\n", j%900, i*7919+j, (j*31)%900, j*104729)
		}
		return p.String()
	}
	for name, data := range map[string][]byte{
		"lines": grow(func(i int) string {
			return entity("LINE", 5, fmt.Sprintf("%X", i), 330, "1F", 100, "AcDbEntity", 8, "outlines", 100, "AcDbLine", 10, float64(i%977)+0.123456789, 20, float64(i%911)+0.987654321,
				30, 0.0, 11, float64(i%881)+0.192837465, 21, float64(i%863)+0.5647382910, 31, 0.0)
		}),
		"polylines": grow(corners),
	} {
		b.Run(name, func(b *testing.B) {
			b.SetBytes(int64(len(data)))
			b.ReportAllocs()
			for b.Loop() {
				if _, err := dxf.Read(data, dxf.Choices{}, drawing.Limits{Elements: 1_000_000}); err != nil {
					b.Fatal(err)
				}
			}
			b.StopTimer()
			began := time.Now()
			lines := 0
			for rest := data; ; lines++ {
				i := bytes.IndexByte(rest, '\n')
				if i < 0 {
					break
				}
				rest = rest[i+1:]
			}
			floor := time.Since(began)
			b.ReportMetric(float64(b.Elapsed())/float64(b.N)/float64(floor), "floors")
			b.ReportMetric(float64(lines), "lines")
		})
	}
}
