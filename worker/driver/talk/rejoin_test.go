package talk

import (
	"slices"
	"testing"

	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
)

func heardLines(lines ...string) []told {
	m := memory{known: true}
	for _, l := range lines {
		m.add(l)
	}
	return m.lines
}

func bench(inMotion bool) (machine.Profile, machine.Tool) {
	p := machine.Profile{TravelUM: geom.Box{Max: geom.Pt(100_000, 100_000)}, HardStops: geom.Box{Max: geom.Pt(100_000, 100_000)},
		TravelSpeedUMPerS: 100_000, AccelXUMPerS2: 1_000_000, AccelYUMPerS2: 1_000_000, CornerToleranceUM: 50}
	return p, machine.Tool{Name: "beam", Kind: machine.ToolBeam, Switch: machine.Switch{Kind: machine.SwitchHold, OnDelayMS: 20, InMotion: inMotion}}
}

// TestRejoin_Lines: what is told after a pause. The run-in is as long as the carriage needs to come up to speed, v²/2a
// with a quarter more, and the way of the switch's delay: at 50 mm/s, 1 m/s² and 20 ms 1.5625 mm and 1 mm, to the micrometre.
func TestRejoin_Lines(t *testing.T) {
	t.Parallel()
	lines := heardLines("G0 X40 Y10", "M3 S0", "G1 X50 Y10 F3000", "G1 X60 Y10 F3000 S700", "G1 X70 Y10 F3000", "G1 X80 Y10 F3000 S0", "M5")
	for name, c := range map[string]struct {
		lines    []told
		inMotion bool
		at       geom.Point
		want     []string
	}{
		"in the middle": {lines, true, geom.Pt(64_000, 10_010), []string{"G21", "G90", "M5", "G0 X61.437 Y10.000", "M3 S0", "G1 X63.000 Y10.000 F3000.000 S0",
			"G1 X64.000 Y10.000 F3000.000 S700", "G1 X70.000 Y10.000 F3000.000 S700", "G1 X80 Y10 F3000 S0", "M5"}},
		"where two lines meet": {lines, true, geom.Pt(60_000, 10_000), []string{"G21", "G90", "M5", "G0 X57.437 Y10.000", "M3 S0", "G1 X59.000 Y10.000 F3000.000 S0",
			"G1 X60.000 Y10.000 F3000.000 S700", "G1 X70.000 Y10.000 F3000.000 S700", "G1 X80 Y10 F3000 S0", "M5"}},
		"at its end": {lines, true, geom.Pt(70_000, 10_000), []string{"G21", "G90", "M5", "G0 X70.000 Y10.000", "G1 X80 Y10 F3000 S0", "M5"}},
		"a tool that is switched at rest": {heardLines("G0 X40 Y10", "M3 S500", "G4 P0.020", "G1 X80 Y10 F3000", "M5"), false, geom.Pt(64_000, 10_000),
			[]string{"G21", "G90", "M5", "G0 X64.000 Y10.000", "M3 S500", "G4 P0.020", "G1 X80.000 Y10.000 F3000.000 S500", "M5"}},
		"no room to run in": {heardLines("G0 X0 Y10", "M3 S0", "G1 X90 Y10 F3000 S500"), true, geom.Pt(900, 10_000),
			[]string{"G21", "G90", "M5", "G0 X0.900 Y10.000", "M3 S500", "G4 P0.020", "G1 X90.000 Y10.000 F3000.000 S500"}},
	} {
		j, ok := find(c.lines, c.at)
		if !ok {
			t.Errorf("%s: not found", name)
			continue
		}
		p, tool := bench(c.inMotion)
		if got := rejoin(p, tool, c.lines, j); !slices.Equal(got, c.want) {
			t.Errorf("%s:\n%q, want\n%q", name, got, c.want)
		}
	}
	// A path that comes by again, a place beside it, and one where the tool was off: nobody knows where to go on.
	again := heardLines("G0 X10 Y10", "M3 S500", "G1 X60 Y10 F3000", "G1 X60 Y20", "M5", "G0 X10 Y10", "M3 S500", "G1 X60 Y10")
	for _, at := range []geom.Point{geom.Pt(30_000, 10_000), geom.Pt(30_000, 10_100), geom.Pt(60_000, 25_000)} {
		if j, ok := find(again, at); ok {
			t.Errorf("%v is found in line %d", at, j.line)
		}
	}
	if j, ok := find(again, geom.Pt(60_000, 15_000)); !ok || j.line != 3 {
		t.Errorf("on the second side: line %d, %t", j.line, ok)
	}
}

// TestMemory_Since: only as many lines can be unfinished as the machine may be owed, and the one that it is at.
func TestMemory_Since(t *testing.T) {
	t.Parallel()
	m := memory{known: true}
	for range 3 * mostTold {
		m.add("G1 X1 Y1 F100") // 14 bytes with its end
	}
	if len(m.lines) > mostTold {
		t.Errorf("%d lines are remembered", len(m.lines))
	}
	for owed, want := range map[int64]int{14: 2, 15: 3, 140: 11, 1 << 40: len(m.lines)} {
		if got := len(m.since(owed)); got != want {
			t.Errorf("owed %d bytes: %d lines, want %d", owed, got, want)
		}
	}
}
