package main

import (
	"fmt"
	"math"
	"time"
)

const (
	storeBytes    = 300     // what the machine may be owed, ends of lines included
	rapidMMPerMin = 12000.0 // G0 and G28
)

// Where the carriage stands, from the far corner, when it wakes; nobody told it, so it counts from zero.
const wakeX, wakeY = 23.0, 11.0

// carriage is the machine without its cable. It has no inertia: it rests the instant it is held.
type carriage struct {
	lockable bool

	x, y    float64 // mm from the end of the axes
	placed  bool
	on      bool  // as M3 and M5 left it
	power   int64 // thousandths
	locked  bool
	held    bool
	stopped bool

	now    modal // what stands after the lines begun
	next   modal // what will stand after the lines taken
	store  []line
	began  bool // the first of the store has been begun
	left   float64
	fromX  float64
	fromY  float64
	toX    float64
	toY    float64
	length float64 // seconds of the line begun

	clock time.Time // until when everything has been carried out
}

func newCarriage(lockable bool, at time.Time) *carriage {
	m := modal{power: -1}
	return &carriage{lockable: lockable, locked: lockable, x: wakeX, y: wakeY, now: m, next: m, clock: at}
}

// room says whether a line of so many bytes and its end fit beside what has not been carried out.
func (c *carriage) room(bytes int) bool {
	owed := bytes + 1
	for _, l := range c.store {
		owed += l.bytes + 1
	}
	return owed <= storeBytes
}

// take understands a line and stores it, or says why not.
func (c *carriage) take(text string) error {
	if c.stopped {
		return fmt.Errorf("stopped, i wait for forget")
	}
	l, err := understand(text, c.next)
	if err != nil {
		return err
	}
	if l.toolOn && c.locked {
		return fmt.Errorf("the tool is locked")
	}
	c.next = l.after
	c.store = append(c.store, l)
	return nil
}

// carryOn carries out what time allows until then. A line that ends in between is followed by the
// next in the same instant, so no time is lost at joints.
func (c *carriage) carryOn(until time.Time) {
	seconds := until.Sub(c.clock).Seconds()
	c.clock = until
	for !c.held && len(c.store) > 0 {
		if !c.began {
			c.begin(c.store[0])
		}
		if c.left > seconds {
			c.left -= seconds
			done := 1 - c.left/c.length
			c.x = c.fromX + float64((c.toX-c.fromX)*done)
			c.y = c.fromY + float64((c.toY-c.fromY)*done)
			return
		}
		seconds -= c.left
		c.finish(c.store[0])
	}
}

func (c *carriage) begin(l line) {
	c.began, c.left = true, 0
	c.now = l.after
	if l.setsPower {
		c.power = l.after.power
	}
	if l.toolOn && !c.locked {
		c.on = true
	}
	c.fromX, c.fromY, c.toX, c.toY = c.x, c.y, c.x, c.y
	speed := l.speed
	switch l.way {
	case straight:
		if l.hasX {
			c.toX = l.x
		}
		if l.hasY {
			c.toY = l.y
		}
	case homing:
		c.toX, c.toY, speed = 0, 0, rapidMMPerMin/60.0
		c.placed = false
	case dwell:
		c.left = l.seconds
	}
	if d := math.Hypot(c.toX-c.fromX, c.toY-c.fromY); d > 0 {
		c.left = d / speed
	}
	c.length = c.left
}

func (c *carriage) finish(l line) {
	c.x, c.y, c.left, c.began = c.toX, c.toY, 0, false
	if l.off {
		c.on = false
	}
	if l.way == homing {
		c.placed = true
	}
	c.store = c.store[1:]
}

// stop takes the tool off and forgets lines and a hold; the place is kept, save where homing was cut off.
func (c *carriage) stop() {
	c.on, c.held, c.stopped = false, false, true
	c.store, c.began, c.left = nil, false, 0
	c.now.placed = c.placed
	c.next = c.now
}

func (c *carriage) lock() {
	if c.lockable {
		c.locked, c.on = true, false
	}
}

func (c *carriage) lit() bool { return c.on && c.power > 0 && !c.held && !c.locked }

// here tells where it is, in whole micrometres, and how it is.
func (c *carriage) here() string {
	x, y := c.x, c.y
	if !c.placed {
		x, y = x-wakeX, y-wakeY
	}
	s := fmt.Sprintf("[%d,%d]", int64(math.Round(x*1000)), int64(math.Round(y*1000)))
	for _, f := range []struct {
		is   bool
		says string
	}{{len(c.store) > 0, " m"}, {c.lit(), " t"}, {c.placed, " p"}, {c.held, " h"}} {
		if f.is {
			s += f.says
		}
	}
	return s
}
