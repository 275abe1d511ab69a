package plan_test

import (
	"runtime/debug"
	"testing"

	"kerfgate/plan"
)

// TestManyCutsTakeLittleMemory: cut drawings of four characters stay within an eighth of a GiB at an eighth of a
// million segments, and what does not grow with them: the program and the maps of the sheet. The garbage collector is
// held to a memory as `kerfgate plan` holds it. What each takes at a million BenchmarkMake tells.
func TestManyCutsTakeLittleMemory(t *testing.T) {
	if raceDetector {
		t.Skip("SKIPPED: the race detector takes memory of its own; make test runs this without it")
	}
	const segments, mostMiB = 125_000, 128 + 24
	defer debug.SetMemoryLimit(debug.SetMemoryLimit(900 << 20 / 8))
	for _, drawn := range []struct {
		name string
		of   func(int) string
	}{{"shapes", apart}, {"touching", outlines}, {"coil", coil}, {"lattice", lattice}} {
		req := wide(drawn.of(segments))
		req.Default = plan.Cut
		most := peak()
		p, err := plan.Make(req)
		if err != nil {
			t.Errorf("%s: %v", drawn.name, err)
			continue
		}
		mib := most()
		t.Logf("%s: %.0f MiB, %d strokes", drawn.name, mib, len(p.Strokes))
		if mib > mostMiB {
			t.Errorf("%d cut segments, %s, took %.0f MiB; the most is %d", segments, drawn.name, mib, mostMiB)
		}
	}
}
