package simulated

import (
	"fmt"
	"math"
	"testing"

	"pgregory.net/rapid"

	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
)

// longTable is a machine that takes any number of lines at once, so that a whole path is looked
// ahead over. Accelerations in mm/s², speed in mm/s, tolerance in µm.
func longTable(ax, ay, speed, toleranceUM float64) *controller {
	p := bedSigns()
	p.TravelUM = geom.Box{Max: geom.Pt(9_000_000, 9_000_000)}
	p.HardStops = p.TravelUM
	p.AccelXUMPerS2, p.AccelYUMPerS2 = int64(ax*1000), int64(ay*1000)
	p.TravelSpeedUMPerS, p.WorkSpeedUMPerS = int64(speed*1000), int64(speed*1000)
	p.CornerToleranceUM = int64(toleranceUM)
	p.Driver.OwedBytes = 1 << 24
	p.Tools[0].Switch.InMotion = true
	p.PlacingX, p.PlacingY = machine.Placing{}, machine.Placing{}
	m := newController(Config{Profile: p}, p.Tools[0])
	m.carriage.at, m.program.at = vec{}, vec{}
	m.homed = true
	m.arm([16]byte{1})
	return m
}

// tell hands over lines that must be taken.
func tell(t interface {
	Helper()
	Fatalf(string, ...any)
}, m *controller, lines ...string) {
	t.Helper()
	for _, line := range lines {
		m.receive([]byte(line + "\n"))
		for _, a := range m.answers() {
			if a[0] != sayTaken {
				t.Fatalf("%s: answered %q", line, a)
			}
		}
	}
}

// carry lets the machine carry out what it has been told, the host being alive, and gives the
// seconds that it took.
func carry(m *controller) float64 {
	before := m.doneS
	for i := 0; !m.idle() && i < 10_000_000; i++ {
		m.receive([]byte{stillHere})
		m.advance(m.now + 0.05)
	}
	return m.doneS - before
}

func TestRestToRest(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name                 string
		length, speed, accel float64 // mm, mm/s, mm/s²
		seconds, within      float64
	}{
		// A lift problem in a physics textbook (Knight): 200 m, 5.0 m/s, ±1.0 m/s² take 45.0 s; here a
		// thousandth in length, which leaves the time.
		{"lift", 200, 5, 1, 45.0, 1e-6},
		// A worked question (askanewquestion 1100560): 1100 m, ±1.2 m/s², no speed limit: 60.6 s, itself
		// rounded; 2√(d/a) = 60.553 s.
		{"no cruise", 1100, 8000, 1.2, 60.553007, 1e-4},
		{"no cruise, as printed", 1100, 8000, 1.2, 60.6, 0.05},
		// A worked question (jiskha 960998): 5 s up, 35 s level, 5 s down, 320 m: 8 m/s, 1.6 m/s².
		{"5, 35, 5 s", 320, 8, 1.6, 45, 1e-6},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			m := longTable(c.accel, c.accel, c.speed, 10)
			tell(t, m, fmt.Sprintf("G1 X%g F%g", c.length, c.speed*60))
			if got := carry(m); math.Abs(got-c.seconds) > c.within {
				t.Errorf("took %.6f s, want %.6f", got, c.seconds)
			}
			if m.carriage.at != (vec{c.length, 0}) {
				t.Errorf("ended at %v", m.carriage.at)
			}
		})
	}
}

// The values are computed from v = √(aR), R = δ·cos(φ/2)/(1 − cos(φ/2)), for a = 1000 mm/s² and
// δ = 0.015 mm; at 90° R = 2.4142 δ.
func TestCornerSpeed(t *testing.T) {
	t.Parallel()
	want := map[float64]float64{10: 62.66, 30: 20.62, 45: 13.49, 60: 9.847, 90: 6.018, 120: 3.873, 135: 3.049, 150: 2.289}
	for degrees, speed := range want {
		c := carriage{ax: 1000, ay: 1000, tolerance: 0.015}
		turn := degrees * math.Pi / 180
		a, _ := c.line(vec{}, vec{100, 0}, 500)
		b, _ := c.line(vec{100, 0}, vec{100 + 100*math.Cos(turn), 100 * math.Sin(turn)}, 500)
		c.push(a, b)
		if got := c.queue[1].entry; math.Abs(got-speed) > 0.0006*speed {
			t.Errorf("corner of %g°: %.4f mm/s, want %.4f", degrees, got, speed)
		}
	}
}

// Two legs of 50 mm at 90°, 1000 mm/s², 200 mm/s, δ 0.01 mm: 0.890294 s by the formulas of trapezoid and
// corner (0.900000 s with a full stop).
func TestTwoLegs(t *testing.T) {
	t.Parallel()
	m := longTable(1000, 1000, 200, 10)
	tell(t, m, "G1 X50 Y0 F12000", "G1 X50 Y50")
	if got := carry(m); math.Abs(got-0.890294) > 2e-6 {
		t.Errorf("took %.6f s, want 0.890294", got)
	}
	m = longTable(1000, 1000, 200, 0)
	tell(t, m, "G1 X50 Y0 F12000", "G1 X50 Y50")
	if got := carry(m); math.Abs(got-0.9) > 1e-6 {
		t.Errorf("with a full stop it took %.6f s, want 0.9", got)
	}
}

