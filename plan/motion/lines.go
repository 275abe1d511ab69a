package motion

import (
	"iter"
	"strconv"

	"kerfgate/plan/geom"
)

// LongestLineMS is how long the motion of one line may last: after a stop no more than this, and
// what the machine holds already, is left to run.
const LongestLineMS = 250

// Line is one line for the machine.
type Line struct {
	Seq    int64  // from 0
	Text   string // ISO 6983 words, without line end
	EndMS  int64  // planned machine time when it is done, from the first line
	Stroke int    // index of the stroke that it belongs to or travels to; −1 before and after all
	On     bool   // the tool has been told to be on once it is done
	Work   bool   // it moves while the tool is told to be on
}

// Lines renders the job line by line: G21 (mm), G90 (absolute), G0 travel, M3 S… tool on at
// thousandths of its power, G1 … F… (mm and mm/min), M5 tool off, G4 P… wait in seconds, M2 end
// (ISO 6983-1 words; P in seconds for G4 is stated here since that standard leaves it open). Where
// the tool is switched in motion, M3 makes it ready, at S0 if it shall not yet be on, and an S word in
// a G1 line is the power from that line's start on, S0 off; power stays as it was where the word is
// missing. The tool is off at the end and whenever the carriage travels. Nothing but one stroke is
// held in memory; who stops early must switch the tool off.
func Lines(j Job) iter.Seq[Line] {
	return func(yield func(Line) bool) {
		w := &writer{job: &j, yield: yield, origin: snap(j.Origin, j.StepUM)}
		if !w.line(-1, 0, "G21") || !w.line(-1, 0, "G90") || !w.line(-1, 0, "M5") {
			return
		}
		done := true
		j.events(func(e event) bool {
			switch e.kind {
			case travelling:
				done = w.travel(e)
			case resting:
				done = w.wait(e.stroke, e.wait)
			case switchedOn:
				w.level = j.first(e)
				done = w.line(e.stroke, 0, "M3 S"+strconv.FormatInt(w.level, 10)) && w.wait(e.stroke, e.wait)
			case working:
				done = j.blocks(e.course, e.orders, e.power, func(b block) bool { return w.block(e, b) })
			case switchedOff:
				w.level = 0
				done = w.line(e.stroke, 0, "M5") && w.wait(e.stroke, e.wait)
			}
			return done
		})
		if done {
			_ = w.line(-1, 0, "M5") && w.line(-1, 0, "M2")
		}
	}
}

// first is the power at which a stroke begins.
func (j *Job) first(e event) (level int64) {
	j.blocks(e.course, e.orders, e.power, func(b block) bool {
		level = b.level
		return false
	})
	return level
}

type writer struct {
	job    *Job
	yield  func(Line) bool
	origin geom.Point
	seq    int64
	micros int64
	level  int64 // that the tool was told, 0 = off
	work   bool
	text   []byte // room for a line and for the words after its place
	rest   []byte
}

func (w *writer) line(stroke int, micros int64, text string) bool {
	w.micros += micros
	l := Line{Seq: w.seq, Text: text, EndMS: ms(w.micros), Stroke: stroke, On: w.level > 0, Work: w.work}
	w.seq++
	return w.yield(l)
}

// wait dwells in parts, so that no line holds the machine longer than one move may.
func (w *writer) wait(stroke int, micros int64) bool {
	for i, n := int64(0), parts(micros); i < n; i++ {
		if part := micros*(i+1)/n - micros*i/n; part > 0 && !w.line(stroke, part, string(thousandths([]byte("G4 P"), ms(part)))) {
			return false
		}
	}
	return true
}

func (w *writer) travel(e event) bool {
	for i := range e.course.moves {
		if !w.way(e, i, e.course.start[i], e.course.start[i+1], "G0", nil) {
			return false
		}
	}
	return true
}

// block is one part of a stroke at one power.
func (w *writer) block(e event, b block) bool {
	m := &e.course.moves[b.move]
	rest := thousandths(append(w.rest[:0], " F"...), int64(m.asked)*60)
	if b.level != w.level {
		rest = strconv.AppendInt(append(rest, " S"...), b.level, 10)
		w.level = b.level
	}
	w.rest = rest
	w.work = b.level > 0
	defer func() { w.work = false }()
	return w.way(e, b.move, b.from, b.to, "G1", rest)
}

// way goes along a part of a move in equal times, none longer than a line may last.
func (w *writer) way(e event, move int, from, to int64, word string, rest []byte) bool {
	for i, n := int64(0), parts(to-from); i < n; i++ {
		a, b := from+(to-from)*i/n, from+(to-from)*(i+1)/n
		p := e.course.place(move, b).Add(w.origin)
		text := append(append(w.text[:0], word...), " X"...)
		text = append(thousandths(text, p.X), " Y"...)
		text = append(thousandths(text, p.Y), rest...)
		if w.text = text; !w.line(e.stroke, b-a, string(text)) {
			return false
		}
	}
	return true
}

// parts is how many lines a time takes.
func parts(micros int64) int64 {
	const longest = LongestLineMS * 1000
	return max(1, (micros+longest-1)/longest)
}

// thousandths appends an integer of thousandths with three decimals.
func thousandths(b []byte, v int64) []byte {
	if v < 0 {
		b = append(b, '-')
		v = -v
	}
	b = strconv.AppendInt(b, v/1000, 10)
	r := v % 1000
	return append(b, '.', byte('0'+r/100), byte('0'+r/10%10), byte('0'+r%10))
}
