package simulated

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
)

func TestStrictLines(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ line, words string }{
		{"", "empty line"},
		{"Q7 X1", `unknown word "Q7"`},
		{"g0 x1", `unknown word "g0"`},
		{"G0 X1 (hello)", `unknown word "("`},
		{"G0 X", "X is not a number"},
		{"G0 X1.2.3", "X1.2.3 is not a number"},
		{"G0 X1e3", `unknown word "e3"`},
		{"G0 X--1", "X--1 is not a number"},
		{"G0 X1.0000001", "X1.0000001 is not a number"},
		{"G0 X1 X2", "X twice in one line"},
		{"G0 G1 X1", "two kinds of motion in one line"},
		{"G0 X10000.001", "X10000.001 is out of range -10000 to 10000"},
		{"G0 Y-99999", "Y-99999 is out of range -10000 to 10000"},
		{"G1 X1", "work without F"},
		{"G1 X1 F0", "feed F0 would never arrive"},
		{"G1 X1 F-5", "F-5 is out of range 0 to 600000"},
		{"G1 X1 F999999", "F999999 is out of range 0 to 600000"},
		{"G1 X1 F12001", "feed F12001 is out of range: at most 12000"},
		{"X1 Y1", "a place without a kind of motion"},
		{"M3", "tool on without S"},
		{"M3 S1001", "S1001 is out of range 0 to 1000"},
		{"M3 S-1", "S-1 is out of range 0 to 1000"},
		{"M4 S10", `unknown word "M4"`},
		{"M3 M5", "two M words in one line"},
		{"M", `unknown word "M"`},
		{"G20", `unknown word "G20"`},
		{"G91", `unknown word "G91"`},
		{"G090", `unknown word "G090"`},
		{"G4", "wait without P"},
		{"G4 P61", "P61 is out of range 0 to 60"},
		{"G4 P1 X3", "wait and placing stand alone in their line"},
		{"G0 P1", "seconds P without wait"},
		{"G0 X1\tY1", "characters that are no words"},
		{"G0 X1 Yé", "characters that are no words"},
		{strings.Repeat(" ", longestLine) + "M5", "longer than 160 bytes"},
	} {
		m := longTable(1000, 1000, 200, 10)
		before := m.program
		m.receive([]byte(c.line + "\n"))
		want := string(rune(sayRefused)) + "line 1: " + c.words
		if got := m.answers(); len(got) != 1 || got[0] != want {
			t.Errorf("%q: answered %q, want %q", c.line, got, want)
		}
		if m.program != before || len(m.carriage.queue) != 0 {
			t.Errorf("%q was refused and changed the machine", c.line)
		}
		tell(t, m, "G0 X1") // and the next line is read well
	}
}

func TestTravelWithTheToolOnIsRefused(t *testing.T) {
	t.Parallel()
	m := longTable(1000, 1000, 200, 10)
	tell(t, m, "M3 S100", "G1 X10 F600")
	m.receive([]byte("G0 X20\n"))
	if got := m.answers(); len(got) != 1 || got[0][0] != sayRefused {
		t.Errorf("answered %q", got)
	}
}

func TestSupplyWithoutLevels(t *testing.T) {
	t.Parallel()
	m := longTable(1000, 1000, 200, 10)
	m.limits.levels = false
	m.receive([]byte("M3 S500\n"))
	if got := m.answers(); len(got) != 1 || !strings.Contains(got[0], "off and full only") {
		t.Errorf("answered %q", got)
	}
	tell(t, m, "M3 S1000")
}

