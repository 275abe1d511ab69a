package motion

import (
	"iter"
	"slices"

	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
)

// Job is what Lines renders and Total times.
type Job struct {
	Limits Limits
	// OnDelayMS and OffDelayMS are how long the tool takes to follow, and JitterMS how much longer it
	// may take. Where the tool is switched at rest, on and off are waited for (off with the jitter).
	OnDelayMS, OffDelayMS, JitterMS int64
	// InMotion: the machine takes a change of the tool between two moves without stopping. The tool
	// is then told early, by its delay, so that it follows at the place that is meant.
	InMotion bool
	// Levels: power can be set between off and full. Together with InMotion it follows the speed.
	Levels bool
	// LeastPermille is the least power, in thousandths, that the tool can be set to and still works
	// evenly; power that follows speed goes no lower. 0 = 1.
	LeastPermille int64
	// SpotUM is the width of the tool's mark: unevenness of power within it does not show.
	SpotUM int64
	// WorkUMPerS is the greatest speed with the tool on; backlash within a stroke is taken up at it.
	WorkUMPerS int64
	// StepUM is what the machine resolves: points are taken at the nearest multiple. 0 = 1 µm.
	StepUM int64
	// BacklashXUM and BacklashYUM are lost when an axis turns round; see play.
	BacklashXUM, BacklashYUM int64
	// LongestOnMS of tool time are followed by RestMS without; 0 = no bound.
	LongestOnMS, RestMS int64
	Origin              geom.Point // added to every point, itself at the nearest step
	Start               geom.Point // where the carriage is, in the strokes' coordinates
	Strokes             []Stroke
	// Each gives the strokes one after another in place of Strokes, for a job that is not held in memory:
	// for Lines, since what is computed over all strokes wants Strokes.
	Each iter.Seq[Stroke]
}

// Stroke is one line drawn without lifting.
type Stroke struct {
	Points []geom.Point
	// On are the parts with the tool on, in µm along Points, ascending and apart; empty means all.
	On            []geom.Span
	SpeedUMPerS   int64
	PowerPermille int64
}

// LimitsOf are a machine's limits.
func LimitsOf(p machine.Profile) Limits {
	return Limits{
		TravelUMPerS: p.TravelSpeedUMPerS, AccelXUMPerS2: p.AccelXUMPerS2, AccelYUMPerS2: p.AccelYUMPerS2,
		CornerUM: p.CornerToleranceUM, SpeedXUMPerS: p.SpeedXUMPerS, SpeedYUMPerS: p.SpeedYUMPerS,
	}
}

// JobOf is a job without strokes for a machine with a tool on its carriage. A take-up and a snap are
// whole steps.
func JobOf(p machine.Profile, tool machine.Tool) Job {
	return Job{
		Limits:    LimitsOf(p),
		OnDelayMS: tool.Switch.OnDelayMS, OffDelayMS: tool.Switch.OffDelayMS, JitterMS: tool.Switch.JitterMS,
		InMotion: tool.Switch.InMotion, Levels: tool.Switch.Levels, LeastPermille: tool.Switch.LeastPermille,
		SpotUM: tool.SpotUM, WorkUMPerS: p.WorkSpeedUMPerS, StepUM: p.SmallestStepUM,
		BacklashXUM: snapped(p.BacklashXUM, p.SmallestStepUM), BacklashYUM: snapped(p.BacklashYUM, p.SmallestStepUM),
		LongestOnMS: tool.LongestOnMS, RestMS: tool.RestMS,
	}
}

// follows says whether power follows speed.
func (j *Job) follows() bool { return j.Levels && j.InMotion }

// StrokeMicros is the time in µs of one stroke's motion, from rest to rest, without backlash and
// at the points as given.
func (l Limits) StrokeMicros(points []geom.Point, speed int64) int64 {
	var sum int64
	moves := l.profile(points, speed)
	for i := range moves {
		sum += moves[i].micros()
	}
	return sum
}

// whole says that a stroke is one way: the tool is switched in motion or on all the time.
func (j *Job) whole(s Stroke) bool { return j.InMotion || len(s.On) == 0 }

// parts are the ways of a stroke that is not whole: one for each part with the tool on, since the carriage
// stops at their ends and goes straight from one to the next.
func (j *Job) parts(s Stroke) [][]geom.Point {
	lengths := make([]float64, len(s.Points))
	for i := 1; i < len(lengths); i++ {
		lengths[i] = lengths[i-1] + geom.Distance(s.Points[i-1], s.Points[i])
	}
	var out [][]geom.Point
	i := 1
	for _, span := range s.On {
		var part []geom.Point
		for ; i < len(lengths) && lengths[i] < float64(span.From); i++ {
		}
		for k := i; k < len(lengths); k++ {
			if part == nil {
				part = append(part, along(s.Points, lengths, k, float64(span.From)))
			}
			if lengths[k] >= float64(span.To) || k == len(lengths)-1 {
				part = append(part, along(s.Points, lengths, k, float64(span.To)))
				break
			}
			part = append(part, s.Points[k])
		}
		if len(part) > 0 {
			out = append(out, part)
		}
	}
	return out
}

