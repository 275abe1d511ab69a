package motion

import (
	"iter"
	"math"
	"testing"

	"kerfgate/plan/geom"
)

// cornered is a zigzag and a curve of short lines, driven at 60 mm/s on a machine of 1 m/s² that
// passes a right angle at about 5 mm/s.
func cornered() Job {
	points := []geom.Point{{}, geom.Pt(40_000, 0), geom.Pt(40_000, 30_000), geom.Pt(10_000, 30_000), geom.Pt(30_000, 5_000)}
	for i := range 200 {
		s, c := math.Sincos(float64(i) / 200 * 2 * math.Pi)
		points = append(points, geom.Pt(60_000-int64(math.Round(6_000*c)), 10_000+int64(math.Round(6_000*s))))
	}
	return Job{Limits: square, InMotion: true, Levels: true, SpotUM: 150, WorkUMPerS: 200_000,
		Strokes: []Stroke{{Points: points, SpeedUMPerS: 60_000, PowerPermille: 900}}}
}

// burns are the job's parts with the tool on.
func burns(j Job) iter.Seq[Burn] {
	return func(yield func(Burn) bool) { j.Follow(yield) }
}

// doses are power over speed in each piece of one spot's width along a job's strokes, as a share of
// what is meant.
func doses(j Job, widthUM float64) []float64 {
	s := j.Strokes[0]
	meant := float64(s.PowerPermille) / float64(s.SpeedUMPerS)
	var out []float64
	var energy, length float64
	for b := range burns(j) {
		n := 1 + int(b.In+b.Out)*int(b.Micros)/10_000_000 // steps of some 5 µm
		dt := float64(b.Micros) / 1e6 / float64(n)
		for k := range n {
			v := b.In + (b.Out-b.In)*(float64(k)+0.5)/float64(n)
			energy += float64(b.Permille) * dt
			if length += v * dt; length >= widthUM {
				out = append(out, energy/length/meant)
				energy, length = 0, 0
			}
		}
	}
	return out
}

// TestDoseIsKept: P/v within any 0.15 mm (one spot) stays within a tenth of what was asked for, from
// the first to the last, though the speed changes twelvefold; with even power it does not.
func TestDoseIsKept(t *testing.T) {
	t.Parallel()
	spread := func(j Job) (least, most float64) {
		least, most = math.Inf(1), 0
		for _, d := range doses(j, 150) {
			least, most = min(least, d), max(most, d)
		}
		return least, most
	}
	j := cornered()
	least, most := spread(j)
	t.Logf("dose %.3f to %.3f of what is meant, %d lines", least, most, count(j))
	if least < 0.9 || most > 1.1 {
		t.Errorf("dose %.3f to %.3f of what is meant", least, most)
	}
	// A quicker machine changes its speed by more in the 4 ms that a line lasts at least.
	quick := cornered()
	quick.Limits = Limits{TravelUMPerS: 300_000, AccelXUMPerS2: 3_000_000, AccelYUMPerS2: 3_000_000, CornerUM: 30}
	quick.Strokes[0].SpeedUMPerS, quick.SpotUM = 200_000, 200
	least, most = spread(quick)
	t.Logf("quick: dose %.3f to %.3f of what is meant, %d lines", least, most, count(quick))
	if least < 0.6 || most > 1.4 {
		t.Errorf("quick: dose %.3f to %.3f of what is meant", least, most)
	}
	j.Levels = false
	if _, most := spread(j); most < 3 {
		t.Errorf("with even power the dose should rise where the carriage is slow: %.3f", most)
	}
	// A beam that works evenly from a tenth of its power on is held there, and no lower.
	j.Levels, j.LeastPermille = true, 300
	for b := range burns(j) {
		if b.Permille < 300 {
			t.Fatalf("power %d", b.Permille)
		}
	}
	if _, most := spread(j); most < 1.5 {
		t.Errorf("held at a third of its power the dose should rise: %.3f", most)
	}
}

func count(j Job) (n int) {
	for range Lines(j) {
		n++
	}
	return n
}

// TestBlocksKeepTheDose: each line's power is P/v times its own mean speed, to half a thousandth of full power.
func TestBlocksKeepTheDose(t *testing.T) {
	t.Parallel()
	j := cornered()
	s := j.Strokes[0]
	j.events(func(e event) bool {
		if e.kind != working {
			return true
		}
		c := e.course
		j.blocks(c, e.orders, e.power, func(b block) bool {
			if b.level == 0 {
				return true
			}
			mean := (c.reached(b.to) - c.reached(b.from)) / float64(b.to-b.from) * 1e6
			if want := float64(s.PowerPermille) * mean / float64(s.SpeedUMPerS); math.Abs(float64(b.level)-max(1, want)) > 0.51 {
				t.Errorf("level %d at %.0f µm/s, want %.2f", b.level, mean, want)
			}
			return true
		})
		return true
	})
}
