package dose

import (
	"cmp"
	"slices"

	"kerfgate/plan/geom"
)

// spot is a hot spot while it is watched.
type spot struct {
	number   int   // in the order in which they come about
	x, y     int32 // cell in the disc's middle
	permille int64 // when it was worst
	micros   int64
	stroke   int32
	until    int // number of the entry behind the one that made it worst
}

// spots gathers hot spots: those of the last ten seconds, which may still get worse, and the hottest of
// the older ones.
type spots struct {
	count int
	young []spot // by number
	last  int    // index of the one that was told last
	old   []told // at most 2·MostHot
	cool  int64  // what is less hot than this is no longer among the hottest
	swept int64  // when old ones were looked for
}

type told struct {
	HotSpot
	number int
}

// tell notes a hot spot, or makes one that was noted near it within ten seconds as hot as it is now: the
// one told last, or else the oldest.
func (s *spots) tell(now spot, h *heat) {
	if now.micros-s.swept > hotMicros/10 {
		s.retire(now.micros-hotMicros, h)
		s.swept, s.last = now.micros, len(s.young)
	}
	near := func(other spot) bool {
		dx, dy := int64(other.x-now.x), int64(other.y-now.y)
		return now.micros-other.micros < hotMicros && dx*dx+dy*dy < apartCells*apartCells
	}
	if s.last >= len(s.young) || !near(s.young[s.last]) {
		s.last = slices.IndexFunc(s.young, near)
	}
	if s.last < 0 {
		now.number, s.last = s.count, len(s.young)
		s.young = append(s.young, now)
		s.count++
	} else if other := &s.young[s.last]; now.permille > other.permille {
		now.number = other.number
		*other = now
	}
}

// retire looks into those that were worst up to a time, and keeps the hottest. When it is done makes no difference to
// what is told in the end.
func (s *spots) retire(micros int64, h *heat) {
	kept, last := s.young[:0], len(s.young)
	for i := range s.young {
		young := &s.young[i]
		if young.micros > micros {
			if i == s.last {
				last = len(kept)
			}
			kept = append(kept, *young)
			continue
		}
		if young.permille < s.cool {
			continue
		}
		mJ, why := h.cause(young)
		s.old = append(s.old, told{HotSpot{
			Place:    geom.Pt(int64(young.x)*fineUM+fineUM/2, int64(young.y)*fineUM+fineUM/2),
			EnergyMJ: mJ, Permille: young.permille, AtMicros: young.micros, Stroke: int(young.stroke), Why: why,
		}, young.number})
		if len(s.old) == 2*MostHot {
			s.drop()
		}
	}
	s.young, s.last = kept, last
}

// drop leaves the hottest, of equally hot ones the first.
func (s *spots) drop() {
	slices.SortFunc(s.old, func(a, b told) int {
		return cmp.Or(cmp.Compare(b.Permille, a.Permille), cmp.Compare(a.number, b.number))
	})
	if len(s.old) > MostHot {
		s.old = s.old[:MostHot]
		s.cool = s.old[MostHot-1].Permille
	}
}

// hottest gives the hottest in the order in which they came about, and how many more there were.
func (s *spots) hottest() (hot []HotSpot, more int) {
	s.drop()
	slices.SortFunc(s.old, func(a, b told) int { return cmp.Compare(a.number, b.number) })
	for _, t := range s.old {
		hot = append(hot, t.HotSpot)
	}
	return hot, s.count - len(hot)
}
