package motion

import (
	"iter"
	"strconv"

	"kerfgate/plan/geom"
)

// LongestLineMS is how long the motion of one line may last: after a stop no more than this, and
// what the machine holds already, is left to run.
const LongestLineMS = 250

// Job is what Lines renders and Total times.
type Job struct {
	Limits Limits
	// OnDelayMS and OffDelayMS are waited at rest before and after each stroke.
	OnDelayMS, OffDelayMS int64
	// LongestOnMS of tool time are followed by RestMS without; 0 = no bound.
	LongestOnMS, RestMS int64
	Origin              geom.Point // added to every point
	Start               geom.Point // where the carriage is, in the strokes' coordinates
	Strokes             []Stroke
}

// Stroke is one line drawn without lifting.
type Stroke struct {
	Points        []geom.Point
	SpeedUMPerS   int64
	PowerPermille int64
}

// Line is one line for the machine.
type Line struct {
	Seq    int64  // from 0
	Text   string // ISO 6983 words, without line end
	EndMS  int64  // planned machine time when it is done, from the first line
	Stroke int    // index of the stroke that it belongs to or travels to; −1 before and after all
	On     bool   // the tool is on once it is done
	Work   bool   // it moves with the tool on
}

// Totals are the sums of a job's times and lengths.
type Totals struct {
	TotalMS, WorkMS, TravelMS, WaitMS int64
	WorkUM, TravelUM                  int64
	RestMS                            int64 // the part of WaitMS that is the tool's rest
	// OnPermilleMicros is the sum of each stroke's power in thousandths times the µs for which the
	// tool is on: its motion and its switching off.
	OnPermilleMicros int64
}

// StrokeMicros is the time in µs of one stroke's motion, from rest to rest.
func (l Limits) StrokeMicros(points []geom.Point, speed int64) int64 {
	var sum int64
	for _, m := range l.profile(points, speed) {
		sum += m.micros()
	}
	return sum
}

// events is the one walk over a job, for times and for lines. Speeds of one stroke at a time are
// held in memory.
func (j Job) events(yield func(event) bool) {
	at := j.Start
	var on int64 // tool time in µs since the last rest
	for i, s := range j.Strokes {
		if len(s.Points) < 2 {
			continue
		}
		if at != s.Points[0] {
			way := j.Limits.profile([]geom.Point{at, s.Points[0]}, j.Limits.TravelUMPerS)
			if !yield(event{kind: travelling, stroke: i, moves: way}) {
				return
			}
		}
		moves := j.Limits.profile(s.Points, s.SpeedUMPerS)
		need := j.OffDelayMS * 1000
		for _, m := range moves {
			need += m.micros()
		}
		if j.LongestOnMS > 0 && on > 0 && on+need > j.LongestOnMS*1000 {
			if !yield(event{kind: resting, stroke: i, wait: j.RestMS * 1000}) {
				return
			}
			on = 0
		}
		on += need
		if !yield(event{kind: switchedOn, stroke: i, power: s.PowerPermille, wait: j.OnDelayMS * 1000}) ||
			!yield(event{kind: working, stroke: i, moves: moves, speed: s.SpeedUMPerS, power: s.PowerPermille}) ||
			!yield(event{kind: switchedOff, stroke: i, wait: j.OffDelayMS * 1000}) {
			return
		}
		at = s.Points[len(s.Points)-1]
	}
}

type kind int

const (
	travelling kind = iota
	resting
	switchedOn
	working
	switchedOff
)

type event struct {
	kind   kind
	stroke int
	moves  []move
	speed  int64
	power  int64
	wait   int64 // µs
}

// Total sums a job without rendering it.
func (j Job) Total() Totals {
	var work, travel, wait, rest, weighted int64
	var workUM, travelUM float64
	j.events(func(e event) bool {
		var micros int64
		var um float64
		for _, m := range e.moves {
			micros += m.micros()
			um += m.length
		}
		switch e.kind {
		case travelling:
			travel, travelUM = travel+micros, travelUM+um
		case working:
			work, workUM = work+micros, workUM+um
			weighted += e.power * (micros + j.OffDelayMS*1000)
		case resting:
			rest += e.wait
		}
		wait += e.wait
		return true
	})
	return Totals{
		TotalMS: ms(work + travel + wait), WorkMS: ms(work), TravelMS: ms(travel), WaitMS: ms(wait),
		RestMS: ms(rest), OnPermilleMicros: weighted, WorkUM: int64(workUM + 0.5), TravelUM: int64(travelUM + 0.5),
	}
}

