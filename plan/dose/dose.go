// Package dose says how much energy a plan's beam puts where: along each stroke, on each spot of the
// sheet, and where so much of it meets in so short a time that the material may catch fire; and how much
// material goes into the air.
//
// Energies are whole picojoules inside (milliwatts × microseconds × thousandths of power), so that sums
// are exact whatever their order. The beam is taken to lie on the middle of its line: heat that
// spreads sideways is not modelled. Times are those that package motion plans.
package dose

import (
	"fmt"
	"math"

	"kerfgate/plan/geom"
	"kerfgate/plan/motion"
)

// Input is what a dose depends on.
type Input struct {
	Job     motion.Job
	PowerMW int64 // of the tool at full power
	// Works says what each of the job's strokes does; a missing one is a line that removes nothing.
	Works []Work
	Sheet Sheet
}

// Work is what one stroke does to the material.
type Work struct {
	// PitchUM is how far apart the lines of an area lie; 0 = a line of its own.
	PitchUM int64
	// ProvenUJPerMM is the line dose (µJ/mm) that the material is known to take in one pass; 0 = the
	// stroke's own power over speed.
	ProvenUJPerMM int64
	// KerfUM and DepthUM are the width and depth that a line takes away; an area takes away its pitch.
	KerfUM, DepthUM int64
	// UJPerMM3 is the energy that takes away a cubic millimetre, of a stroke whose depth nobody knows; 0 =
	// not known, and then it takes nothing away that is counted.
	UJPerMM3 float64
	// Again: the stroke goes over a line that was counted already and takes nothing more away.
	Again bool
}

// Sheet is what material is removed from.
type Sheet struct {
	ThicknessUM    int64
	GrammageGPerM2 int64
	DensityKgPerM3 int64 // 0 = grammage over thickness
}

// Dose is the result.
type Dose struct {
	Totals   motion.Totals // of the job, from the same walk over it
	EnergyMJ int64         // rounded to whole millijoules
	EnergyPJ int64         // exact
	Strokes  []Line
	Map      *Map
	// Hot are the places where too much meets, the hottest MostHot of them, in the order in which they
	// come about; More is how many were left off.
	Hot     []HotSpot
	More    int
	Removed Removed
}

// Line is the dose along one stroke, in µJ/mm over pieces of one spot's width; what is burned on the
// spot counts into the piece where it is burned. A stroke that is never on has none.
type Line struct {
	EnergyPJ                               int64
	LengthUM                               int64
	LeastUJPerMM, MeanUJPerMM, MostUJPerMM int64
}

// Of computes the dose of a job. It fails where the job is spread so widely that its map would
// exceed MostTiles.
func Of(in Input) (*Dose, error) {
	t := &tally{
		powerMW: in.PowerMW, stroke: -1, lengths: make([]float64, len(in.Job.Strokes)),
		dose: &Dose{Strokes: make([]Line, len(in.Job.Strokes)), Map: newMap()},
	}
	if t.spot = float64(max(25, in.Job.SpotUM)); in.Job.SpotUM == 0 {
		t.spot = 100
	}
	d := t.dose
	passes := passesOf(in)
	hot := newHeat(passes)
	t.hot = gathering{passes: passes, to: newFeed(hot)}
	d.Totals = in.Job.Follow(t.burn)
	t.hot.close()
	if t.full {
		return nil, fmt.Errorf("the dose map would take more than %d tiles of %d mm", MostTiles, tileSide*CellUM/1000)
	}
	t.close()
	d.EnergyMJ = (d.EnergyPJ + 500_000_000) / 1_000_000_000
	d.Hot, d.More = hot.done()
	d.Removed = removed(in, d.Strokes, t.lengths)
	return d, nil
}

// tally adds up the burns of a job.
type tally struct {
	dose    *Dose
	hot     gathering
	powerMW int64
	spot    float64   // µm
	lengths []float64 // µm with the beam on, by stroke
	stroke  int       // under way; −1 before the first
	end     geom.Point
	along   pieces
	full    bool // the map has no room
}

// burn adds one burn, and says whether there was room for it.
func (t *tally) burn(b motion.Burn) bool {
	if b.Stroke != t.stroke {
		t.close()
		t.stroke, t.along = b.Stroke, pieces{spot: t.spot, least: math.Inf(1)}
	} else if b.From != t.end {
		t.along.flush()
	}
	t.end = b.To
	whole, length := b.Permille*t.powerMW*b.Micros, geom.Distance(b.From, b.To)
	t.dose.EnergyPJ += whole
	t.dose.Strokes[b.Stroke].EnergyPJ += whole
	t.lengths[b.Stroke] += length
	course := courseOf(b)
	t.along.add(course, float64(whole), length)
	return t.lay(b, course, whole, length)
}

