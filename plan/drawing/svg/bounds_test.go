package svg

import (
	"runtime"
	"strings"
	"testing"

	"kerfgate/plan/drawing"
)

// TestHostilePathsTakeLittleMemory: path data near the limit of bytes stays under 1 GiB in all,
// whether it is refused (14 million points) or read (9.3 million points of many short paths,
// which take most; and arcs, which are many segments for few bytes).
func TestHostilePathsTakeLittleMemory(t *testing.T) {
	if testing.Short() {
		t.Skip("SKIPPED: takes a gigabyte")
	}
	if raceDetector {
		t.Skip("SKIPPED: the race detector takes memory of its own; make test runs this without it")
	}
	for _, tc := range []struct {
		name, d string
		points  int
		refused bool
	}{
		{"too many lines", "M0 0" + strings.Repeat("h1", 14_000_000), 0, true},
		{"many short paths", strings.Repeat("M0 0h1", 4_650_000), 9_300_000, false},
		{"many arcs", "M0 0" + strings.Repeat("a99 99 0 01100 9999", 150_000), 0, true},
	} {
		data := []byte(inMM(`<path stroke="red" d="` + tc.d + `"/>`))
		var before, after runtime.MemStats
		runtime.GC()
		runtime.ReadMemStats(&before)
		d, err := Read(data, drawing.Limits{})
		runtime.ReadMemStats(&after)
		total := (after.TotalAlloc - before.TotalAlloc) >> 20
		t.Logf("%s: %d MB of data, %d MB allocated in all", tc.name, len(data)>>20, total)
		if total+uint64(len(data)>>20) > 1<<10 {
			t.Errorf("%s: %d MB", tc.name, total)
		}
		if (err != nil) != tc.refused {
			t.Errorf("%s: %v", tc.name, err)
		}
		if err == nil {
			points := 0
			for _, p := range d.Shapes[0].Paths {
				points += 1 + len(p.Segments)
			}
			if points != tc.points {
				t.Errorf("%s: %d points, want %d", tc.name, points, tc.points)
			}
		}
	}
}
