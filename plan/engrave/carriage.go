package engrave

import (
	"fmt"
	"slices"

	"kerfgate/plan/geom"
	"kerfgate/plan/motion"
)

// run is a part of a level line with the tool on, in µm along x; from < to.
type run struct{ from, to int64 }

// carriage collects rows and follows where they leave it.
type carriage struct {
	p      Pattern
	limits Limits
	moving bool // the tool is switched without stopping
	over   int64
	// What the switch makes in motion: shorter lines are rows of their own, and before shorter blanks the
	// carriage stops.
	leastOn, leastOff int64
	rows              []Row
	spans             int
	at                int64    // x after the last row
	reach             geom.Box // of the whole ways
	marks             geom.Box // of the parts with the tool on
}

func newCarriage(p Pattern, limits Limits, moving bool) *carriage {
	c := &carriage{p: p, limits: limits, moving: moving}
	if moving {
		c.over, c.leastOn, c.leastOff = p.OverTravelUM(), p.leastOnUM(), p.leastOffUM()
	}
	return c
}

// level adds the rows at one height; runs are apart and go from left to right. They begin at the end
// that is nearer to where the last row ended, unless every row must go the same way.
func (c *carriage) level(y int64, runs []run) error {
	if len(runs) == 0 {
		return nil
	}
	c.spans += len(runs)
	if c.spans > c.limits.Spans {
		return tooFine("lines", c.limits.Spans, "more")
	}
	runs = c.covered(runs)
	passes := c.passes(runs)
	if len(c.rows)+len(passes) > c.limits.Rows {
		return tooFine("rows", c.limits.Rows, "more")
	}
	left, right := runs[0].from-c.over, runs[len(runs)-1].to+c.over
	back := !c.p.OneWay && len(c.rows) > 0 && right-c.at <= c.at-left
	if back {
		slices.Reverse(passes)
	}
	for _, pass := range passes {
		c.add(y, pass, back)
	}
	return nil
}

func tooFine(what string, limit int, value string) error {
	return &Refusal{What: "the areas to engrave are too large or too fine", Next: "engrave less, take a wider line pitch, or mark the outlines",
		Limit: fmt.Sprintf("%d %s", limit, what), Value: value}
}

// covered makes one of lines between which the switch makes no blank and the tool's width would leave none.
func (c *carriage) covered(runs []run) []run {
	out := runs[:1]
	for _, r := range runs[1:] {
		if gap := r.from - out[len(out)-1].to; gap < c.leastOff && gap <= c.p.SpotUM {
			out[len(out)-1].to = r.to
		} else {
			out = append(out, r)
		}
	}
	return out
}

// passes divides runs where the carriage had better stop, or must.
func (c *carriage) passes(runs []run) [][]run {
	var passes [][]run
	first := 0
	for i := 1; i < len(runs); i++ {
		if c.alone(runs[i-1]) || c.alone(runs[i]) || !c.ridesOver(runs[i].from-runs[i-1].to) {
			passes = append(passes, runs[first:i])
			first = i
		}
	}
	return append(passes, runs[first:])
}

// alone says whether a line is made from rest to rest: it is too short for the switch at the work speed.
func (c *carriage) alone(r run) bool { return !c.moving || r.to-r.from < c.leastOn }

// ridesOver says whether a blank is passed at the work speed: the switch can make it, and it takes no longer
// than braking, going on at the travel speed from rest to rest and running in again.
func (c *carriage) ridesOver(gap int64) bool {
	if !c.moving || gap < c.leastOff {
		return false
	}
	between := gap - 2*c.over
	if between <= 0 || c.p.TravelUMPerS <= c.p.SpeedUMPerS {
		return true
	}
	v, a := float64(c.p.SpeedUMPerS), float64(c.p.AccelUMPerS2)
	stopping := 2*v/a + motion.RestToRest(float64(between), float64(c.p.TravelUMPerS), a, a)
	return float64(gap)/v <= stopping
}

// add makes one row of runs that are passed without stopping.
func (c *carriage) add(y int64, pass []run, back bool) {
	mark := geom.Box{Min: geom.Pt(pass[0].from, y), Max: geom.Pt(pass[len(pass)-1].to, y)}
	over := c.over
	if c.alone(pass[0]) {
		over = 0
	}
	from, to := mark.Min.X-over, mark.Max.X+over
	row := Row{Points: []geom.Point{geom.Pt(from, y), geom.Pt(to, y)}}
	if !c.alone(pass[0]) {
		row.On = make([]geom.Span, len(pass))
		for i, r := range pass {
			if back {
				row.On[len(pass)-1-i] = geom.Span{From: to - r.to, To: to - r.from}
			} else {
				row.On[i] = geom.Span{From: r.from - from, To: r.to - from}
			}
		}
	}
	c.at = to
	if back {
		slices.Reverse(row.Points)
		c.at = from
	}
	way, _ := geom.BoxOf(row.Points...)
	if len(c.rows) == 0 {
		c.reach, c.marks = way, mark
	}
	c.reach, c.marks = c.reach.Union(way), c.marks.Union(mark)
	c.rows = append(c.rows, row)
}

// done gives the rows, or refuses where they lead out of bounds.
func (c *carriage) done() ([]Row, error) {
	if len(c.rows) == 0 || c.p.Within == (geom.Box{}) || c.reach.Inside(c.p.Within) {
		return c.rows, nil
	}
	within := c.p.Within
	r := &Refusal{Next: "move the drawing further in, or make it smaller", Limit: span(within), Value: span(c.reach)}
	if !c.moving || !c.marks.Inside(within) {
		r.What = "the lines to engrave lie beyond where the carriage may go"
		return nil, r
	}
	r.What = fmt.Sprintf("the rows need %s mm beyond either end of the lines, so that the speed is constant on them: %s mm/s at %s mm/s² take v²/2a = %s mm",
		mm(c.over), mm(c.p.SpeedUMPerS), mm(c.p.AccelUMPerS2), mm(ceilDiv(c.p.SpeedUMPerS*c.p.SpeedUMPerS, 2*c.p.AccelUMPerS2)))
	room := min(c.marks.Min.X-within.Min.X, within.Max.X-c.marks.Max.X)
	if fits := c.p.fitting(room); fits > 0 {
		r.Next += fmt.Sprintf(", or engrave at %d mm/s at most", fits)
	}
	return nil, r
}

func span(b geom.Box) string {
	return fmt.Sprintf("x %s to %s, y %s to %s mm", mm(b.Min.X), mm(b.Max.X), mm(b.Min.Y), mm(b.Max.Y))
}

// fitting is the greatest speed, in whole mm/s, whose over-travel is no longer than room; 0 if none.
func (p Pattern) fitting(room int64) int64 {
	low, high := int64(0), p.SpeedUMPerS/1000 // low fits
	for low < high {
		p.SpeedUMPerS = (low + high + 1) / 2 * 1000
		if p.OverTravelUM() <= room {
			low = p.SpeedUMPerS / 1000
		} else {
			high = p.SpeedUMPerS/1000 - 1
		}
	}
	return low
}