// A circle of short lines, r = 5 mm, is followed no faster than √(a·r) = 70.71 mm/s: 0.4443 s a turn.
// Between two corners the carriage gains a little, the less the shorter the lines are.
func TestCircleOfShortLines(t *testing.T) {
	t.Parallel()
	for sides, within := range map[int]float64{240: 0.01, 480: 0.005} {
		turns := func(n int) float64 {
			m := longTable(1000, 1000, 200, 10)
			var lines []string
			lines = append(lines, "G0 X100 Y100", "G1 X150 Y100 F12000")
			for i := 1; i <= n*sides; i++ {
				s, c := math.Sincos(float64(i) / float64(sides) * 2 * math.Pi)
				lines = append(lines, fmt.Sprintf("G1 X%.6f Y%.6f", 150+5*s, 105-5*c))
			}
			m.mode = resting // until all is known
			tell(t, m, append(lines, "G1 X200 Y100")...)
			m.mode = going
			return carry(m)
		}
		if got := turns(2) - turns(1); math.Abs(got-0.4443) > within*0.4443 {
			t.Errorf("%d sides: one turn took %.5f s, want 0.4443", sides, got)
		}
	}
}

func TestAxesHaveTheirOwnAcceleration(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		x, y, accel float64
	}{{100, 0, 2000}, {0, 100, 500}, {60, 80, 500 / 0.8}, {80, 6, 2000 / 0.997199}} {
		m := longTable(2000, 500, 4000, 10)
		tell(t, m, fmt.Sprintf("G0 X%g Y%g", c.x, c.y))
		want := 2 * math.Sqrt(math.Hypot(c.x, c.y)/c.accel)
		if got := carry(m); math.Abs(got-want) > 1e-5 {
			t.Errorf("to %g, %g took %.6f s, want %.6f", c.x, c.y, got, want)
		}
	}
}

// What must hold for any path: reversed it takes as long; k times longer at k times the speed and
// acceleration it takes as long; it never beats length over speed, nor is slower than with a full stop at each
// corner; and the carriage keeps to the path.
func TestPathProperties(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		at := rapid.Custom(func(t *rapid.T) vec {
			return vec{float64(rapid.IntRange(0, 2000).Draw(t, "x")), float64(rapid.IntRange(0, 2000).Draw(t, "y"))}
		})
		path := rapid.SliceOfN(at, 2, 12).Draw(t, "path")
		speed := float64(rapid.IntRange(5, 400).Draw(t, "speed"))
		accel := float64(rapid.IntRange(50, 5000).Draw(t, "accel"))
		run := func(path []vec, k float64) (seconds, length, stops float64) {
			m := longTable(accel*k, accel*k, speed*k, 20*k)
			m.carriage.at = vec{path[0].x * k, path[0].y * k}
			m.program.at = m.carriage.at
			for i, p := range path[1:] {
				tell(t, m, fmt.Sprintf("G0 X%g Y%g", p.x*k, p.y*k))
				d := math.Hypot(p.x-path[i].x, p.y-path[i].y)
				length += d
				ux, uy := math.Abs(p.x-path[i].x)/d, math.Abs(p.y-path[i].y)/d
				a := accel / max(ux, uy)
				if d == 0 {
					continue
				}
				if d > speed*speed/a {
					stops += d/speed + speed/a
				} else {
					stops += 2 * math.Sqrt(d/a)
				}
			}
			return carry(m), length, stops
		}
		seconds, length, stops := run(path, 1)
		reversed := make([]vec, len(path))
		for i, p := range path {
			reversed[len(path)-1-i] = p
		}
		back, _, _ := run(reversed, 1)
		larger, _, _ := run(path, 2)
		eps := 1e-6 * (1 + seconds)
		if math.Abs(back-seconds) > eps || math.Abs(larger-seconds) > eps {
			t.Fatalf("%g s, reversed %g s, twice as large %g s", seconds, back, larger)
		}
		if seconds < length/speed-eps || seconds > stops+eps {
			t.Fatalf("%g s over %g mm at %g mm/s; with stops %g s", seconds, length, speed, stops)
		}
	})
}

// A wait is at rest: 50 mm twice from rest to rest at 200 mm/s and 1000 mm/s² take 0.45 s each.
func TestWaitIsAtRest(t *testing.T) {
	t.Parallel()
	m := longTable(1000, 1000, 200, 10)
	tell(t, m, "G1 X50 F12000", "G4 P0.5", "G1 X100")
	if got := carry(m); math.Abs(got-1.4) > 1e-6 {
		t.Errorf("took %.6f s, want 1.4", got)
	}
}

func TestSplittingChangesNothing(t *testing.T) {
	t.Parallel()
	whole, parts := longTable(800, 600, 150, 10), longTable(800, 600, 150, 10)
	tell(t, whole, "G1 X300 Y150 F9000")
	for i := 1; i <= 30; i++ {
		tell(t, parts, fmt.Sprintf("G1 X%d Y%d F9000", 10*i, 5*i))
	}
	if a, b := carry(whole), carry(parts); math.Abs(a-b) > 1e-6 {
		t.Errorf("whole %.7f s, in 30 parts %.7f s", a, b)
	}
}

// With few lines owed the carriage never goes faster than it can come to rest within them.
func TestLookAheadEndsAtTheLastLine(t *testing.T) {
	t.Parallel()
	m := longTable(1000, 1000, 200, 10)
	m.limits.owedBytes = 0
	for i := 1; i <= mostLines; i++ {
		tell(t, m, fmt.Sprintf("G1 X%.1f F12000", float64(i)*0.1))
	}
	m.receive([]byte("G1 X50\n"))
	if len(m.answers()) != 0 {
		t.Fatalf("line %d was taken before any was carried out", mostLines+1)
	}
	m.inbox = nil
	fastest := 0.0
	for !m.idle() {
		m.advance(m.now + 0.0005)
		fastest = max(fastest, m.carriage.v)
	}
	if want := math.Sqrt(1000 * 3.2); math.Abs(fastest-want) > 0.6 || m.carriage.at != (vec{3.2, 0}) {
		t.Errorf("fastest %.2f mm/s, want %.2f; ended at %v", fastest, want, m.carriage.at)
	}
}
