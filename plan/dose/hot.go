package dose

import (
	"cmp"
	"iter"
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
	discSide    = 2*discCells + 1
	discMM      = 2.0
	onePass     = 1_000_000_000 // energies are counted in billionths of one pass
)

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

// heat watches the last ten seconds, and keeps the ten before them so that a spot can still be
// looked into once it is past its worst. Its memory is what those hold: at most an entry for each quarter
// of a millimetre of the way or tenth of a second, the patches, and the tiles around those of the last ten
// seconds' entries that are summed.
type heat struct {
	passes []pass
	window []entry // oldest first; those before head are older than ten seconds
	head   int
	first  int // number of window[0], counted from the job's start
	warmth
	patches
	spots spots
}

func newHeat(passes []pass) *heat {
	return &heat{passes: passes, warmth: newWarmth(), patches: newPatches()}
}

// put puts an entry into the window, takes out what is too old, and tells where a disc is then hot.
func (h *heat) put(e *entry) {
	if !h.take(e) {
		return
	}
	x, y, most := h.hottest(e.x, e.y)
	h.spots.tell(spot{
		x: x, y: y, permille: most / (onePass / 1000), micros: e.micros, stroke: e.stroke, until: h.first + len(h.window),
	}, h)
}

// take says whether one of the discs that hold the entry's cell is hot with it.
func (h *heat) take(e *entry) (hot bool) {
	h.expire(e.micros - hotMicros)
	summed := h.enter(e)
	h.window = append(h.window, *e)
	if len(h.window) == cap(h.window) {
		h.forget(e.micros)
	}
	return summed && h.spread(e.x, e.y, e.part, 1)
}

// expire takes out what came no later than a time.
func (h *heat) expire(micros int64) {
	for h.old < len(h.stretches) {
		s, end := &h.stretches[h.old], h.end(h.old)
		for ; h.head < end && h.window[h.head].micros <= micros; h.head++ {
			if e := &h.window[h.head]; s.summed {
				h.spread(e.x, e.y, -e.part, -1)
			}
		}
		if h.head < end || h.old == len(h.stretches)-1 {
			return
		}
		h.add(s.at, -s.part)
		h.old++
	}
}

// end is where in the window a stretch ends.
func (h *heat) end(stretch int) int {
	if stretch+1 < len(h.stretches) {
		return h.stretches[stretch+1].first - h.first
	}
	return len(h.window)
}

// enter counts an entry that is put next, and says whether it has to be summed.
func (h *heat) enter(e *entry) bool {
	at := patchAt(e.x, e.y)
	if n := len(h.stretches); n == 0 || h.stretches[n-1].at != at {
		h.begin(at, h.first+len(h.window))
	}
	s := &h.stretches[len(h.stretches)-1]
	if s.part += e.part; s.part > h.room {
		for _, near := range around { // those that are half as full too, since it will be their turn soon
			if near += at; h.most[near]+s.part > stillCool/2 {
				h.sum(near)
			}
		}
		h.room, _ = h.roomAt(at)
	}
	return s.summed
}

// sum makes the sums of the discs in a patch exact.
func (h *heat) sum(at patch) {
	h.most[at] -= exact
	for _, near := range around {
		for n := h.lastIn(at + near); n >= h.old; n = h.stretches[n].before - h.gone {
			s := &h.stretches[n]
			if s.summed {
				continue
			}
			s.summed = true
			for i := max(h.head, s.first-h.first); i < h.end(n); i++ {
				e := &h.window[i]
				h.spread(e.x, e.y, e.part, 1)
			}
		}
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
	h.patches.forget(h.first)
}

// done gives the hottest spots in the order in which they came about, and how many are left off.
func (h *heat) done() ([]HotSpot, int) {
	h.spots.retire(math.MaxInt64, h)
	return h.spots.hottest()
}

// before gives the entries of a disc before the one with the number until, the last first.
func (h *heat) before(until int, x, y int32) iter.Seq[*entry] {
	return func(yield func(*entry) bool) {
		var next [len(around)]int // stretches
		for i, near := range around {
			next[i] = h.lastIn(patchAt(x, y) + near)
		}
		for {
			last := 0
			for i, n := range next {
				if n > next[last] {
					last = i
				}
			}
			n := next[last]
			if n < 0 {
				return
			}
			for i := min(h.end(n), until-h.first) - 1; i >= max(0, h.stretches[n].first-h.first); i-- {
				if e := &h.window[i]; inDisc(e.x-x, e.y-y) && !yield(e) {
					return
				}
			}
			next[last] = h.stretches[n].before - h.gone
		}
	}
}

// cause looks at what a disc got in the ten seconds before the entry with the number until.
func (h *heat) cause(s *spot) (mJ int64, why Why) {
	var energy, sum int64
	slow := 0.0
	shared := false
	type share struct {
		stroke int32
		part   int64
	}
	var strokes []share
	var cells [discSide * discSide]int32 // 1 + the stroke that burned there first
	for e := range h.before(s.until, s.x, s.y) {
		if e.micros <= s.micros-hotMicros {
			break
		}
		p := h.passes[e.stroke]
		energy, sum = energy+e.energyPJ, sum+e.part
		// What an even speed would not have given.
		slow += max(0, (float64(e.energyPJ)-float64(1.2*p.even*float64(e.um)))*p.parts)
		at := slices.IndexFunc(strokes, func(o share) bool { return o.stroke == e.stroke })
		if at < 0 {
			at, strokes = len(strokes), append(strokes, share{stroke: e.stroke})
		}
		strokes[at].part += e.part
		cell := &cells[(e.y-s.y+discCells)*discSide+e.x-s.x+discCells]
		shared = shared || *cell > 0 && *cell != e.stroke+1
		*cell = e.stroke + 1
	}
	mJ = (energy + 999_999_999) / 1_000_000_000
	most := int64(0)
	for _, o := range strokes {
		most = max(most, o.part)
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
