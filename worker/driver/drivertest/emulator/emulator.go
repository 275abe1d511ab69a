// Package emulator is an imaginary machine for tests of drivers that talk over a cable: a carriage that
// moves at constant speeds, takes words after ISO 6983-1 and answers in a dialect of its own. It knows
// only bytes; its faults are asked for by name.
package emulator

import (
	"fmt"
	"hash/crc32"
	"math"
	"os"
	"strings"
	"sync"
	"time"

	"kerfgate/plan/geom"
)

// Config says which carriage.
type Config struct {
	Pace     float64       // its seconds for one of ours; 0 means 1
	Watchdog time.Duration // without a line or a sign of life the tool goes off and it is alarmed; 0 means never
	Counts   bool          // it tells what it has done
	Locks    bool          // it takes Arm and Disarm
	Says     bool          // it says when it was stopped
	// AccelMMS2 is the carriage's inertia, along both axes; 0 means none: it has its speed at once.
	AccelMMS2 float64
	TellsOff  bool    // held, it tells where its tool went off
	SpanMM    float64 // what it measures between its marks along x and tells; 0 means that it tells nothing
	// EnergyFile gets a line each time the tool goes on or off, with the time in nanoseconds.
	EnergyFile string
	Say        func(text string)
}

// queueBytes is what it may be owed.
const queueBytes = 256

// homeS is how long its axes take to find their place.
const homeS = 0.2

// Carriage is one machine.
type Carriage struct {
	cfg Config

	mu       sync.Mutex
	queue    []item
	owed     int
	inbox    *string
	open     []byte
	x, y     float64
	nextX    float64
	nextY    float64
	feed     float64
	prog     bool // the lines taken have the tool on
	lit      bool // carried out as far as this
	energy   bool
	placed   bool
	willBe   bool
	locked   bool
	held     bool
	stopped  bool
	lid      bool
	alarmed  string
	mute     bool
	doneS    float64
	heard    time.Time
	lines    [][]geom.Point
	lastItem *item
	v        float64 // mm/s, of a carriage with inertia
	level    float64 // as S words left it, thousandths
	off      *geom.Point
	doses    []Dose
}

// Dose is how long the tool was on over a place, in seconds.
type Dose struct{ X, Y, S float64 }

// item is one step of what was taken.
type item struct {
	kind     byte // 'm'ove, 'd'well, 'o'n, 'f' off, 'h'ome
	x, y     float64
	speed    float64
	left     float64 // seconds of a dwell
	levels   bool    // it sets the level
	level    float64
	bytes    int
	finished bool
}

// New makes a carriage that has just been switched on.
func New(cfg Config) *Carriage {
	if cfg.Pace == 0 {
		cfg.Pace = 1
	}
	return &Carriage{cfg: cfg, x: 50, y: 50, nextX: 50, nextY: 50, locked: cfg.Locks, heard: time.Now(), level: 1000}
}

// Run lets time pass until stop is closed. It greets first.
func (c *Carriage) Run(stop <-chan struct{}) {
	c.mu.Lock()
	c.say("good morning")
	c.mu.Unlock()
	ticker := time.NewTicker(time.Millisecond)
	defer ticker.Stop()
	last := time.Now()
	for {
		select {
		case <-stop:
			return
		case now := <-ticker.C:
			c.mu.Lock()
			c.advance(now.Sub(last).Seconds() * c.cfg.Pace)
			if c.energy && c.cfg.Watchdog > 0 && now.Sub(c.heard) > c.cfg.Watchdog {
				c.alarm("nobody there")
			}
			c.mu.Unlock()
			last = now
		}
	}
}

func (c *Carriage) say(text string) {
	if !c.mute {
		c.cfg.Say(text)
	}
}

// Feed takes bytes from a serial cable, on which commands stand between the others.
func (c *Carriage) Feed(data []byte) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, b := range data {
		if n, ok := commandOf(b); ok {
			c.command(n)
			continue
		}
		c.heard = time.Now()
		switch {
		case b == '\n':
			line := string(c.open)
			c.open = c.open[:0]
			c.lineIn(line)
		case len(c.open) < 200:
			c.open = append(c.open, b)
		}
	}
}