// ms rounds microseconds up.
func ms(micros int64) int64 { return (micros + 999) / 1000 }

// Lines renders the job line by line: G21 (mm), G90 (absolute), G0 travel, M3 S… tool on at
// thousandths of its power, G1 … F… (mm and mm/min), M5 tool off, G4 P… wait in seconds, M2 end
// (ISO 6983-1 words; P in seconds for G4 is stated here since that standard leaves it open). The
// tool is off at the end and whenever the carriage travels. Nothing but one stroke is held in
// memory; who stops early must switch the tool off.
func Lines(j Job) iter.Seq[Line] {
	return func(yield func(Line) bool) {
		w := &writer{yield: yield, origin: j.Origin}
		if !w.line(-1, 0, "G21") || !w.line(-1, 0, "G90") || !w.line(-1, 0, "M5") {
			return
		}
		done := true
		j.events(func(e event) bool {
			switch e.kind {
			case travelling:
				done = w.moves(e, "G0", "")
			case resting:
				done = w.wait(e.stroke, e.wait)
			case switchedOn:
				w.on = true
				done = w.line(e.stroke, 0, "M3 S"+strconv.FormatInt(e.power, 10)) && w.wait(e.stroke, e.wait)
			case working:
				done = w.moves(e, "G1", " F"+feed(e.speed))
			case switchedOff:
				w.on = false
				done = w.line(e.stroke, 0, "M5") && w.wait(e.stroke, e.wait)
			}
			return done
		})
		if done {
			_ = w.line(-1, 0, "M5") && w.line(-1, 0, "M2")
		}
	}
}

type writer struct {
	yield  func(Line) bool
	origin geom.Point
	seq    int64
	micros int64
	on     bool
	work   bool
}

func (w *writer) line(stroke int, micros int64, text string) bool {
	w.micros += micros
	l := Line{Seq: w.seq, Text: text, EndMS: ms(w.micros), Stroke: stroke, On: w.on, Work: w.work}
	w.seq++
	return w.yield(l)
}

// wait dwells in parts, so that no line holds the machine longer than one move may.
func (w *writer) wait(stroke int, micros int64) bool {
	for _, part := range parts(micros) {
		if part > 0 && !w.line(stroke, part, "G4 P"+thousandths(ms(part))) {
			return false
		}
	}
	return true
}

func (w *writer) moves(e event, word, feed string) bool {
	w.work = e.kind == working
	defer func() { w.work = false }()
	for _, m := range e.moves {
		total := m.micros()
		times := parts(total)
		for i, part := range times {
			to := m.to
			if i+1 < len(times) {
				to = m.at(float64(i+1) / float64(len(times)))
			}
			to = to.Add(w.origin)
			if !w.line(e.stroke, part, word+" X"+thousandths(to.X)+" Y"+thousandths(to.Y)+feed) {
				return false
			}
		}
	}
	return true
}

// parts divides a time into equal parts of at most LongestLineMS.
func parts(micros int64) []int64 {
	const longest = LongestLineMS * 1000
	n := max(1, (micros+longest-1)/longest)
	out := make([]int64, n)
	for i := range n {
		out[i] = micros*(i+1)/n - micros*i/n
	}
	return out
}

// feed is a speed in mm/min with three decimals.
func feed(umPerS int64) string { return thousandths(umPerS * 60) }

// thousandths prints an integer of thousandths with three decimals.
func thousandths(v int64) string {
	b := make([]byte, 0, 16)
	if v < 0 {
		b = append(b, '-')
		v = -v
	}
	b = strconv.AppendInt(b, v/1000, 10)
	r := v % 1000
	return string(append(b, '.', byte('0'+r/100), byte('0'+r/10%10), byte('0'+r%10)))
}
