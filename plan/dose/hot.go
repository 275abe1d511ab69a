package dose

import (
	"cmp"
	"math"
	"slices"

	"kerfgate/plan/geom"
)

// The rule (own, with the air and fire rules): a place is hot where, within ten seconds, a disc of 2 mm
// across gets more than two and a half times what one proven pass puts there: line dose × 2 mm, or for
// an area, area dose × π mm².
const (
	hotPermille = 2_500
	hotMicros   = 10_000_000
	fineUM      = 250 // side of a cell; a disc is the cells whose middles lie within 1 mm of its own
	discCells   = 4
	discMM      = 2.0
	onePass     = 1_000_000_000 // energies are counted in billionths of one pass
)

// entryMicros is how much time one entry of the window holds at most.
const entryMicros = hotMicros / 100

// MostHot bounds how many hot spots are told.
const MostHot = 200

// apartCells is how far apart two hot spots lie at least, of those that come about together: 2 mm.
const apartCells = 8

// HotSpot is a place where too much energy meets in too short a time.
type HotSpot struct {
	Place    geom.Point // middle of the disc, in the strokes' coordinates
	EnergyMJ int64      // what the disc gets within ten seconds, rounded up
	Permille int64      // of one proven pass
	AtMicros int64      // when it is worst, from the job's first line
	Stroke   int        // the stroke under way then
	Why      Why
}

// Why is the main cause of a hot spot.
type Why string

// Causes of hot spots.
const (
	WhyDwell      Why = "the beam stands or is slow here"
	WhyOverlap    Why = "lines are burned over each other within seconds"
	WhySmall      Why = "one line comes back to the same place within seconds"
	WhyNeighbours Why = "lines beside each other are burned within seconds"
)

// entry is what one cell got at one time.
type entry struct {
	micros   int64
	part     int64 // of one pass
	energyPJ int64
	x, y     int32
	stroke   int32
	um       float32 // of the way
}

// heat watches the last ten seconds, and keeps the ten before them so that a spot can still be
// looked into once it is past its worst. Its memory is what those hold: at most an entry for each quarter
// of a millimetre of the way or tenth of a second, and the tiles around the last ten seconds' ones.
type heat struct {
	passes []pass
	now    entry // under way; no energy where there is none
	um     float64
	lasts  int64
	window []entry // oldest first; those before head are older than ten seconds
	head   int
	first  int // number of window[0], counted from the job's start
	warmth
	spots spots
}

// pass is what a stroke's energies are measured by.
type pass struct {
	parts float64 // billionths of one pass in a pJ; 0 where a pass has no energy
	even  float64 // pJ/µm at even speed
}

func newHeat(in Input) *heat {
	h := &heat{warmth: newWarmth(), passes: make([]pass, len(in.Job.Strokes))}
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
		h.passes[i].even = even
		if whole > 0 {
			h.passes[i].parts = onePass / whole
		}
	}
	return h
}

// add gathers energy as long as it falls into one cell of one stroke and into a tenth of a second.
func (h *heat) add(s *share) {
	n := &h.now
	if n.energyPJ == 0 || n.x != s.x || n.y != s.y || n.stroke != s.stroke || s.micros+s.lasts-n.micros > entryMicros {
		h.flush()
		n.x, n.y, n.stroke, n.micros = s.x, s.y, s.stroke, s.micros
		n.energyPJ, h.um, h.lasts = s.energyPJ, s.um, s.lasts
		return
	}
	n.energyPJ += s.energyPJ
	h.um += s.um
	h.lasts = s.micros + s.lasts - n.micros
}

// flush puts what was gathered into the window, what took long in parts.
func (h *heat) flush() {
	if h.now.energyPJ == 0 {
		return
	}
	e := &h.now
	parts := h.passes[e.stroke].parts
	if parts == 0 {
		return
	}
	e.um = float32(h.um)
	if h.lasts > entryMicros {
		n := (h.lasts + entryMicros - 1) / entryMicros
		first, energy, begin := *e, e.energyPJ, e.micros
		first.energyPJ, first.um = energy/n, float32(h.um/float64(n))
		first.part = int64(float64(first.energyPJ) * parts)
		for i := range n - 1 {
			first.micros = begin + h.lasts*i/n
			h.put(&first)
		}
		e.micros, e.um, e.energyPJ = begin+h.lasts*(n-1)/n, first.um, energy-first.energyPJ*(n-1)
	}
	e.part = int64(float64(e.energyPJ) * parts)
	h.put(e)
	e.energyPJ = 0
}

// put puts an entry into the window and takes out what is too old.
func (h *heat) put(e *entry) {
	for h.head < len(h.window) && h.window[h.head].micros <= e.micros-hotMicros {
		old := &h.window[h.head]
		h.spread(old.x, old.y, -old.part, -1)
		h.head++
	}
	h.window = append(h.window, *e)
	if len(h.window) == cap(h.window) {
		h.forget(e.micros)
	}
	if h.spread(e.x, e.y, e.part, 1) {
		x, y, most := h.hottest(e.x, e.y)
		h.spots.tell(spot{
			x: x, y: y, permille: most / (onePass / 1000), micros: e.micros, stroke: e.stroke, until: h.first + len(h.window),
		}, h)
	}
}

// forget drops what nobody will look at again.
func (h *heat) forget(now int64) {
	h.spots.retire(now-hotMicros, h)
	old, _ := slices.BinarySearchFunc(h.window[:h.head], now-2*hotMicros, func(e entry, t int64) int { return cmp.Compare(e.micros, t) })
	if old < len(h.window)/2 {
		return // soon again, when it has grown
	}
	h.first, h.head = h.first+old, h.head-old
	h.window = append(h.window[:0], h.window[old:]...)
}

// done gives the hottest spots in the order in which they came about, and how many are left off.
func (h *heat) done() ([]HotSpot, int) {
	h.flush()
	h.spots.retire(math.MaxInt64, h)
	return h.spots.hottest()
}

// cause looks at what a disc got in the ten seconds before the entry with the number until.
func (h *heat) cause(s *spot) (mJ int64, why Why) {
	var energy, sum int64
	slow := 0.0
	shared := false
	byStroke, cells := map[int32]int64{}, map[[2]int32]int32{}
	for i := s.until - h.first - 1; i >= 0 && h.window[i].micros > s.micros-hotMicros; i-- {
		e := &h.window[i]
		if !inDisc(e.x-s.x, e.y-s.y) {
			continue
		}
		p := h.passes[e.stroke]
		energy, sum = energy+e.energyPJ, sum+e.part
		// What an even speed would not have given.
		slow += max(0, (float64(e.energyPJ)-float64(1.2*p.even*float64(e.um)))*p.parts)
		byStroke[e.stroke] += e.part
		cell := [2]int32{e.x, e.y}
		if other, ok := cells[cell]; ok && other != e.stroke {
			shared = true
		}
		cells[cell] = e.stroke
	}
	mJ = (energy + 999_999_999) / 1_000_000_000
	most := int64(0)
	for _, part := range byStroke {
		most = max(most, part)
	}
	switch {
	case float64(sum)-slow <= stillCool && slow > float64(sum)/4: // without it the place would not be hot
		return mJ, WhyDwell
	case most > sum*9/10:
		return mJ, WhySmall
	case shared:
		return mJ, WhyOverlap
	}
	return mJ, WhyNeighbours
}
