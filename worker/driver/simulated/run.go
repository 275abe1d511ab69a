package simulated

import (
	"fmt"
	"math"
)

// instantS is below what two instants must differ by to be two.
const instantS = 1e-9

// silentHost is why the supply's watchdog takes the energy away.
const silentHost = "no sign of life from the host"

// advance carries the machine on to an instant of its own time.
func (m *controller) advance(to float64) {
	for {
		m.atOnce()
		h := to - m.now
		if h < instantS {
			return
		}
		h = max(min(h, m.supply.due-m.now, m.dogAt()-m.now), 0)
		c := &m.carriage
		if m.mode == resting || c.cur >= len(c.queue) {
			c.v = 0
			m.stand(h)
			continue
		}
		halts := m.mode == halting
		l, finished := c.step(h, halts)
		inner := c.queue[c.cur].inner
		m.burn(l)
		m.now += l.dt
		if !inner && (m.mode == going || m.mode == coasting && !m.mark.set) {
			m.doneS += l.dt
		}
		if l.crashed {
			m.crash()
			continue
		}
		if finished {
			m.next()
		}
	}
}

// stand lets time pass on the spot; a tool that is on burns there.
func (m *controller) stand(h float64) {
	m.burn(leg{dt: h, from: m.carriage.at, id: -1})
	m.now += h
}

// burn lets the carriage follow its motors, and the tool that is on leave its mark.
func (m *controller) burn(l leg) {
	m.lost.follow(l, func(l leg) {
		if m.supply.on && l.dt > 0 {
			m.sheet.burn(l.over(m.built), m.supply.powerMW())
		}
	})
}

// next goes to the next item. While holding the queue is kept, to be gone over again.
func (m *controller) next() {
	c := &m.carriage
	c.done = 0
	if m.mode != going {
		c.cur++
		return
	}
	m.pop()
	m.take()
}

// pop drops the item that has been carried out.
func (m *controller) pop() {
	m.changes++
	m.release(m.carriage.queue[0])
	m.carriage.queue = m.carriage.queue[1:]
}

// release takes a line off what is owed, with its last item.
func (m *controller) release(it item) {
	if it.frees > 0 {
		m.owed -= it.frees
		m.count--
	}
}

// atOnce does everything that takes no time: what the tool follows, what the watchdog sees, actions
// on the path, and the end of slowing down.
func (m *controller) atOnce() {
	c := &m.carriage
	for {
		switch {
		case m.supply.due <= m.now+instantS:
			m.changes++
			if m.supply.follow(m.supply.due); !m.supply.on {
				m.sheet.lift()
			}
		case m.now >= m.dogAt()-instantS:
			m.raise(silentHost)
		case m.mode == coasting && !m.supply.on:
			m.setMark()
			m.mode = halting
		case m.mode == halting && c.v == 0:
			m.rested()
		case m.mode != resting && c.cur < len(c.queue) && c.queue[c.cur].kind > dwell:
			if m.mode != going {
				m.pass(c.queue[c.cur])
				c.cur++
				continue
			}
			it := c.queue[0]
			m.act(it)
			if len(c.queue) > 0 && c.queue[0].id == it.id && m.mode == going {
				m.next()
			}
		default:
			return
		}
	}
}

// pass goes over an item while the carriage comes to rest. Where the tool is still on and would only
// change its power it does; anything else is done when the carriage goes on.
func (m *controller) pass(it item) {
	if it.kind == toolOn && it.level > 0 && m.supply.on && !m.mark.set {
		m.level, m.supply.level = it.level, it.level
		return
	}
	m.setMark()
}

// act carries out an item that takes no time.
func (m *controller) act(it item) {
	switch it.kind {
	case toolOn:
		m.light(it.level)
	case toolOff:
		m.lit = false
		m.supply.command(m.now, false, 0)
	case placed:
		m.homed, m.span = true, m.measuredSpan()
	case trouble:
		if it.fault == lidFault {
			m.pop() // not met again when the carriage goes on
			m.setLid(true)
			return
		}
		m.raise(it.fault)
	}
}

// light switches the tool on. The edge counter is written before energy is commanded; a machine
// that cannot count does not burn.
func (m *controller) light(level float64) {
	m.lit, m.level = true, level
	if !m.supply.enabled || m.lidOpen && m.interlock {
		return
	}
	if m.now > m.heard+m.watchdogS {
		m.raise(silentHost)
		return
	}
	energised := level > 0 || m.limits.ink
	if energised && !m.edged && m.edgeFile != "" {
		if err := writeEdge(m.edgeFile, m.run); err != nil {
			m.raise(err.Error())
			return
		}
		m.edged = true
	}
	m.supply.command(m.now, energised, level)
}

// dogAt is when the supply's watchdog takes the energy away.
func (m *controller) dogAt() float64 {
	if !m.supply.commanded {
		return math.Inf(1)
	}
	return m.heard + m.watchdogS
}

// halt takes the tool off and slows the carriage down once it is off.
func (m *controller) halt() {
	m.supply.command(m.now, false, 0)
	m.resume = false
	if m.mode == going {
		m.mark = mark{}
		m.mode = coasting
	}
}

// hold takes the tool off and lets the carriage rest on its path.
func (m *controller) hold() {
	m.resume = false
	if m.mode == going && m.state == ready {
		m.holding = true
		m.halt()
	}
}

// stop takes the tool off and forgets all lines.
func (m *controller) stop() {
	if m.state == ready {
		m.state = stopped
	}
	m.drop()
}

// raise is an alarm: the machine ends its motion and refuses everything until told to forget.
func (m *controller) raise(why string) {
	m.supply.command(m.now, false, 0)
	if m.state == alarmed {
		return
	}
	m.state, m.why = alarmed, why
	m.say(sayTrouble, "alarm "+why)
	m.drop()
}

