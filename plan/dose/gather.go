package dose

import "math"

// entryMicros is how much time one entry holds at most.
const entryMicros = hotMicros / 100

// entry is what one cell got at one time.
type entry struct {
	micros   int64
	part     int64 // of one pass
	energyPJ int64
	x, y     int32
	stroke   int32
	um       float32 // of the way
}

// pass is what a stroke's energies are measured by.
type pass struct {
	parts float64 // billionths of one pass in a pJ; 0 where a pass has no energy
	even  float64 // pJ/µm at even speed
}

// passesOf gives the pass of each stroke.
func passesOf(in Input) []pass {
	passes := make([]pass, len(in.Job.Strokes))
	for i, s := range in.Job.Strokes {
		even := float64(s.PowerPermille*in.PowerMW) / float64(max(1, s.SpeedUMPerS)) * 1e6 // pJ/µm
		proven, pitch := even, int64(0)
		if i < len(in.Works) {
			if in.Works[i].ProvenUJPerMM > 0 {
				proven = float64(in.Works[i].ProvenUJPerMM) * 1000
			}
			pitch = in.Works[i].PitchUM
		}
		whole := proven * discMM * 1000
		if pitch > 0 {
			whole = max(whole, proven/float64(pitch)*math.Pi*discMM/2*discMM/2*1e6)
		}
		passes[i].even = even
		if whole > 0 {
			passes[i].parts = onePass / whole
		}
	}
	return passes
}

// gathering makes entries of shares.
type gathering struct {
	passes []pass
	to     *feed
	now    entry // under way; no energy where there is none
	um     float64
	lasts  int64
}

// add gathers energy as long as it falls into one cell of one stroke and into a tenth of a second.
func (g *gathering) add(s *share) {
	n := &g.now
	if n.energyPJ == 0 || n.x != s.x || n.y != s.y || n.stroke != s.stroke || s.micros+s.lasts-n.micros > entryMicros {
		g.flush()
		n.x, n.y, n.stroke, n.micros = s.x, s.y, s.stroke, s.micros
		n.energyPJ, g.um, g.lasts = s.energyPJ, s.um, s.lasts
		return
	}
	n.energyPJ += s.energyPJ
	g.um += s.um
	g.lasts = s.micros + s.lasts - n.micros
}

// flush hands over what was gathered, what took long in parts.
func (g *gathering) flush() {
	if g.now.energyPJ == 0 {
		return
	}
	e := &g.now
	parts := g.passes[e.stroke].parts
	if parts == 0 {
		return
	}
	e.um = float32(g.um)
	if g.lasts > entryMicros {
		n := (g.lasts + entryMicros - 1) / entryMicros
		first, energy, begin := *e, e.energyPJ, e.micros
		first.energyPJ, first.um = energy/n, float32(g.um/float64(n))
		first.part = int64(float64(first.energyPJ) * parts)
		for i := range n - 1 {
			first.micros = begin + g.lasts*i/n
			*g.to.next() = first
		}
		e.micros, e.um, e.energyPJ = begin+g.lasts*(n-1)/n, first.um, energy-first.energyPJ*(n-1)
	}
	e.part = int64(float64(e.energyPJ) * parts)
	*g.to.next() = *e
	e.energyPJ = 0
}

// close hands over the rest and waits until all is taken.
func (g *gathering) close() {
	g.flush()
	g.to.close()
}
