package talk

import (
	"bytes"
	"fmt"
	"time"

	"kerfgate/plan/geom"
	"kerfgate/worker/driver"
)

// listen reads what the machine says, line by line, until the cable ends.
func (d *Driver) listen(s *session) {
	defer close(s.ended)
	buffer := make([]byte, 4096)
	var open []byte // a line that is not complete
	for {
		n, err := s.cable.Read(buffer)
		d.mu.Lock()
		for rest := buffer[:n]; ; {
			i := bytes.IndexAny(rest, "\r\n")
			if i < 0 {
				open = append(open, rest...)
				break
			}
			open = append(open, rest[:i]...)
			if rest = rest[i+1:]; len(open) > 0 {
				d.hear(s, string(open))
			}
			open = open[:0]
		}
		if len(open) > longestAnswer {
			d.odd(string(open))
			open = open[:0]
		}
		if err != nil {
			s.gone = true
			if d.session == s {
				d.stopHeard = true // whatever could have answered is gone
				d.lose(fmt.Sprintf("the cable ended: %v", err))
			}
		}
		d.mu.Unlock()
		if err != nil {
			return
		}
	}
}

// hear takes one line. The caller holds mu.
func (d *Driver) hear(s *session, text string) {
	if d.session != s || d.closed {
		return
	}
	l := d.lang
	if p, ok := l.readHere(text); ok {
		d.heardHere(p)
		return
	}
	if span, ok := l.readSpan(text); ok {
		d.heardSpan(span)
		return
	}
	switch {
	case l.wakes != nil && l.wakes.MatchString(text):
		s.woke = true
		if !s.waking {
			d.lose("it has started anew")
		}
	case d.renewed != nil && (l.taken.MatchString(text) || l.refused.MatchString(text)):
		d.renewed.hear(l, text)
	case d.waiting && l.taken.MatchString(text):
		bad := l.arrived(text, d.line)
		d.settleLine(&answer{taken: bad == nil, bad: bad})
		if bad != nil {
			d.tellOff()
			d.lose("a line was garbled on its way: " + bad.Error())
		}
	case d.waiting && l.refused.MatchString(text):
		d.settleLine(&answer{words: l.words(text)})
	case l.stopped != nil && l.stopped.MatchString(text):
		d.stopHeard = true
	default:
		for _, t := range l.troubles {
			if t.pattern.MatchString(text) {
				if t.kind == driver.EventAlarm {
					d.alarm = text
				}
				d.report(t.kind, text)
				d.wake()
				return
			}
		}
		d.odd(text)
		return
	}
	d.wake()
}

// settleLine ends the wait for a line's answer. What the machine is asked from now on tells whether
// the line has been carried out.
func (d *Driver) settleLine(a *answer) {
	d.answer, d.waiting = a, false
	d.need = d.asks + 1
	if a.taken {
		d.took(d.line)
	}
}

// took remembers a line that the machine has.
func (d *Driver) took(line string) {
	if driver.SwitchesOff(line) {
		d.lit = false
	}
	if driver.SwitchesOn(line) {
		d.lit, d.could = true, true
	}
	if d.armed && d.lang.tellsOff {
		d.memory.add(line)
	}
}

// heardSpan keeps what the machine measured; an axis that is not named keeps what it had.
func (d *Driver) heardSpan(span geom.Point) {
	if span.X != 0 {
		d.span.X = span.X
	}
	if span.Y != 0 {
		d.span.Y = span.Y
	}
	d.wake()
}

func (d *Driver) heardHere(p place) {
	d.here = p
	if p.held && p.placed && p.off != nil {
		d.heldOff = p.off
	}
	if d.asked && d.sent {
		d.asked, d.sent = false, false
		d.answered = d.asks
		if !d.stopAt.IsZero() && d.asks >= d.need && d.lang.stopped == nil {
			d.stopHeard = true
		}
	}
	if d.answered >= d.need && !p.moving && !d.lit {
		d.could = false
	}
	if d.lang.toolOn == nil {
		d.here.toolOn = d.could && (p.moving || d.lit) && !d.held
	}
	d.wake()
}

// odd is a line that nobody knows. A few may come from a bad cable: if they stood for an answer, that
// answer is missed soon enough. Many are babble.
func (d *Driver) odd(text string) {
	now := time.Now()
	if now.Sub(d.strangeAt) > time.Second {
		d.strange, d.strangeAt = 0, now
	}
	d.strange += len(text) + 1
	if len(text) > 80 {
		text = text[:80]
	}
	if d.strange > mostStrange {
		d.tellOff()
		d.lose(fmt.Sprintf("it says what the profile does not know, such as %q", text))
		return
	}
	d.cfg.Log.Info("the machine says what the profile does not know", "text", text)
}

// tellOff sends a stop on the driver's own account, where what the machine does can no longer be
// known; whoever is told of the lost contact stops it once more.
func (d *Driver) tellOff() {
	if s := d.session; s != nil && !s.gone {
		if err := s.cable.Stop(d.lang.stop); err != nil {
			d.cfg.Log.Warn("stopping a machine that cannot be trusted", "error", err)
		}
	}
}
