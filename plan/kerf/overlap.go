package kerf

import (
	"cmp"
	"fmt"
	"slices"

	"kerfgate/plan/geom"
)

// meeting is two contours whose cuts may run into each other.
type meeting struct {
	source, other int
	within        bool // the cut around source has to stay within other's
}

// overlaps finds contours nearer to each other than the kerf: outlines in the same place whose cuts
// run into each other, and outlines within a hole whose cut leaves the hole's.
func (c *compensation) overlaps(contours []Contour) error {
	meetings := c.meetings(contours)
	begin := func() share { return share{moved: c.moved, result: Compensated{Plain: true}} }
	return c.shared(len(meetings), begin, func(s *share, i int) { s.meet(meetings[i]) })
}

// meetings lists outlines within holes, and then the pairs of outlines in the same place whose boxes meet.
func (c *compensation) meetings(contours []Contour) []meeting {
	type placed struct {
		source int
		box    geom.Box
	}
	var outlines []placed
	var within, pairs []meeting
	for i, contour := range contours {
		if contour.Dropout || len(c.moved[i]) == 0 {
			continue
		}
		box, _ := geom.BoxOf(c.moved[i][0]...)
		for _, ring := range c.moved[i][1:] {
			b, _ := geom.BoxOf(ring...)
			box = box.Union(b)
		}
		outlines = append(outlines, placed{i, box})
		if p := contour.Parent; p >= 0 && contours[p].Dropout {
			within = append(within, meeting{i, p, true})
		}
	}
	slices.SortFunc(outlines, func(a, b placed) int {
		return cmp.Or(cmp.Compare(a.box.Min.X, b.box.Min.X), cmp.Compare(a.source, b.source))
	})
	for k, a := range outlines {
		for _, b := range outlines[k+1:] {
			if b.box.Min.X > a.box.Max.X {
				break
			}
			if contours[a.source].Parent == contours[b.source].Parent && a.box.Min.Y <= b.box.Max.Y && b.box.Min.Y <= a.box.Max.Y {
				pairs = append(pairs, meeting{min(a.source, b.source), max(a.source, b.source), false})
			}
		}
	}
	slices.SortFunc(pairs, func(p, q meeting) int {
		return cmp.Or(cmp.Compare(p.source, q.source), cmp.Compare(p.other, q.other))
	})
	return append(within, pairs...)
}

// meet reports where two cuts run into each other, at the largest part that they share.
func (s *share) meet(m meeting) {
	common := geom.Intersect
	if m.within {
		common = geom.Difference
	}
	parts, err := common(s.moved[m.source], s.moved[m.other])
	if err != nil {
		s.err = fmt.Errorf("contours %d and %d: %w", m.source, m.other, err)
		return
	}
	var count int
	var most float64
	var at geom.Point
	for _, part := range parts {
		if a := geom.Area(part); a > 0 {
			count++
			if a > most {
				most, at = a, middle(part)
			}
		}
	}
	if count > 0 {
		s.result.Findings = append(s.result.Findings, Finding{Kind: Overlap, Source: m.source, Other: m.other, At: at, Count: count})
	}
}