// along is the point that is d along the way, on the part that ends at point k.
func along(points []geom.Point, lengths []float64, k int, d float64) geom.Point {
	if d >= lengths[k] {
		return points[k]
	}
	m := move{from: points[k-1], to: points[k], length: lengths[k] - lengths[k-1]}
	return m.between(max(0, d-lengths[k-1]))
}

// event is one step of a job.
type event struct {
	kind   kind
	stroke int
	course *course   // travelling, working
	orders []order   // working, switched in motion
	speed  int64     // working
	power  int64     // working, switchedOn
	wait   int64     // µs
	told   []Problem // switchedOn, passedOver: what cannot be done as asked
}

type kind int

const (
	travelling kind = iota
	resting
	switchedOn
	working
	switchedOff
	passedOver // a stroke of which nothing can be done
)

// walker is where a job stands.
type walker struct {
	job           *Job
	at            geom.Point // commanded
	play          play
	on            int64 // tool time in µs since the last rest
	work, between course
	way           []geom.Point // to a stroke
	yield         func(event) bool
}

// events is the one walk over a job, for times and for lines. One stroke at a time is held in
// memory.
func (j Job) events(yield func(event) bool) {
	w := walker{job: &j, at: snap(j.Start, j.StepUM), play: play{x: j.BacklashXUM, y: j.BacklashYUM}, yield: yield}
	each := j.Each
	if each == nil {
		each = slices.Values(j.Strokes)
	}
	i := 0
	for s := range each {
		if j.whole(s) {
			if !w.stroke(i, s, s.Points) {
				return
			}
		} else {
			for _, part := range j.parts(s) {
				if !w.stroke(i, s, part) {
					return
				}
			}
		}
		i++
	}
}

// stroke goes along one way of a stroke.
func (w *walker) stroke(i int, s Stroke, points []geom.Point) bool {
	j := w.job
	c := &w.work
	c.measure(points, j.StepUM, j.InMotion && len(s.On) > 0)
	if len(c.points) < 2 {
		return true
	}
	way, p := w.play.approach(append(w.way[:0], w.at), w.at, c.points)
	w.way = way
	after := c.lay(j, s.SpeedUMPerS, p)
	var orders []order
	var told []Problem
	before, behind := j.OnDelayMS*1000, (j.OffDelayMS+j.JitterMS)*1000
	need := c.micros() + j.OffDelayMS*1000
	if j.InMotion {
		orders, told = j.settled(c, i, s)
		if len(orders) == 0 { // nothing to do here
			return w.yield(event{kind: passedOver, stroke: i, told: told})
		}
		before = max(0, -orders[0].at)
		behind = max(0, orders[len(orders)-1].followed+j.JitterMS*1000-c.micros())
		need = onTime(orders)
	}
	if j.LongestOnMS > 0 && need > j.LongestOnMS*1000 {
		told = append(told, Problem{Kind: TooLong, Stroke: i, NeedMicros: need, HaveMicros: j.LongestOnMS * 1000})
	}
	if !w.travel(i) {
		return false
	}
	if j.LongestOnMS > 0 && w.on > 0 && w.on+need > j.LongestOnMS*1000 {
		if !w.yield(event{kind: resting, stroke: i, wait: j.RestMS * 1000}) {
			return false
		}
		w.on = 0
	}
	w.on += need
	at := event{kind: switchedOn, stroke: i, course: c, orders: orders, speed: s.SpeedUMPerS, power: s.PowerPermille, wait: before, told: told}
	if !w.yield(at) {
		return false
	}
	if at.kind, at.wait, at.told = working, 0, nil; !w.yield(at) {
		return false
	}
	w.at, w.play = c.moves[len(c.moves)-1].to, after
	return w.yield(event{kind: switchedOff, stroke: i, wait: behind})
}

// travel goes along the way to where a stroke begins.
func (w *walker) travel(stroke int) bool {
	l := &w.job.Limits
	c := &w.between
	c.moves, c.start = c.moves[:0], append(c.start[:0], 0)
	c.points = straightened(c.points[:0], w.way)
	for i := 1; i < len(c.points); i++ {
		c.moves = append(c.moves, l.move(c.points[i-1], c.points[i], float64(l.TravelUMPerS)))
	}
	if len(c.moves) == 0 {
		return true
	}
	l.schedule(c.moves)
	for i := range c.moves {
		c.start = append(c.start, c.start[i]+c.moves[i].micros())
	}
	return w.yield(event{kind: travelling, stroke: stroke, course: c})
}
