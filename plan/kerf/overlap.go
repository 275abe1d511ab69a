package kerf

import (
	"cmp"
	"fmt"
	"slices"

	"kerfgate/plan/geom"
)

// overlaps finds contours nearer to each other than the kerf: outlines in the same place whose cuts
// run into each other, and outlines within a hole whose cut leaves the hole's.
func (c *compensation) overlaps(contours []Contour) error {
	type placed struct {
		source int
		box    geom.Box
	}
	var outlines []placed
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
			shared, err := geom.Difference(c.moved[i], c.moved[p])
			if err != nil {
				return fmt.Errorf("contours %d and %d: %w", i, p, err)
			}
			c.overlap(i, p, shared)
		}
	}
	slices.SortFunc(outlines, func(a, b placed) int {
		return cmp.Or(cmp.Compare(a.box.Min.X, b.box.Min.X), cmp.Compare(a.source, b.source))
	})
	type pair struct{ a, b int }
	var pairs []pair
	for k, a := range outlines {
		for _, b := range outlines[k+1:] {
			if b.box.Min.X > a.box.Max.X {
				break
			}
			if contours[a.source].Parent == contours[b.source].Parent && a.box.Min.Y <= b.box.Max.Y && b.box.Min.Y <= a.box.Max.Y {
				pairs = append(pairs, pair{min(a.source, b.source), max(a.source, b.source)})
			}
		}
	}
	slices.SortFunc(pairs, func(p, q pair) int { return cmp.Or(cmp.Compare(p.a, q.a), cmp.Compare(p.b, q.b)) })
	for _, p := range pairs {
		shared, err := geom.Intersect(c.moved[p.a], c.moved[p.b])
		if err != nil {
			return fmt.Errorf("contours %d and %d: %w", p.a, p.b, err)
		}
		c.overlap(p.a, p.b, shared)
	}
	return nil
}

// overlap reports shared parts, at the largest.
func (c *compensation) overlap(source, other int, shared [][]geom.Point) {
	var count int
	var most float64
	var at geom.Point
	for _, part := range shared {
		if a := geom.Area(part); a > 0 {
			count++
			if a > most {
				most, at = a, middle(part)
			}
		}
	}
	if count > 0 {
		c.result.Findings = append(c.result.Findings, Finding{Kind: Overlap, Source: source, Other: other, At: at, Count: count})
	}
}
