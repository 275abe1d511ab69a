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
	EnergyMJ int64 // rounded to whole millijoules
	EnergyPJ int64 // exact
	Strokes  []Line
	Map      *Map
	// Hot are the places where too much meets, in the order in which they come about; More is how many
	// were left off after MostHot.
	Hot     []HotSpot
	More    int
	Removed Removed
}

// Line is the dose along one stroke, in µJ/mm over pieces of about one spot's width; what is burned on the
// spot counts into the piece where it is burned. A stroke that is never on has none.
type Line struct {
	EnergyPJ                               int64
	LengthUM                               int64
	LeastUJPerMM, MeanUJPerMM, MostUJPerMM int64
}

// Of computes the dose of a job. It fails where the job is spread so widely that its map would
// exceed MostTiles.
func Of(in Input) (*Dose, error) {
	d := &Dose{Strokes: make([]Line, len(in.Job.Strokes)), Map: newMap()}
	hot := newHeat(in)
	lengths := make([]float64, len(in.Job.Strokes))
	var along pieces
	spot := float64(max(25, in.Job.SpotUM))
	if in.Job.SpotUM == 0 {
		spot = 100
	}
	var failed error
	stroke, end := -1, geom.Point{}
	finish := func() {
		if stroke >= 0 {
			along.flush(spot)
		}
	}
	for b := range in.Job.Burns() {
		if b.Stroke != stroke {
			finish()
			if stroke >= 0 {
				d.Strokes[stroke].close(along, lengths[stroke])
			}
			along = pieces{least: math.Inf(1)}
			if stroke = b.Stroke; d.Strokes[stroke].EnergyPJ > 0 {
				return nil, fmt.Errorf("stroke %d is burned twice over", stroke)
			}
		} else if b.From != end {
			finish()
		}
		end = b.To
		d.EnergyPJ += b.Permille * in.PowerMW * b.Micros
		lengths[stroke] += geom.Distance(b.From, b.To)
		lay(b, in.PowerMW, min(spot/2, mostStepUM), func(s share) bool {
			along.add(s, spot)
			if !d.Map.add(s) {
				failed = fmt.Errorf("the dose map would take more than %d tiles of %d mm", MostTiles, tileSide*CellUM/1000)
				return false
			}
			hot.add(s)
			return true
		})
		if failed != nil {
			return nil, failed
		}
	}
	if finish(); stroke >= 0 {
		d.Strokes[stroke].close(along, lengths[stroke])
	}
	hot.flush()
	d.EnergyMJ = (d.EnergyPJ + 500_000_000) / 1_000_000_000
	d.Hot, d.More = hot.spots, hot.more
	d.Removed = removed(in, lengths)
	return d, nil
}

// mostStepUM is how far apart, at most, energy is laid down: half a cell of the finest grid.
const mostStepUM = 125

// share is a bit of energy at a place.
type share struct {
	stroke   int
	at       geom.Point
	micros   int64 // when it is given
	energyPJ int64
	um       float64 // of the way
}

// lay divides a burn into steps that lie in one cell of each grid and are no longer than step, each
// with the energy of the time that the carriage takes for it.
func lay(b motion.Burn, powerMW int64, step float64, yield func(share) bool) {
	whole := b.Permille * powerMW * b.Micros
	length := geom.Distance(b.From, b.To)
	if length == 0 {
		yield(share{stroke: b.Stroke, at: b.From, micros: b.AtMicros + b.Micros/2, energyPJ: whole})
		return
	}
	seconds := float64(b.Micros) / 1e6
	accel := (b.Out - b.In) / seconds
	dx, dy := float64(b.To.X-b.From.X), float64(b.To.Y-b.From.Y)
	x, y := newGridLines(b.From.X, dx), newGridLines(b.From.Y, dy)
	even := step / length
	var given int64
	for k, at := 1, 0.0; at < 1; {
		next := min(1, float64(k)*even, x.next, y.next)
		if next >= float64(k)*even {
			k++
		}
		x.pass(next)
		y.pass(next)
		if next <= at {
			continue
		}
		until := whole
		if next < 1 {
			// The time to here: d = v·t + a·t²/2, the root that stays good when a is 0.
			d := length * next
			t := 2 * d / (b.In + math.Sqrt(max(0, float64(b.In*b.In)+float64(2*accel*d))))
			until = max(given, min(whole, int64(math.Round(float64(whole)*min(1, t/seconds)))))
		}
		middle := (at + next) / 2
		s := share{
			stroke: b.Stroke, energyPJ: until - given, um: length * (next - at),
			micros: b.AtMicros + int64(math.Round(float64(b.Micros)*float64(given/2+until/2)/float64(max(1, whole)))),
			at:     geom.Pt(int64(math.Floor(float64(b.From.X)+float64(dx*middle))), int64(math.Floor(float64(b.From.Y)+float64(dy*middle)))),
		}
		if at, given = next, until; !yield(s) {
			return
		}
	}
}

// gridLines are where a way crosses the lines of the finest grid, as shares of the way.
type gridLines struct{ next, step float64 }

func newGridLines(from int64, d float64) gridLines {
	if d == 0 {
		return gridLines{next: math.Inf(1)}
	}
	line := floor(from, fineUM) * fineUM
	if d > 0 {
		line += fineUM
	}
	return gridLines{next: float64(line-from) / d, step: math.Abs(fineUM / d)}
}

// pass goes on to the first line behind a share.
func (g *gridLines) pass(share float64) {
	for g.next <= share {
		g.next += g.step
	}
}

// pieces gathers the dose along one stroke.
type pieces struct {
	energy, um         float64 // of the piece under way
	lastEnergy, lastUM float64 // of the one before it
	total              int64
	least, most        float64
}

func (p *pieces) add(s share, spot float64) {
	p.energy, p.um, p.total = p.energy+float64(s.energyPJ), p.um+s.um, p.total+s.energyPJ
	if p.um+s.um/2 >= spot {
		p.close()
		p.lastEnergy, p.lastUM, p.energy, p.um = p.energy, p.um, 0, 0
	}
}

// close takes the piece before the one under way into account.
func (p *pieces) close() {
	if p.lastUM > 0 {
		p.least, p.most = min(p.least, p.lastEnergy/p.lastUM), max(p.most, p.lastEnergy/p.lastUM)
	}
}

// flush ends a part of the stroke: a rest of less than half a piece belongs to the piece before it.
func (p *pieces) flush(spot float64) {
	if p.um >= spot/2 {
		p.close()
		p.lastEnergy, p.lastUM = p.energy, p.um
	} else {
		p.lastEnergy, p.lastUM = p.lastEnergy+p.energy, p.lastUM+p.um
	}
	p.close()
	p.energy, p.um, p.lastEnergy, p.lastUM = 0, 0, 0, 0
}

// close sets a stroke's numbers; picojoules per micrometre are thousandths of µJ/mm.
func (l *Line) close(p pieces, um float64) {
	l.EnergyPJ, l.LengthUM = p.total, int64(math.Round(um))
	if um > 0 && p.most > 0 {
		l.LeastUJPerMM, l.MostUJPerMM = int64(math.Round(p.least/1000)), int64(math.Round(p.most/1000))
		l.MeanUJPerMM = int64(math.Round(float64(p.total) / um / 1000))
	}
}