// Word takes a command from a descriptor of its own.
func (c *Carriage) Word(word string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if n := commandNamed(word); n >= 0 {
		c.command(n)
	}
}

func (c *Carriage) command(n int) {
	switch n {
	case cmdAsk:
		c.tellWhere()
		return
	case cmdHold:
		c.hold()
	case cmdGoOn:
		if !c.lid {
			c.held, c.off = false, nil
		}
	case cmdStop:
		c.drop()
		c.stopped = true
		if c.cfg.Says {
			c.say("enough it is")
		}
	case cmdForget:
		c.stopped, c.alarmed, c.open = false, "", c.open[:0]
	case cmdArm:
		c.locked = !c.cfg.Locks
		c.doneS, c.lines, c.lastItem, c.doses = 0, nil, nil, nil
	case cmdDisarm:
		c.locked = c.cfg.Locks
	}
	c.heard = time.Now()
	c.switchEnergy()
}

// hold takes the tool off and remembers where that was.
func (c *Carriage) hold() {
	if c.energy {
		at := um(c.x, c.y)
		c.off = &at
	}
	c.held = true
}

// drop forgets everything.
func (c *Carriage) drop() {
	c.queue, c.owed, c.inbox, c.open = nil, 0, nil, c.open[:0]
	c.prog, c.lit, c.held, c.feed, c.v, c.level, c.off = false, false, false, 0, 0, 1000, nil
	c.nextX, c.nextY, c.willBe = c.x, c.y, c.placed
	c.switchEnergy()
}

func (c *Carriage) alarm(why string) {
	c.drop()
	c.alarmed = why
	c.placed, c.willBe = false, false
	c.say("help: " + why)
}

func (c *Carriage) tellWhere() {
	text := fmt.Sprintf("at %.3f %.3f", c.x, c.y)
	if c.cfg.Counts {
		text += fmt.Sprintf(" %d", int64(math.Round(c.doneS*1000)))
	}
	if c.cfg.TellsOff && c.held && c.off != nil {
		text += fmt.Sprintf(" dark %.3f %.3f", float64(c.off.X)/1000, float64(c.off.Y)/1000)
	}
	for _, t := range []struct {
		is   bool
		word string
	}{{len(c.queue) > 0 || c.inbox != nil, " busy"}, {c.energy, " lit"}, {c.placed, " sure"}, {c.held, " resting"}, {c.lid, " agape"}} {
		if t.is {
			text += t.word
		}
	}
	c.say(text)
}

func (c *Carriage) lineIn(line string) {
	switch {
	case c.alarmed != "":
		c.say("won't: alarmed, " + c.alarmed)
	case c.stopped:
		c.say("won't: stopped")
	case c.inbox != nil:
		c.say("won't: one at a time")
	default:
		c.inbox = &line
		c.take()
	}
}

// take answers the line that waits, once there is room for it.
func (c *Carriage) take() {
	if c.inbox == nil || c.owed > 0 && c.owed+len(*c.inbox)+1 > queueBytes {
		return
	}
	line := *c.inbox
	c.inbox = nil
	if err := c.read(line); err != nil {
		c.say("won't: " + err.Error())
		return
	}
	c.say(fmt.Sprintf("have %d %08x", len(line), crc32.ChecksumIEEE([]byte(line))))
}