func TestHardStops(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		line string
		at   geom.Point
	}{
		{"G1 X400 Y100 F6000", geom.Pt(302_000, 100_000)},
		{"G1 X-50 Y100 F6000", geom.Pt(-2_000, 100_000)},
		{"G1 X100 Y203 F6000", geom.Pt(100_000, 202_000)},
		{"G1 X304 Y304 F6000", geom.Pt(202_000, 202_000)},
	} {
		p := bedSigns()
		m := newController(Config{Profile: p}, p.Tools[0])
		m.homed = true
		m.carriage.at = vec{100, 100}
		m.program.at = m.carriage.at
		m.arm([16]byte{1})
		tell(t, m, "M3 S1000", c.line)
		if strings.Contains(c.line, "F") {
			tell(t, m, "G1 X100 Y100")
		}
		for range 2000 {
			m.receive([]byte{stillHere})
			m.advance(m.now + 0.01)
		}
		if got := um(m.carriage.at); got != c.at {
			t.Errorf("%s: stands at %v, want %v", c.line, got, c.at)
		}
		if got := m.answers(); len(got) != 1 || !strings.HasPrefix(got[0], string(rune(sayTrouble))+"alarm hard stop met at") {
			t.Errorf("%s: said %q", c.line, got)
		}
		if m.supply.on || m.supply.commanded || m.homed {
			t.Errorf("%s: tool on %t, placed %t", c.line, m.supply.on, m.homed)
		}
		refusedNow := func(line string) {
			t.Helper()
			m.receive([]byte(line + "\n"))
			if got := m.answers(); len(got) != 1 || got[0][0] != sayRefused {
				t.Errorf("%s was answered %q", line, got)
			}
		}
		refusedNow("G0 X100 Y100")
		refusedNow("G28")
		m.receive([]byte{letForget})
		refusedNow("G1 X100 Y100 F600")
		refusedNow("G0 X100 Y100")
		refusedNow("M3 S10")
		tell(t, m, "G28", "G0 X100 Y100")
		carry(m)
		if got := um(m.carriage.at); got != geom.Pt(100_000, 100_000) {
			t.Errorf("%s: after placing anew it stands at %v", c.line, got)
		}
	}
}

// Travel may reach the hard stops exactly.
func TestAtTheHardStop(t *testing.T) {
	t.Parallel()
	p := bedSigns()
	m := newController(Config{Profile: p}, p.Tools[0])
	m.homed = true
	tell(t, m, "G0 X302 Y202", "G0 X-2 Y-2")
	carry(m)
	if m.state != ready || um(m.carriage.at) != geom.Pt(-2000, -2000) {
		t.Errorf("state %d at %v", m.state, m.carriage.at)
	}
}

func TestPlacing(t *testing.T) {
	t.Parallel()
	for how, want := range map[string]geom.Point{
		machine.PlacingEndSwitch:    geom.Pt(0, 0),
		machine.PlacingByHand:       geom.Pt(0, 0),
		machine.PlacingMiddleOfSpan: geom.Pt(150_000, 100_000),
	} {
		p := bedSigns()
		p.PlacingX.How, p.PlacingY.How = how, how
		m := newController(Config{Profile: p}, p.Tools[0])
		tell(t, m, "G28")
		carry(m)
		if got := um(m.carriage.at); !m.homed || got != want {
			t.Errorf("%s: placed %t at %v, want %v", how, m.homed, got, want)
		}
	}
}

