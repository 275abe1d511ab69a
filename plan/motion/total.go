package motion

import (
	"math"

	"kerfgate/plan/geom"
)

// Totals are the sums of a job's times and lengths.
type Totals struct {
	// WorkMS is motion with the tool on, TravelMS all other motion (run-in, over-travel and blanks of
	// a stroke too), WaitMS standing for the switch and for rests.
	TotalMS, WorkMS, TravelMS, WaitMS int64
	WorkUM, TravelUM                  int64
	RestMS                            int64 // the part of WaitMS that is the tool's rest
	// OnPermilleMicros is the sum of power in thousandths times the µs for which the tool is on:
	// in motion, while backlash is taken up, and while it goes off at rest.
	OnPermilleMicros int64
	// SnapUM is how far, at most, a point was moved to where the machine can go, rounded up.
	SnapUM int64
	// JitterUM is how far, at most, the switch's jitter can move the end of a line that is switched
	// in motion, or its beginning where the carriage sets out: the way that it goes in the jitter's time,
	// rounded up.
	JitterUM int64
	// Reach is the smallest box around everything commanded, in the strokes' coordinates; approaches
	// and backlash may put it outside the strokes. Moved by the origin it must lie within the travel.
	Reach geom.Box
	// Problems are what of the job the machine cannot do as asked, at most one of a kind a stroke.
	Problems []Problem
}

// Total sums a job without rendering it.
func (j Job) Total() Totals { return j.Follow(func(Burn) bool { return true }) }

// Follow sums a job and shows burned its parts with the tool on, in the order and at the times in which
// it is planned; the switch is taken to follow without jitter. Where burned says no it stops, and the
// totals are those up to there.
func (j Job) Follow(burned func(Burn) bool) Totals {
	t := Totals{SnapUM: j.snapUM()}
	var work, travel, wait, rest int64
	var workUM, travelUM, off float64
	var any bool
	j.events(func(e event) bool {
		wait += e.wait
		t.Problems = append(t.Problems, e.told...)
		switch e.kind {
		case resting:
			rest += e.wait
		case travelling:
			t.Reach, any = reachOf(t.Reach, any, e.course), true
			travel += e.course.micros()
			for i := range e.course.moves {
				travelUM += e.course.moves[i].length
			}
		case working:
			t.Reach, any = reachOf(t.Reach, any, e.course), true
			at := work + travel + wait
			micros, um, moved := j.worked(e)
			work, workUM, off = work+micros, workUM+um, max(off, moved)
			travel, travelUM = travel+e.course.micros()-micros, travelUM+e.course.length()-um
			return j.burns(e, func(b Burn) bool {
				t.OnPermilleMicros += b.Permille * b.Micros
				b.AtMicros += at
				return burned(b)
			})
		}
		return true
	})
	t.TotalMS, t.WorkMS, t.TravelMS = ms(work+travel+wait), ms(work), ms(travel)
	t.WaitMS, t.RestMS = ms(wait), ms(rest)
	t.WorkUM, t.TravelUM = int64(math.Round(workUM)), int64(math.Round(travelUM))
	t.JitterUM = int64(math.Ceil(off - 1e-6))
	return t
}

// JitterUM is how far the jitter of a switch can move the end of a line at a speed in µm/s: speed ×
// jitter, rounded up.
func JitterUM(speed float64, jitterMS int64) int64 {
	return int64(math.Ceil(float64(speed*float64(jitterMS)) / 1000))
}

// worked is how long and how far the tool is on in motion, and how far, in µm, the jitter moves an end.
func (j *Job) worked(e event) (micros int64, um, moved float64) {
	c := e.course
	if len(e.orders) == 0 {
		return c.micros(), c.length(), 0
	}
	lits(e.orders, func(l lit) bool {
		from, to := min(l.from, c.micros()), min(l.to, c.micros())
		micros += to - from
		begun, done := c.reached(from), c.reached(to)
		um += done - begun
		late := j.JitterMS * 1000
		moved = max(moved, c.reached(min(from+late, c.micros()))-begun, c.reached(min(to+late, c.micros()))-done)
		return true
	})
	return micros, um, moved
}

// snapUM is how far the worst point is moved, in µm, rounded up.
func (j *Job) snapUM() int64 {
	worst := 0.0
	for _, s := range j.Strokes {
		for _, p := range s.Points {
			worst = max(worst, geom.Distance(p, snap(p, j.StepUM)))
		}
	}
	return int64(math.Ceil(worst))
}

// reachOf is the smallest box around everything commanded.
func reachOf(box geom.Box, any bool, c *course) geom.Box {
	for i := range c.moves {
		m := &c.moves[i]
		if !any {
			box, any = geom.Box{Min: m.from, Max: m.from}, true
		}
		box = box.With(m.from).With(m.to)
	}
	return box
}

// ms rounds microseconds up.
func ms(micros int64) int64 { return (micros + 999) / 1000 }