// advance carries out what is owed for s of its seconds.
func (c *Carriage) advance(s float64) {
	for s > 0 && len(c.queue) > 0 && (!c.held || c.v > 0) {
		it := &c.queue[0]
		used := 0.0
		if it.levels {
			it.levels, c.level = false, it.level
			c.switchEnergy()
		}
		switch it.kind {
		case 'o', 'f':
			c.lit = it.kind == 'o'
			c.switchEnergy()
			it.finished = true
		case 'd', 'h':
			used = min(s, it.left)
			it.left -= used
			if it.finished = it.left <= 0; it.finished && it.kind == 'h' {
				if c.cfg.SpanMM > 0 {
					c.say(fmt.Sprintf("between %.3f", c.cfg.SpanMM))
				}
				c.x, c.y, c.placed = 0, 0, true
			}
		case 'm':
			if c.cfg.AccelMMS2 > 0 {
				used = c.glide(it, s)
				break
			}
			dx, dy := it.x-c.x, it.y-c.y
			d := math.Hypot(dx, dy)
			used = min(s, d/it.speed)
			x, y := c.x+dx*used*it.speed/max(d, 1e-12), c.y+dy*used*it.speed/max(d, 1e-12)
			if it.finished = used >= d/it.speed; it.finished {
				x, y = it.x, it.y
			}
			c.burn(it, x, y)
			c.x, c.y = x, y
		}
		s -= used
		c.doneS += used
		if it.finished {
			c.owed -= it.bytes
			c.queue = c.queue[1:]
			c.lastItem = nil
			c.take()
		}
	}
}

// burn draws from where the carriage is to a place, if the tool has its energy.
func (c *Carriage) burn(it *item, x, y float64) {
	if !c.energy {
		return
	}
	from, to := um(c.x, c.y), um(x, y)
	n := len(c.lines)
	switch {
	case n > 0 && c.lastItem == it && c.lines[n-1][len(c.lines[n-1])-1] == from:
		c.lines[n-1][len(c.lines[n-1])-1] = to
	case n > 0 && c.lines[n-1][len(c.lines[n-1])-1] == from:
		c.lines[n-1] = append(c.lines[n-1], to)
	default:
		c.lines = append(c.lines, []geom.Point{from, to})
	}
	c.lastItem = it
}

// switchEnergy sets the tool as lines, lock, hold and lid leave it.
func (c *Carriage) switchEnergy() {
	on := c.lit && c.level > 0 && !c.locked && !c.held && !c.stopped && c.alarmed == ""
	if on == c.energy {
		return
	}
	c.energy = on
	c.lastItem = nil
	if c.cfg.EnergyFile != "" {
		f, err := os.OpenFile(c.cfg.EnergyFile, os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o600)
		if err == nil {
			fmt.Fprintln(f, time.Now().UnixNano(), on)
			f.Close()
		}
	}
}

// Burned are the lines since the tool was last unlocked, or since the beginning.
func (c *Carriage) Burned() (lines [][]geom.Point, lengthUM int64) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, l := range c.lines {
		lines = append(lines, append([]geom.Point(nil), l...))
		for i := 1; i < len(l); i++ {
			lengthUM += int64(math.Round(geom.Distance(l[i-1], l[i])))
		}
	}
	return lines, lengthUM
}

// Energy says whether the tool is on.
func (c *Carriage) Energy() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.energy
}

// Ways to make it fail.

// Mute lets it say nothing any more, or again; it goes on working.
func (c *Carriage) Mute(on bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.mute = on
}

// Lid opens or closes its lid.
func (c *Carriage) Lid(open bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.lid = open; open {
		c.hold()
		c.switchEnergy()
		c.say("lid up")
	}
}

// Shove carries the carriage away by hand while its motors are off: it stands elsewhere and does not know where.
func (c *Carriage) Shove(dx, dy float64) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.x, c.y = c.x+dx, c.y+dy
	c.placed, c.willBe = false, false
}

// Fail raises an alarm.
func (c *Carriage) Fail(why string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.alarm(why)
}

// Say lets it say something out of turn.
func (c *Carriage) Say(text string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.say(text)
}

// Restart is its supply taken away for a moment.
func (c *Carriage) Restart() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.drop()
	c.stopped, c.alarmed, c.placed, c.willBe, c.locked = false, "", false, false, c.cfg.Locks
	c.say("good morning")
}

func um(x, y float64) geom.Point {
	return geom.Pt(int64(math.Round(x*1000)), int64(math.Round(y*1000)))
}

// fields splits a line into words: a letter with its number.
func fields(line string) (out []string) {
	for _, r := range line {
		if r >= 'A' && r <= 'Z' {
			out = append(out, string(r))
		} else if r != ' ' && len(out) > 0 {
			out[len(out)-1] += string(r)
		} else if r != ' ' {
			out = append(out, strings.ToLower(string(r)))
		}
	}
	return out
}
