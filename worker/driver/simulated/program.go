package simulated

import (
	"fmt"
	"math"

	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
)

// program is what the lines taken so far have set; ISO 6983 words stay in force until changed.
type program struct {
	at     vec
	motion int
	feed   float64 // mm/min; 0 when none was given since the start or an end
	power  word
	lit    bool
}

// accept reads a line and queues what it asks for. Nothing is changed when it is refused.
func (m *controller) accept(line string) error {
	if !printable(line) {
		return fmt.Errorf("characters that are no words")
	}
	b, err := readBlock(line)
	if err != nil {
		return err
	}
	next := m.program
	if b.motion != noMotion {
		next.motion = b.motion
	}
	if b.feed.set {
		next.feed = b.feed.v
	}
	if b.power.set {
		next.power = b.power
	}
	items, err := m.items(b, &next)
	if err != nil {
		return err
	}
	m.program = next
	if len(items) == 0 {
		return nil
	}
	for i := range items {
		m.ids++
		items[i].id, items[i].line = m.ids, m.lines
	}
	items[len(items)-1].frees = len(line) + 1
	m.owed += len(line) + 1
	m.count++
	m.carriage.push(items...)
	return nil
}

// items turns a block into steps: the tool goes on before the motion and off after it. M words are
// carried out at rest; S alone changes the power on the way where the machine's switch can do that.
func (m *controller) items(b block, next *program) ([]item, error) {
	var items []item
	if text := m.troubleAt(m.lines); text != "" {
		items = append(items, item{kind: trouble, fault: text})
	}
	if b.place {
		return append(items, m.placingItems(next)...), nil
	}
	moves := b.x.set || b.y.set
	if (moves || b.on) && !m.homed && !m.placingQueued() {
		return nil, fmt.Errorf("the axes have not found their place")
	}
	if b.on {
		next.lit = true
	}
	if next.lit && (b.on || b.power.set) {
		it, err := m.lightItem(next)
		if err != nil {
			return nil, err
		}
		it.rests = it.rests || b.on
		items = append(items, it)
	}
	if moves {
		it, ok, err := m.moveItem(b, next)
		if err != nil {
			return nil, err
		}
		if ok {
			items = append(items, it)
		}
	}
	if b.wait {
		items = append(items, item{kind: dwell, seconds: b.seconds.v})
	}
	if b.off || b.end {
		next.lit = false
		items = append(items, item{kind: toolOff, rests: true})
	}
	if b.end {
		next.feed, next.power, next.motion = 0, word{}, noMotion
	}
	return items, nil
}

func (m *controller) lightItem(next *program) (item, error) {
	switch {
	case !next.power.set:
		return item{}, fmt.Errorf("tool on without S")
	case !m.supply.enabled:
		return item{}, fmt.Errorf("tool on while the supply's enabling contact is open")
	case !m.limits.levels && !m.limits.ink && next.power.v != 0 && next.power.v != fullPower:
		return item{}, fmt.Errorf("power S%g: this supply knows off and full only", next.power.v)
	}
	return item{kind: toolOn, level: next.power.v / fullPower, rests: !m.limits.inMotion}, nil
}

func (m *controller) moveItem(b block, next *program) (item, bool, error) {
	to := next.at
	if b.x.set {
		to.x = b.x.v
	}
	if b.y.set {
		to.y = b.y.v
	}
	speed := m.limits.travelMMS
	switch next.motion {
	case noMotion:
		return item{}, false, fmt.Errorf("a place without a kind of motion")
	case motionTravel:
		if next.lit {
			return item{}, false, fmt.Errorf("travel with the tool on")
		}
	case motionWork:
		if next.feed == 0 {
			return item{}, false, fmt.Errorf("work without F")
		}
		most := max(m.limits.workMMS, m.limits.travelMMS)
		if next.lit {
			most = m.limits.workMMS
		}
		speed = next.feed / 60
		if speed > most+0.001 { // F is rounded by whoever writes the line
			return item{}, false, fmt.Errorf("feed F%g is out of range: at most %g", next.feed, most*60)
		}
	}
	it, ok := m.carriage.line(next.at, to, speed)
	if ok {
		it.crash = m.crashDistance(it)
	}
	next.at = to
	return it, ok, nil
}

// crashDistance is how far along a move the carriage meets a hard stop; +Inf when it does not.
func (m *controller) crashDistance(it item) float64 {
	if inside(m.stops, it.to) {
		return math.Inf(1)
	}
	d := math.Inf(1)
	for _, axis := range [2]struct {
		from, unit float64
		low, high  int64
	}{
		{it.from.x, it.unit.x, m.stops.Min.X, m.stops.Max.X},
		{it.from.y, it.unit.y, m.stops.Min.Y, m.stops.Max.Y},
	} {
		switch {
		case axis.unit > 0:
			d = min(d, (mm(axis.high)-axis.from)/axis.unit)
		case axis.unit < 0:
			d = min(d, (mm(axis.low)-axis.from)/axis.unit)
		}
	}
	return max(d, 0)
}

// placingItems are the moves by which the axes find their place, tool off: towards the end switch at
// the low end, or over the whole span and back to its middle. An axis placed by hand is
// carried to its mark, as a person would do it.
func (m *controller) placingItems(next *program) []item {
	next.lit = false
	items := []item{{kind: toolOff}}
	at := next.at
	low := vec{mm(m.travel.Min.X), mm(m.travel.Min.Y)}
	high := vec{mm(m.travel.Max.X), mm(m.travel.Max.Y)}
	to := func(p vec) {
		if it, ok := m.carriage.line(at, p, m.limits.travelMMS/2); ok {
			it.inner = true
			items = append(items, it)
			at = p
		}
	}
	axis := func(how machine.Placing, place func(float64) vec, least, most float64) {
		switch how.How {
		case machine.PlacingMiddleOfSpan:
			to(place(least))
			to(place(most))
			to(place((least + most) / 2))
		case machine.PlacingByHand:
			to(place(mm(how.MarkUM)))
		default:
			to(place(least))
		}
	}
	axis(m.placing[0], func(v float64) vec { return vec{v, at.y} }, low.x, high.x)
	axis(m.placing[1], func(v float64) vec { return vec{at.x, v} }, low.y, high.y)
	next.at = at
	return append(items, item{kind: placed})
}

// measuredSpan is what each axis that is placed in its middle has measured between its marks.
func (m *controller) measuredSpan() geom.Point {
	span := func(p machine.Placing, off int64) int64 {
		if p.How != machine.PlacingMiddleOfSpan {
			return 0
		}
		return p.SpanUM + off
	}
	return geom.Pt(span(m.placing[0], m.fault.SpanOffUM.X), span(m.placing[1], m.fault.SpanOffUM.Y))
}

// placingQueued says whether the axes will have found their place when what is owed is done.
func (m *controller) placingQueued() bool {
	for _, it := range m.carriage.queue {
		if it.kind == placed {
			return true
		}
	}
	return false
}

// troubleAt is the fault that a test asked for at a line.
func (m *controller) troubleAt(line int) string {
	switch line {
	case m.fault.AlarmAtLine:
		return "drive overheated"
	case m.fault.LidAtLine:
		return lidFault
	}
	return ""
}

// lidFault marks the trouble that opens the lid.
const lidFault = "lid"
