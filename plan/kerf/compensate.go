// Package kerf moves cut lines aside by half the width that the cut burns away, leaves holding tabs,
// and finds where a cut may be run into.
package kerf

import (
	"fmt"
	"runtime"
	"sync"
	"sync/atomic"

	"kerfgate/plan/geom"
)

// Contour is one closed cut line as drawn; its last point equals its first. Its direction and where
// it starts mean nothing.
type Contour struct {
	Points []geom.Point
	// Dropout says that what the line frees is waste: the inside of a hole. The cut then runs inside
	// the line, else outside.
	Dropout bool
	// Parent is the index of the smallest contour that holds this one, −1 for none.
	Parent int
}

// Ring is a closed cut line beside a contour.
type Ring struct {
	Source int          // index of the contour that it belongs to
	Points []geom.Point // the last equals the first; pieces lie on the left
	// Dropout says that what this ring frees is waste. A narrow mouth that closes leaves a drop-out
	// inside an outline.
	Dropout bool
}

// Kind says what a Finding found.
type Kind string

// What can become of contours.
const (
	Vanished Kind = "vanished" // the contour is narrower than the kerf: nothing of it is left to cut
	Split    Kind = "split"    // a part narrower than the kerf fell away, and one line became Count
	Narrow   Kind = "narrow"   // Count slots or arms narrower than the kerf are lost
	Crossing Kind = "crossing" // the contour crosses itself; its outer edge was taken
	Overlap  Kind = "overlap"  // the cuts around Source and Other run into each other
)

// Finding is something about a contour that a person should know.
type Finding struct {
	Kind   Kind
	Source int // index of the contour
	Other  int // Overlap: index of the other one; else −1
	At     geom.Point
	Count  int
}

// Compensated is what Compensate gives: rings in the order of their contours, findings likewise with
// overlaps last.
type Compensated struct {
	Rings    []Ring
	Findings []Finding
	// Plain says that every contour became one ring beside it that neither meets itself nor runs into
	// another: what holds what is as it was.
	Plain bool
}

// MostKerfUM bounds the kerf: a cut wider than 5 mm is an entry in the wrong unit.
const MostKerfUM = 5000

// Compensate moves every contour by half the kerf: outlines outwards, drop-outs inwards, so that the
// piece gets the drawn size. Half of an odd kerf is rounded up. Round corners are followed within
// toleranceUM. A piece of 2.0 × 4.0 mm is cut along 2.2 × 4.2 less its rounded corners where the
// kerf is 0.2, and an opening of that size along 1.8 × 3.8 (row N7.4; source: a cutting shop's page
// on kerf). A kerf of 0 settles the contours only. It fails on a kerf out of range and with
// geom.ErrCrossings.
func Compensate(contours []Contour, kerfUM, toleranceUM int64) (Compensated, error) {
	if kerfUM < 0 || kerfUM > MostKerfUM {
		return Compensated{}, fmt.Errorf("the kerf is %d µm; enter 0 to %d", kerfUM, MostKerfUM)
	}
	c := compensation{moved: make([][][]geom.Point, len(contours))}
	if err := c.moveAll(contours, (kerfUM+1)/2, toleranceUM); err != nil {
		return Compensated{}, err
	}
	if err := c.overlaps(contours); err != nil {
		return Compensated{}, err
	}
	c.result.Plain = c.result.Plain && len(c.result.Findings) == 0
	return c.result, nil
}

type compensation struct {
	moved  [][][]geom.Point // what the cut along each contour surrounds
	result Compensated
}

// Contours, and then pairs of them, are looked at some at a time, and what comes of them is put together in
// their order: the result does not depend on how many cores share the work.
const (
	someAtATime = 64
	mostCores   = 4
)

// shared does n things by shares, and puts together what they find.
func (c *compensation) shared(n int, begin func() share, do func(s *share, i int)) error {
	shares := make([]share, (n+someAtATime-1)/someAtATime)
	var next atomic.Int64
	var wait sync.WaitGroup
	for range min(len(shares), runtime.GOMAXPROCS(0), mostCores) {
		wait.Go(func() {
			for k := int(next.Add(1)) - 1; k < len(shares); k = int(next.Add(1)) - 1 {
				s := begin()
				for i := k * someAtATime; i < min((k+1)*someAtATime, n) && s.err == nil; i++ {
					do(&s, i)
				}
				shares[k] = s
			}
		})
	}
	wait.Wait()
	for _, s := range shares {
		if s.err != nil {
			return s.err
		}
		c.result.Rings = append(c.result.Rings, s.result.Rings...)
		c.result.Findings = append(c.result.Findings, s.result.Findings...)
		c.result.Plain = c.result.Plain && s.result.Plain
	}
	return nil
}

