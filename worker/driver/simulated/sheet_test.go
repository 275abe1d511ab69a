package simulated

import (
	"bytes"
	"fmt"
	"image/png"
	"math"
	"testing"

	"kerfgate/plan/geom"
)

func total(s *sheet) float64 {
	sum := 0.0
	for _, t := range s.tiles {
		for _, v := range t {
			sum += float64(v)
		}
	}
	return sum
}

func TestEnergyIsPowerTimesTime(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name  string
		lines []string
		mJ    float64
	}{
		// 5 W over 100 mm at 100 mm/s with 0.1 s to get there and 0.1 s to rest: 1.1 s.
		{"full", []string{"M3 S1000", "G1 X100 F6000", "M5"}, 5500},
		{"half", []string{"M3 S500", "G1 X100 F6000", "M5"}, 2750},
		// 1.1 s in one line, tool off, then standing for 0.25 s.
		{"standing", []string{"G1 X100 F6000", "M3 S1000", "G4 P0.25", "M5"}, 1250},
		// Power may change on the way.
		{"two powers", []string{"M3 S1000", "G4 P0.5", "M3 S100", "G4 P0.5", "M5"}, 2750},
		{"none", []string{"M3 S0", "G1 X100 F6000", "M5"}, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			m := longTable(1000, 1000, 200, 10)
			tell(t, m, c.lines...)
			carry(m)
			if got := m.sheet.energyMJ; math.Abs(got-c.mJ) > 1e-6*c.mJ+1e-9 {
				t.Errorf("energy %.6f mJ, want %g", got, c.mJ)
			}
			if got := total(m.sheet); math.Abs(got-c.mJ) > 1e-4*c.mJ {
				t.Errorf("the grid holds %.6f mJ, want %g", got, c.mJ)
			}
		})
	}
}

// Line dose is P/v: 10 W at 100 mm/s gives 0.1 J/mm, 25 mJ in a quarter-millimetre cell.
func TestDoseOfALine(t *testing.T) {
	t.Parallel()
	m := longTable(1000, 1000, 200, 10)
	m.supply.fullMW = 10_000
	tell(t, m, "M3 S0", "G1 X20 Y0.1 F6000", "G1 X80 Y0.1 S1000", "G1 X100 Y0.1 S0", "M5")
	carry(m)
	if s := m.sheet; math.Abs(s.lengthMM-60) > 1e-6 || math.Abs(s.energyMJ-6000) > 1e-3 {
		t.Errorf("burned %g mm with %g mJ, want 60 and 6000", s.lengthMM, s.energyMJ)
	}
	row := m.sheet.tiles[[2]int64{3, 0}]
	for x := range tileSide {
		if got := float64(row[x]); math.Abs(got-25) > 25.0/4 {
			t.Fatalf("cell %d has %g mJ, want 25", x, got)
		}
	}
}

func TestSlowSwitchBurnsLate(t *testing.T) {
	t.Parallel()
	p := slowSwitch(50, 80)
	p.Tools[0].Switch.InMotion = true
	m := longTable(1000, 1000, 200, 10)
	m.fit(p.Tools[0])
	// At 100 mm/s the line begins 5 mm late and ends 8 mm late.
	tell(t, m, "M3 S0", "G1 X20 F6000", "G1 X60 S1000", "G1 X90 S0", "M5")
	carry(m)
	want := []geom.Point{geom.Pt(25_000, 0), geom.Pt(60_000, 0), geom.Pt(68_000, 0)}
	if got := m.sheet.lines; len(got) != 1 || fmt.Sprint(got[0]) != fmt.Sprint(want) {
		t.Errorf("burned %v, want %v", got, want)
	}
	if math.Abs(m.sheet.lengthMM-43) > 1e-6 {
		t.Errorf("burned %g mm, want 43", m.sheet.lengthMM)
	}
}

