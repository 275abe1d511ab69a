package kerf

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"

	"kerfgate/plan/geom"
)

// TabRule says which bridges hold a piece in the sheet. Either Count or SpacingUM is given.
type TabRule struct {
	Count     int   // bridges along a contour
	SpacingUM int64 // at most this far from one middle to the next, along the contour
	WidthUM   int64 // of a bridge, along the contour
	// StraightUM is how far a stretch may leave a straight line and still count as straight; that of
	// the planner's flattening. Less than 1 counts as 1.
	StraightUM int64
}

// MostTabs bounds the bridges of one contour.
const MostTabs = 1000

// ErrNoStraight says that a contour has no straight stretch three bridges long.
var ErrNoStraight = errors.New("no straight stretch is long enough for a holding tab")

// Tabs places holding tabs along a closed contour: spans, in running order, where the tool stays off.
// They lie on straight stretches only, at least their own width away from every corner and from the
// first point, where the cut begins, and at least their own width apart; within that they are spread
// as evenly as can be. Fewer spans than wanted mean that the rest found no room; none at all is
// ErrNoStraight. The same contour gives the same tabs on every target.
func Tabs(contour []geom.Point, rule TabRule) ([]geom.Span, error) {
	length := geom.Length(contour)
	wanted := rule.Count
	switch {
	case rule.WidthUM < 1:
		return nil, fmt.Errorf("a holding tab is %d µm wide; enter 1 or more", rule.WidthUM)
	case rule.Count < 0 || rule.SpacingUM < 0 || (rule.Count > 0) == (rule.SpacingUM > 0):
		return nil, errors.New("enter either how many holding tabs a contour gets or how far apart they are")
	case rule.SpacingUM > 0:
		wanted = int(min(MostTabs+1, (length+rule.SpacingUM-1)/rule.SpacingUM))
	}
	if wanted > MostTabs {
		return nil, fmt.Errorf("a contour would get more than %d holding tabs; enter fewer or a wider spacing", MostTabs)
	}
	room := middles(contour, rule.WidthUM, max(1, rule.StraightUM))
	if len(room) == 0 {
		return nil, ErrNoStraight
	}
	const phases = 16
	var best []int64
	var least int64
	for phase := range int64(phases) {
		placed, moved := spread(room, length, wanted, rule.WidthUM, phase, phases)
		if phase == 0 || len(placed) > len(best) || len(placed) == len(best) && moved < least {
			best, least = placed, moved
		}
	}
	spans := make([]geom.Span, len(best))
	for i, m := range best {
		from := m - rule.WidthUM/2
		spans[i] = geom.Span{From: from, To: from + rule.WidthUM}
	}
	return spans, nil
}

// middles gives where the middle of a tab may lie: the parts of each straight stretch that are one
// and a half widths from its ends.
func middles(contour []geom.Point, width, slack int64) []geom.Span {
	var room []geom.Span
	clear := width + width - width/2 // the tab's longer half, and its width to the corner
	for _, s := range straights(contour, float64(slack)) {
		if s.To-s.From >= 3*width && s.To-clear >= s.From+clear {
			room = append(room, geom.Span{From: s.From + clear, To: s.To - clear})
		}
	}
	return room
}

// straights gives the contour's straight stretches as spans, rounded inwards.
func straights(contour []geom.Point, slack float64) []geom.Span {
	var out []geom.Span
	var from, at float64
	ends := geom.Straights(contour, slack)
	for k := 1; k < len(ends); k++ {
		for i := ends[k-1] + 1; i <= ends[k]; i++ {
			at += geom.Distance(contour[i-1], contour[i])
		}
		out = append(out, geom.Span{From: int64(math.Ceil(from)), To: int64(math.Floor(at))})
		from = at
	}
	return out
}

// spread puts middles as near as may be to evenly spaced places that begin with the phase, and says
// how far they had to move in all.
func spread(room []geom.Span, length int64, wanted int, width, phase, phases int64) (placed []int64, moved int64) {
	last := int64(math.MinInt64 / 2)
	for k := range int64(wanted) {
		ideal := length * (2*phases*k + 2*phase + phases) / (2 * phases * int64(wanted))
		if phase > phases/2 { // the later phases begin before the contour's first half step
			ideal -= length / int64(wanted)
		}
		m, ok := nearest(room, ideal, last+2*width)
		if !ok {
			break
		}
		placed, last = append(placed, m), m
		moved += max(m-ideal, ideal-m)
	}
	return placed, moved
}

// nearest is the place in room that is nearest to ideal and not before least; of two the earlier.
func nearest(room []geom.Span, ideal, least int64) (int64, bool) {
	want := max(ideal, least)
	i, _ := slices.BinarySearchFunc(room, want, func(s geom.Span, v int64) int { return cmp.Compare(s.To, v) })
	var after int64
	found := i < len(room)
	if found { // the first stretch that ends at or after it
		after = max(want, room[i].From)
	}
	if i > 0 && room[i-1].To >= least {
		if before := room[i-1].To; !found || want-before <= after-want {
			return before, true
		}
	}
	return after, found
}