func (c *compensation) moveAll(contours []Contour, half, tolerance int64) error {
	c.result = Compensated{Rings: make([]Ring, 0, len(contours)), Plain: true}
	begin := func() share {
		return share{half: half, tolerance: tolerance, moved: c.moved, result: Compensated{Plain: true}}
	}
	return c.shared(len(contours), begin, func(s *share, i int) {
		if err := s.move(i, contours[i]); err != nil {
			s.err = fmt.Errorf("contour %d: %w", i, err)
		}
	})
}

// share is what one goroutine does at a time.
type share struct {
	half, tolerance int64
	moved           [][][]geom.Point // of all contours, each filled by its own share
	result          Compensated
	err             error
}

func (s *share) find(kind Kind, source int, at geom.Point, count int) {
	s.result.Findings = append(s.result.Findings, Finding{Kind: kind, Source: source, Other: -1, At: at, Count: count})
}

func (s *share) move(i int, contour Contour) error {
	if len(contour.Points) == 0 {
		s.result.Plain = false
		return nil
	}
	by := s.half
	if contour.Dropout {
		by = -by
	}
	a, err := geom.AsideOf(contour.Points, by, s.tolerance)
	if err != nil {
		return err
	}
	region, moved := a.Region, a.Moved
	s.moved[i] = moved
	if a.Plain { // nothing met, so nothing can have vanished, come apart or be too narrow
		s.ring(i, contour, moved[0])
		return nil
	}
	s.result.Plain = false
	if len(moved) == 0 {
		s.find(Vanished, i, middle(contour.Points), 1)
		return nil
	}
	if !a.Simple {
		if at, ok := crossesItself(contour.Points, region); ok {
			s.find(Crossing, i, at, len(region))
		}
	}
	if len(moved) > len(region) {
		s.find(Split, i, moved[1][0], len(moved))
	}
	// What does not come back when the cut's width is put back on is too narrow to be cut.
	back, err := geom.OffsetSettled(moved, -by, s.tolerance)
	if err != nil {
		return err
	}
	lost, within := back, region
	if contour.Dropout {
		lost, within = region, back
	}
	parts, err := geom.Difference(lost, within)
	if err != nil {
		return err
	}
	s.narrow(i, parts)
	for _, points := range moved {
		s.ring(i, contour, points)
	}
	return nil
}

// ring adds a moved ring to the result.
func (s *share) ring(i int, contour Contour, points []geom.Point) {
	hole := geom.Area(points) < 0
	if contour.Dropout { // pieces on the left: around waste the ring runs clockwise
		points = turned(points)
	}
	s.result.Rings = append(s.result.Rings, Ring{Source: i, Points: points, Dropout: contour.Dropout != hole})
}

// narrow reports lost parts that reach further than corners lose: an inner corner is always rounded
// by half the kerf, which reaches half/tan(α/2) along its sides, 4·half where α is 28°.
func (s *share) narrow(i int, lost [][]geom.Point) {
	var count int
	var longest int64
	var at geom.Point
	for _, part := range lost {
		box, _ := geom.BoxOf(part...)
		reach := max(box.Width(), box.Height())
		if reach <= 4*s.half || geom.Area(part) <= 0 {
			continue
		}
		count++
		if reach > longest {
			longest, at = reach, middle(part)
		}
	}
	if count > 0 {
		s.find(Narrow, i, at, count)
	}
}

// crossesItself says whether the settled region of a line has another boundary than the line: then
// a place is given where they differ.
func crossesItself(line []geom.Point, region [][]geom.Point) (geom.Point, bool) {
	known := make(map[geom.Point]bool, len(line))
	for _, p := range line {
		known[p] = true
	}
	for _, ring := range region {
		for _, p := range ring {
			if !known[p] {
				return p, true
			}
		}
	}
	if len(region) > 1 {
		return region[1][0], true
	}
	return geom.Point{}, false
}

func middle(points []geom.Point) geom.Point {
	box, _ := geom.BoxOf(points...)
	return geom.Pt(box.Min.X+box.Width()/2, box.Min.Y+box.Height()/2)
}

// turned is the closed ring in the other direction from the same point.
func turned(ring []geom.Point) []geom.Point {
	out := make([]geom.Point, len(ring))
	for i, p := range ring {
		out[len(ring)-1-i] = p
	}
	return out
}
