package motion

import "math"

// order is one change of the tool, told in motion.
type order struct {
	at       int64 // when it is told, µs from the stroke's start; before 0 the carriage still waits
	followed int64 // when the tool follows, unless the switch is late
	on       bool
}

// Problem is something that a machine cannot do as it was asked.
type Problem struct {
	Kind   ProblemKind
	Stroke int
	Span   int // index of the first such part with the tool on
	Count  int // how many of the stroke's parts
	// NeedMicros is what the worst of them would have to last, HaveMicros how long it lasts; for
	// TooLong the tool time and its bound.
	NeedMicros, HaveMicros int64
}

// ProblemKind says what cannot be done.
type ProblemKind string

// Kinds of problems. Lines do not hide them: a part that is too short becomes as long as the switch
// needs, a gap that is too short as well.
const (
	TooShort   ProblemKind = "tool on for less time than its switch needs to follow"
	TooClose   ProblemKind = "tool off for less time than its switch needs to follow"
	Disordered ProblemKind = "parts with the tool on that are empty, overlap or are out of order"
	TooLong    ProblemKind = "tool on for longer than it may be at a time"
)

// leastSpanUM is the shortest part that whole micrometres in lines can tell apart.
const leastSpanUM = 10

// onTime is how long the tool is on.
func onTime(orders []order) int64 {
	var sum int64
	for i := 1; i < len(orders); i += 2 {
		sum += orders[i].followed - orders[i-1].followed
	}
	return sum
}

// onPart is a part of a course with the tool on, in µs from its start.
type onPart struct {
	from, to int64
	span     int
	short    bool // by its length
}

// orders are the changes of the tool along a course, on and off in turn, each told early by its
// delay, and what of it cannot be done.
func (j *Job) orders(c *course, stroke int, s Stroke) ([]order, []Problem) {
	found := findings{stroke: stroke}
	parts := j.apart(c, j.onParts(c, s, &found))
	if len(parts) == 0 {
		return nil, found.list()
	}
	onDelay, offDelay, jitter := j.OnDelayMS*1000, j.OffDelayMS*1000, j.JitterMS*1000
	out := make([]order, 0, 2*len(parts))
	tell := func(at, delay int64, on bool) {
		least := int64(math.MinInt64)
		if n := len(out); n > 0 { // not before the tool has followed the last one
			least = out[n-1].followed
		}
		if at = max(at, least); at > 0 {
			if b := j.boundary(c, at); b >= least || b == c.micros() {
				at = b
			}
		}
		out = append(out, order{at: at, followed: at + delay, on: on})
	}
	for i, p := range parts {
		if i > 0 && p.from-parts[i-1].to < onDelay+jitter {
			found.add(TooClose, p.span, onDelay+jitter, p.from-parts[i-1].to)
		}
		if p.short || p.to-p.from < offDelay+jitter {
			found.add(TooShort, p.span, offDelay+jitter, p.to-p.from)
		}
		tell(p.from-onDelay, onDelay, true)
		tell(p.to-offDelay, offDelay, false)
	}
	return out, found.list()
}

// mostRounds bounds how often a course is timed anew since its orders end blocks beside its corners.
const mostRounds = 8

// settled are the orders along a course that knows of them: where they end blocks so near to corners that
// these are passed more slowly, it is timed anew, and what is told early then lies elsewhere. Mostly that
// ends after a round or two; where it does not, the tool is told where it was told last, and follows within
// what the last change of times makes of it.
func (j *Job) settled(c *course, stroke int, s Stroke) (orders []order, told []Problem) {
	for round := 1; ; round++ {
		orders, told = j.orders(c, stroke, s)
		switch {
		case !c.crowd(&j.Limits, orders):
			return orders, told
		case round == mostRounds:
			c.kept(&j.Limits, orders)
			return orders, told
		}
		c.time(&j.Limits)
	}
}

// onParts are the times at which the tool is meant to be on.
func (j *Job) onParts(c *course, s Stroke, found *findings) []onPart {
	if len(s.On) == 0 {
		return []onPart{{from: 0, to: c.micros()}}
	}
	parts := make([]onPart, 0, len(s.On))
	end := int64(0)
	for i, span := range s.On {
		if span.From >= span.To || span.From < end {
			found.add(Disordered, i, 0, 0)
			continue
		}
		end = span.To
		from, to := c.taking(float64(span.From)), c.taking(float64(span.To))
		p := onPart{from: c.passes(from, true), to: c.passes(to, false), span: i, short: to-from < leastSpanUM}
		if p.from >= p.to {
			found.add(TooShort, i, j.OffDelayMS*1000, 0)
			continue
		}
		parts = append(parts, p)
	}
	return parts
}

// apart leaves the tool off while backlash is taken up with the carriage standing, where the switch
// can follow in that time.
func (j *Job) apart(c *course, parts []onPart) []onPart {
	if j.BacklashXUM == 0 && j.BacklashYUM == 0 {
		return parts
	}
	offTime, onTime := (j.OnDelayMS+j.JitterMS)*1000, (j.OffDelayMS+j.JitterMS)*1000
	out := make([]onPart, 0, len(parts))
	k := 0
	for _, p := range parts {
		for ; k < len(c.moves) && c.start[k] < p.to; k++ {
			from, to := c.start[k], c.start[k+1]
			if c.moves[k].slack && from-p.from >= max(1, onTime) && to-from >= offTime && p.to-to >= max(1, onTime) {
				out = append(out, onPart{from: p.from, to: from, span: p.span})
				p.from, p.short = to, false
			}
		}
		out = append(out, p)
	}
	return out
}

// findings gathers the problems of one stroke.
type findings struct {
	stroke int
	of     []Problem
}

func (f *findings) add(kind ProblemKind, span int, need, have int64) {
	for i := range f.of {
		if p := &f.of[i]; p.Kind == kind {
			p.Count++
			if p.NeedMicros-p.HaveMicros < need-have {
				p.NeedMicros, p.HaveMicros = need, have
			}
			return
		}
	}
	f.of = append(f.of, Problem{Kind: kind, Stroke: f.stroke, Span: span, Count: 1, NeedMicros: need, HaveMicros: have})
}

func (f *findings) list() []Problem { return f.of }

// lit is a time with the tool on.
type lit struct{ from, to int64 }

// lits are the times with the tool on, as the tool follows.
func lits(orders []order, yield func(lit) bool) {
	for i := 1; i < len(orders); i += 2 {
		if !yield(lit{orders[i-1].followed, orders[i].followed}) {
			return
		}
	}
}
