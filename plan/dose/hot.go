package dose

import (
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

// MostHot bounds how many hot spots are told.
const MostHot = 200

// apartUM is how far apart two hot spots lie at least, of those that come about together.
const apartUM = 2_000

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
	x, y     int64
	micros   int64
	part     int64 // of one pass
	slow     int64 // the part of it that an even speed would not have given
	energyPJ int64
	stroke   int
}

// heat watches the last ten seconds. Its memory is what those hold: at most an entry for each quarter of a
// millimetre of the way, and the tiles around them.
type heat struct {
	passes []float64 // pJ that make one pass, by stroke
	evens  []float64 // pJ/µm at even speed, by stroke
	now    entry     // under way
	um     float64
	window []entry // oldest first, from head
	head   int
	tiles  map[[2]int64]*warm
	spots  []HotSpot
	more   int
	told   []int64 // permille of each spot when its cause was last looked for
}

// warm is a tile of discs' sums.
type warm struct {
	sums [tileSide * tileSide]int64
	live int // entries that reach into it
}

func newHeat(in Input) *heat {
	h := &heat{tiles: map[[2]int64]*warm{}, now: entry{stroke: -1}}
	for i, s := range in.Job.Strokes {
		even := float64(s.PowerPermille*in.PowerMW) / float64(max(1, s.SpeedUMPerS)) * 1e6 // pJ/µm
		proven, pitch := even, int64(0)
		if i < len(in.Works) {
			if in.Works[i].ProvenUJPerMM > 0 {
				proven = float64(in.Works[i].ProvenUJPerMM) * 1000
			}
			pitch = in.Works[i].PitchUM
		}
		pass := proven * discMM * 1000
		if pitch > 0 {
			pass = max(pass, proven/float64(pitch)*math.Pi*discMM/2*discMM/2*1e6)
		}
		h.evens, h.passes = append(h.evens, even), append(h.passes, pass)
	}
	return h
}

// add gathers energy as long as it falls into one cell of one stroke and into a tenth of a second.
func (h *heat) add(s share) {
	x, y := floor(s.at.X, fineUM), floor(s.at.Y, fineUM)
	if n := h.now; n.stroke != s.stroke || n.x != x || n.y != y || s.micros-n.micros > hotMicros/100 {
		h.flush()
		h.now, h.um = entry{x: x, y: y, micros: s.micros, stroke: s.stroke}, 0
	}
	h.now.energyPJ += s.energyPJ
	h.um += s.um
}

// flush puts what was gathered into the window.
func (h *heat) flush() {
	e := h.now
	if h.now.stroke = -1; e.stroke < 0 || e.energyPJ == 0 || h.passes[e.stroke] <= 0 {
		return
	}
	e.part = int64(float64(e.energyPJ) / h.passes[e.stroke] * onePass)
	e.slow = max(0, int64((float64(e.energyPJ)-float64(1.2*h.evens[e.stroke]*h.um))/h.passes[e.stroke]*onePass))
	for h.head < len(h.window) && h.window[h.head].micros <= e.micros-hotMicros {
		h.spread(h.window[h.head], -1)
		h.head++
	}
	if h.head > 4096 && h.head > len(h.window)/2 {
		h.window = slices.Delete(h.window, 0, h.head)
		h.head = 0
	}
	h.window = append(h.window, e)
	if x, y, most := h.spread(e, 1); most > hotPermille*(onePass/1000) {
		h.tell(x, y, most/(onePass/1000), e)
	}
}

// spread adds an entry to all discs that hold it, or takes it away, and gives the disc with most.
func (h *heat) spread(e entry, sign int64) (atX, atY, most int64) {
	for ty := floor(e.y-discCells, tileSide); ty <= floor(e.y+discCells, tileSide); ty++ {
		for tx := floor(e.x-discCells, tileSide); tx <= floor(e.x+discCells, tileSide); tx++ {
			key := [2]int64{tx, ty}
			t := h.tiles[key]
			if t == nil {
				t = new(warm)
				h.tiles[key] = t
			}
			if t.live += int(sign); t.live == 0 {
				delete(h.tiles, key)
				continue
			}
			for y := max(e.y-discCells, ty*tileSide); y <= min(e.y+discCells, ty*tileSide+tileSide-1); y++ {
				for x := max(e.x-discCells, tx*tileSide); x <= min(e.x+discCells, tx*tileSide+tileSide-1); x++ {
					if !inDisc(x-e.x, y-e.y) {
						continue
					}
					sum := &t.sums[(y-ty*tileSide)*tileSide+x-tx*tileSide]
					if *sum += sign * e.part; *sum > most {
						atX, atY, most = x, y, *sum
					}
				}
			}
		}
	}
	return atX, atY, most
}

func inDisc(dx, dy int64) bool { return dx*dx+dy*dy <= discCells*discCells }

// tell notes a hot spot, or makes one that was noted near it lately as hot as it is now.
func (h *heat) tell(x, y, permille int64, e entry) {
	place := geom.Pt(x*fineUM+fineUM/2, y*fineUM+fineUM/2)
	k := slices.IndexFunc(h.spots, func(s HotSpot) bool {
		return e.micros-s.AtMicros < hotMicros && geom.Distance(s.Place, place) < apartUM
	})
	switch {
	case k >= 0 && permille <= h.spots[k].Permille:
		return
	case k < 0 && len(h.spots) == MostHot:
		h.more++
		return
	case k < 0:
		k = len(h.spots)
		h.spots, h.told = append(h.spots, HotSpot{}), append(h.told, 0)
	}
	s := &h.spots[k]
	s.Place, s.Permille, s.AtMicros, s.Stroke = place, permille, e.micros, e.stroke
	// The window is gone through again only where a tenth has come on top.
	if permille*10 >= h.told[k]*11 || h.told[k] == 0 {
		h.told[k] = permille
		s.EnergyMJ, s.Why = h.cause(x, y)
		return
	}
	s.EnergyMJ += (e.energyPJ + 999_999_999) / 1_000_000_000
}

// cause looks at what a disc got in the window.
func (h *heat) cause(x, y int64) (mJ int64, why Why) {
	var energy, sum, slow int64
	byStroke := map[int]int64{}
	cells := map[[2]int64]int{}
	shared := false
	for _, e := range h.window[h.head:] {
		if !inDisc(e.x-x, e.y-y) {
			continue
		}
		energy, sum, slow = energy+e.energyPJ, sum+e.part, slow+e.slow
		byStroke[e.stroke] += e.part
		cell := [2]int64{e.x, e.y}
		if first, ok := cells[cell]; ok && first != e.stroke {
			shared = true
		} else if !ok {
			cells[cell] = e.stroke
		}
	}
	mJ = (energy + 999_999_999) / 1_000_000_000
	most := int64(0)
	for _, part := range byStroke {
		most = max(most, part)
	}
	switch {
	case sum-slow <= hotPermille*(onePass/1000) && slow > sum/4: // without it the place would not be hot
		return mJ, WhyDwell
	case most > sum*9/10:
		return mJ, WhySmall
	case shared:
		return mJ, WhyOverlap
	}
	return mJ, WhyNeighbours
}