// drop ends what is being done: nothing that is owed will be carried out.
func (m *controller) drop() {
	m.holding, m.lit = false, false
	m.halt()
	m.take() // the line that waits is answered
	if m.mode == resting {
		m.rested()
	}
}

// crash is the carriage against a hard stop: it stands where it is and no longer knows where.
func (m *controller) crash() {
	m.mode = halting
	at := um(m.carriage.at)
	m.raise(fmt.Sprintf("hard stop met at X%.3f Y%.3f", mm(at.X), mm(at.Y)))
}

// rested is the carriage at rest after slowing down.
func (m *controller) rested() {
	m.mode = resting
	m.changes++
	if m.holding {
		if m.resume {
			m.goBack()
		}
		return
	}
	c := &m.carriage
	c.queue, c.cur, c.done, c.v = nil, 0, 0, 0
	m.owed, m.count = 0, 0
	m.program = program{at: c.at, motion: noMotion}
	m.lit = false
	if m.state == alarmed {
		m.homed = false
	}
}

// forget makes the machine ready again, once it rests. After an alarm the axes must be placed anew.
func (m *controller) forget() {
	m.in, m.over = m.in[:0], false
	if m.state == ready || m.mode != resting {
		return
	}
	m.state, m.why, m.mode = ready, "", going
}

// goOn lets the carriage go on after hold; it waits for the carriage to rest first.
func (m *controller) goOn() {
	switch {
	case !m.holding || m.lidOpen && m.interlock:
	case m.mode == resting:
		m.goBack()
	default:
		m.resume = true
	}
}

// setMark notes where on the path the tool went off, or where the program would have changed it:
// from there the path is gone over again.
func (m *controller) setMark() {
	if !m.mark.set {
		m.mark = mark{set: true, cur: m.carriage.cur, done: m.carriage.done, v: m.carriage.v, unit: m.carriage.unit, accel: m.carriage.accel}
	}
}

// goBack returns the carriage along its path, tool off, to the mark; there the tool goes on again
// as the program had it, and the rest of the queue follows. Where it did not rest there it passes the mark as fast as
// it did before, after a run-in, so that the sheet shows no darker spot: at a corner too.
func (m *controller) goBack() {
	c := &m.carriage
	old, from := c.queue, c.cur
	c.queue, c.cur, c.done, c.v = nil, 0, 0, 0
	for _, it := range old[:m.mark.cur] {
		m.release(it)
	}
	if m.mark.cur < len(old) { // it was not held with nothing to do
		m.goOver(old, from)
	}
	c.plan()
	m.sheet.takeUp()
	m.holding, m.resume, m.mode = false, false, going
	m.take()
}

// goOver queues the way back over the old queue, from item from to the mark, and what follows there.
func (m *controller) goOver(old []item, from int) {
	c := &m.carriage
	at := c.at
	for i := min(from, len(old)-1); i >= m.mark.cur; i-- {
		if old[i].kind != move {
			continue
		}
		to := old[i].from
		if i == m.mark.cur {
			to = to.along(old[i].unit, m.mark.done)
		}
		if it, ok := c.line(at, to, m.limits.travelMMS); ok {
			it.inner, it.id = true, old[i].id
			c.push(it)
			at = to
		}
	}
	rest := m.remaining(old[m.mark.cur], at)
	if m.lit && m.level > 0 && !m.runIn(&rest, at) {
		c.push(item{kind: toolOn, level: m.level, inner: true}, item{kind: dwell, seconds: m.supply.onDelay, inner: true})
	}
	for i := m.mark.cur; i < len(old); i++ {
		it := old[i]
		if i == m.mark.cur {
			if it = rest; it.kind == move && it.length < nearMM { // its end is passed, not stood at
				m.release(it)
				continue
			}
		}
		c.push(it)
	}
}

// runIn takes the carriage back in line with the way on which it came to the mark, and from there over the mark at its
// former speed, the tool told to be on as much sooner as it takes. False where the carriage stood at the mark or there
// is no room within the travel. What is left of a move that ends soon becomes one with the way over the mark, since a
// corner is passed the slower the shorter the moves are that meet there.
func (m *controller) runIn(rest *item, at vec) bool {
	const soonMM = 0.5
	id := rest.id
	v, unit, accel := m.mark.v, m.mark.unit, m.mark.accel
	if v <= 0 || accel <= 0 {
		return false
	}
	lead := v * m.supply.onDelay
	start := at.along(unit, -lead-v*v/(2*accel))
	lit := at.along(unit, -lead)
	if p := um(start); p.X < m.travel.Min.X || p.Y < m.travel.Min.Y || p.X > m.travel.Max.X || p.Y > m.travel.Max.Y {
		return false
	}
	c := &m.carriage
	back, ok := c.line(at, start, m.limits.travelMMS)
	if !ok {
		return false
	}
	back.inner, back.id = true, id
	c.push(back)
	part := func(from, to vec) {
		if l, ok := c.line(from, to, v); ok {
			l.inner, l.id, l.unit, l.accel = true, id, unit, accel
			c.push(l)
		}
	}
	part(start, lit)
	c.push(item{kind: toolOn, level: m.level, inner: true})
	if rest.kind == move && rest.unit == unit && rest.length > nearMM && rest.length < soonMM {
		rest.from, rest.length, rest.crash, rest.speed = lit, rest.length+lead, rest.crash+lead, v
		return true
	}
	part(lit, at)
	return true
}

// remaining is what is left of the marked item.
func (m *controller) remaining(it item, at vec) item {
	switch it.kind {
	case move:
		it.from = at
		it.length -= m.mark.done
		it.crash -= m.mark.done
	case dwell:
		it.seconds -= m.mark.done
	}
	return it
}