// The hold marks where the beam went off; going on, the carriage returns there, and the burned line
// has neither a gap nor a double, whatever the switch's delays and wherever the hold falls. Nor is it darker there:
// what the sheet took is the plain run's, and no place of it took more, but where a hold falls onto a place at
// which the carriage stands anyhow: at a corner that it passed as little as within a line.
func TestHoldAnywhere(t *testing.T) {
	t.Parallel()
	lines := []string{"G0 X10 Y10", "M3 S1000", "G4 P0.030", "G1 X30 Y10 F6000", "G1 X30 Y30", "M5", "G4 P0.060",
		"G0 X50 Y30", "M3 S500", "G4 P0.030", "G1 X50 Y10 F3000", "G1 X40 Y10", "M5", "G4 P0.060", "G0 X10 Y10", "M2"}
	inside := 0  // holds at which the carriage was not at rest
	corners := 0 // and within half a millimetre of a corner, or at one
	midway := false
	run := func(holdAt float64) (*controller, bool) {
		midway = false
		p := slowSwitch(30, 60)
		p.Driver.OwedBytes = 1 << 16
		m := newController(Config{Profile: p}, p.Tools[0])
		m.homed = true
		m.carriage.at = vec{}
		m.program.at = vec{}
		m.arm([16]byte{1})
		tell(t, m, lines...)
		held := false
		for i := 0; !m.idle() || m.mode != going; i++ {
			if i > 100_000 {
				t.Fatalf("held at %g s: never ends", holdAt)
			}
			m.receive([]byte{stillHere})
			if !held && m.now >= holdAt {
				held = true
				m.receive([]byte{letHold})
			}
			if m.mode == resting {
				if m.holding && m.mark.set && m.mark.cur < len(m.carriage.queue) {
					midway = m.mark.v > 0
					if it := m.carriage.queue[m.mark.cur]; midway && (it.kind != move || it.length-m.mark.done < 0.5 || m.mark.done < 0.5) {
						corners++
					}
				}
				m.receive([]byte{letGoOn})
			}
			m.advance(m.now + 0.005)
		}
		return m, held
	}
	plain, _ := run(math.Inf(1))
	for i := 0; ; i++ {
		at := float64(i) * 0.0037
		m, held := run(at)
		if !held {
			if i < 100 || inside < 50 || corners < 2 {
				t.Fatalf("only %d holds were tried, %d inside a line, %d of them at a corner", i, inside, corners)
			}
			return
		}
		if math.Abs(m.sheet.lengthMM-plain.sheet.lengthMM) > 0.01 || fmt.Sprint(m.sheet.lines) != fmt.Sprint(plain.sheet.lines) {
			t.Errorf("held at %.4f s: burned %.4f mm %v, plain %.4f mm %v", at,
				m.sheet.lengthMM, m.sheet.lines, plain.sheet.lengthMM, plain.sheet.lines)
		}
		most, _ := plain.sheet.peak()
		if midway {
			inside++
		}
		// Cells of the grid take a grain more or less as the grains fall.
		if got, at2 := m.sheet.peak(); midway && (got > most*1.05 || math.Abs(m.sheet.energyMJ/plain.sheet.energyMJ-1) > 0.001) {
			t.Errorf("held at %.4f s: %.1f mJ in all, plain %.1f; at most %.2f mJ at %v, plain %.2f", at, m.sheet.energyMJ, plain.sheet.energyMJ, got, at2, most)
		}
		if m.owed != 0 || m.count != 0 {
			t.Errorf("held at %.4f s: %d bytes in %d lines are owed at the end", at, m.owed, m.count)
		}
	}
}

// Whatever comes over the cable, the machine stays within its stops, owes no less than nothing and
// never has the tool on without its enabling contact.
func FuzzReceive(f *testing.F) {
	f.Add([]byte("G28\nM3 S1000\nG1 X10 F600\nM5\n\x13\x11\x14\x04"), uint8(3))
	f.Add([]byte("G0 X1 Y1\nG4 P1\n\x05\x16M2\nQ\n\x14\x14\x04G28\nG0 X400\n"), uint8(200))
	f.Add([]byte("G28\nM3 S1\n\x13\x13G1X5F600\n\x11\x13\x11G1X0\n"), uint8(9))
	f.Fuzz(func(t *testing.T, data []byte, each uint8) {
		p := slowSwitch(20, 40)
		m := newController(Config{Profile: p}, p.Tools[0])
		if each%2 == 0 {
			m.arm([16]byte{1})
		}
		for len(data) > 0 {
			n := min(int(each%16)+1, len(data))
			m.receive(data[:n])
			data = data[n:]
			m.advance(m.now + float64(each)/100)
			if !inside(p.HardStops.With(um(m.carriage.at)), m.carriage.at) || !um1(p.HardStops, m.carriage.at) {
				t.Fatalf("outside at %v", m.carriage.at)
			}
			if m.owed < 0 || m.count < 0 || m.count > mostLines || m.supply.on && each%2 == 1 {
				t.Fatalf("owed %d in %d lines, tool on %t", m.owed, m.count, m.supply.on)
			}
		}
		m.advance(m.now + 1)
		m.receive([]byte{letStop})
		m.advance(m.now + 5)
		if m.supply.on || m.moving() || m.mode != resting && m.mode != going {
			t.Fatalf("five seconds after a stop: tool %t, mode %d", m.supply.on, m.mode)
		}
	})
}

// um1 is inside, to the micrometre.
func um1(b geom.Box, v vec) bool { return geom.Box{Min: um(v), Max: um(v)}.Inside(b) }