// close ends the stroke under way.
func (t *tally) close() {
	if t.stroke < 0 {
		return
	}
	t.along.flush()
	t.dose.Strokes[t.stroke].close(t.along, t.lengths[t.stroke])
}

// lay divides a burn where it goes from one cell of the finest grid to the next, each part with the
// energy of the time that the carriage takes for it. Of a way along a grid line the upper or right cell
// gets all.
func (t *tally) lay(b motion.Burn, course course, whole int64, length float64) bool {
	x, y := newLane(b.From.X, b.To.X), newLane(b.From.Y, b.To.Y)
	s := share{stroke: int32(b.Stroke)}
	at, given, begun := 0.0, int64(0), int64(0) // of way, of energy, of time
	for {
		next := x.next
		if y.next < next {
			next = y.next
		}
		until, passed := whole, b.Micros
		if next < 1 {
			time := course.time(next)
			until = max(given, min(whole, int64(float64(float64(whole)*time)+0.5)))
			passed = int64(float64(float64(b.Micros)*time) + 0.5)
		} else {
			next = 1
		}
		if s.energyPJ = until - given; s.energyPJ > 0 {
			s.x, s.y, s.um = x.cell, y.cell, length*(next-at)
			s.micros, s.lasts = b.AtMicros+begun, passed-begun
			if !t.dose.Map.add(&s) {
				t.full = true
				return false
			}
			t.hot.add(&s)
		}
		if next >= 1 {
			return true
		}
		at, given, begun = next, until, passed
		if x.next <= next {
			x.pass()
		}
		if y.next <= next {
			y.pass()
		}
	}
}

// share is the energy that one cell of the finest grid gets at a time.
type share struct {
	stroke        int32
	x, y          int32 // the cell
	micros, lasts int64
	energyPJ      int64
	um            float64 // of the way
}

// lane is the row or column of cells that a way is in, and where it leaves it.
type lane struct {
	cell int32
	step int32   // to the next one: +1 or −1
	line int64   // µm from where the way begins to where it leaves the cell
	all  float64 // µm of the whole way
	next float64 // the share of the way at which it leaves; infinite where never
}

func newLane(from, to int64) lane {
	cell := geom.FloorDiv(from, fineUM)
	line := cell * fineUM // at or below
	l := lane{all: float64(to - from), next: math.Inf(1)}
	switch {
	case to > from:
		l.step, l.line = 1, line+fineUM-from
	case to < from && line == from: // a way down from a grid line is below it
		cell--
		l.step, l.line = -1, -fineUM
	case to < from:
		l.step, l.line = -1, line-from
	}
	l.cell = int32(cell)
	if l.step != 0 {
		l.next = float64(l.line) / l.all
	}
	return l
}

// pass goes on to the next cell.
func (l *lane) pass() {
	l.cell += l.step
	l.line += int64(l.step) * fineUM
	l.next = float64(l.line) / l.all
}

// course says when the carriage is where along a burn whose speed changes evenly in time, both as
// shares of the whole. With the speeds u and w at its ends the share of the way after the share s of the
// time is (2us + (w−u)s²)/(u+w); time is its inverse, in the form that stays good where u = w.
type course struct {
	even             bool
	first, sum, rise float64 // u, u+w, w²−u²
}

func courseOf(b motion.Burn) course {
	c := course{first: b.In, sum: b.In + b.Out, rise: float64((b.Out - b.In) * (b.Out + b.In))}
	c.even = b.In == b.Out || c.sum <= 0
	return c
}

// time is the share of the time after which a share of the way is done.
func (c *course) time(way float64) float64 {
	if c.even {
		return way
	}
	root := math.Sqrt(max(0, float64(c.first*c.first)+float64(c.rise*way)))
	return min(1, float64(way*c.sum)/(c.first+root))
}

// close sets a stroke's numbers; picojoules per micrometre are thousandths of µJ/mm.
func (l *Line) close(p pieces, um float64) {
	l.LengthUM = int64(math.Round(um))
	if um > 0 && p.most > 0 {
		l.LeastUJPerMM, l.MostUJPerMM = int64(math.Round(p.least/1000)), int64(math.Round(p.most/1000))
		l.MeanUJPerMM = int64(math.Round(float64(l.EnergyPJ) / um / 1000))
	}
}