// A stop with a slow switch: the carriage goes on along the path until the beam is off, and leaves
// no spot where it dwelt; slowing down at once would have left one.
func TestStopLeavesNoSpot(t *testing.T) {
	t.Parallel()
	p := slowSwitch(0, 200)
	p.Tools[0].Switch.InMotion = true
	m := longTable(1000, 1000, 200, 10)
	m.fit(p.Tools[0])
	tell(t, m, "M3 S0", "G1 X20 F6000", "G1 X50 S1000", "G1 X50 Y100")
	for m.carriage.at.x < 40 {
		m.advance(m.now + 0.001)
	}
	from, begun := m.carriage.at.x, m.now
	m.receive([]byte{letStop})
	for m.mode != resting {
		m.advance(m.now + 0.001)
	}
	if got := m.supply.changed - begun; math.Abs(got-0.2) > 1e-6 {
		t.Errorf("beam off after %g s, want 0.2", got)
	}
	last := m.sheet.lines[0][len(m.sheet.lines[0])-1]
	if from < 40 || last.X != 50_000 || last.Y <= 0 {
		t.Errorf("stopped at x = %g mm; the beam went off at %v, not around the corner of its path", from, last)
	}
	if m.carriage.at.y <= mm(last.Y) {
		t.Errorf("the carriage rests at %v, before the beam was off", m.carriage.at)
	}
	// Cruising gives 12.5 mJ a cell; the corner, planned before the stop, is the slowest place.
	most, at := m.sheet.peak()
	if d := at.Sub(geom.Pt(50_000, 0)); max(d.X, -d.X) > 300 || max(d.Y, -d.Y) > 300 {
		t.Errorf("most dose, %g mJ, lies at %v and not in the corner", most, at)
	}
	end := last.Sub(m.sheet.box.Min)
	x, y := end.X/cellUM, end.Y/cellUM
	tl := m.sheet.tiles[[2]int64{x / tileSide, y / tileSide}]
	if got := tl[y%tileSide*tileSide+x%tileSide]; got > 12.5*4 {
		t.Errorf("%g mJ where the beam went off", got)
	}
}

func TestPolylinesAreTheCommandedLines(t *testing.T) {
	t.Parallel()
	m := longTable(700, 900, 120, 15)
	var want []geom.Point
	tell(t, m, "G21 G90", "G0 X110 Y100", "M3 S300")
	for i := range 400 {
		s, c := math.Sincos(float64(i) / 40)
		r := 10 + float64(i)/20
		p := geom.Pt(int64(math.Round((100+r*c)*1000)), int64(math.Round((100+r*s)*1000)))
		want = append(want, p)
		if i == 0 {
			continue
		}
		tell(t, m, fmt.Sprintf("G1 X%.3f Y%.3f F7200", mm(p.X), mm(p.Y)))
	}
	tell(t, m, "M5", "M2")
	carry(m)
	if got := m.sheet.lines; len(got) != 1 || fmt.Sprint(got[0]) != fmt.Sprint(want) {
		t.Errorf("burned lines differ from those commanded")
	}
}

func TestPicture(t *testing.T) {
	t.Parallel()
	m := longTable(1000, 1000, 200, 10)
	m.sheet = newSheet(geom.Box{Max: geom.Pt(600_000, 400_000)}, false)
	tell(t, m, "G0 X100 Y50", "M3 S1000", "G1 X200 Y50 F1200", "M5")
	for i := range 300 { // a field of plant labels
		x, y := float64(i%20)*28+20, float64(i/20)*22+70
		tell(t, m, fmt.Sprintf("G0 X%g Y%g", x, y), "M3 S600", fmt.Sprintf("G1 X%g F6000", x+22),
			fmt.Sprintf("G1 Y%g", y+15), fmt.Sprintf("G1 X%g Y%g", x, y), "M5")
	}
	carry(m)
	data, err := m.sheet.draw(geom.Box{})
	if err != nil {
		t.Fatal(err)
	}
	again, err := m.sheet.copy().draw(geom.Box{})
	if err != nil || !bytes.Equal(data, again) {
		t.Errorf("two pictures of one sheet differ")
	}
	if len(data) > 300_000 {
		t.Errorf("the picture has %d bytes", len(data))
	}
	img, err := png.Decode(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	if b := img.Bounds(); b.Dx() != 1201 || b.Dy() != 801 { // 2 cells, half a millimetre, a pixel
		t.Errorf("the picture is %v", b)
	}
	grey := func(x, y int) uint32 { r, g, b, _ := img.At(x, y).RGBA(); return (r + g + b) / 3 >> 8 }
	if burned, paper := grey(300, 800-100), grey(300, 800-40); burned > 80 || paper < 230 {
		t.Errorf("burned line is %d, paper %d", burned, paper)
	}
	part, err := m.sheet.draw(geom.Box{Min: geom.Pt(90_000, 40_000), Max: geom.Pt(210_000, 60_000)})
	if err != nil {
		t.Fatal(err)
	}
	if img, err = png.Decode(bytes.NewReader(part)); err != nil || img.Bounds().Dx() != 481 {
		t.Fatalf("cropped: %v, %v", img.Bounds(), err)
	}
	if burned := grey(240, 80-40); burned > 80 {
		t.Errorf("cropped, the burned line is %d", burned)
	}
}
