package simulated

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"strings"
	"sync"
	"time"

	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/worker/driver"
)

const (
	// answerWithin is how long a machine may take to answer before it is given up.
	answerWithin = 200 * time.Millisecond
	// shortestLook bounds how often the machine is looked after where motion is sped up much.
	shortestLook = time.Millisecond
	eventsKept   = 32
)

// Config says which machine to imagine. Profile alone is enough.
type Config struct {
	Profile machine.Profile
	// Tool is the profile's tool on the carriage; empty means the first one.
	Tool string
	// EdgeFile is where the edge counter is kept; empty means none. See Edges.
	EdgeFile string
	Log      *slog.Logger
	// Clock is the time that the machine lives in; nil means time.Now. One that counts suspended
	// time lets the machine go on while the host sleeps.
	Clock func() time.Time
	// Watchdog is how long the supply waits for a sign of life with the tool on; zero means what the
	// profile's measured cut-off leaves after the switch's delay, or 600 ms where none is measured.
	Watchdog time.Duration
	// Seed starts the switch's jitter.
	Seed uint64
	// Crop is the part of the travel that the picture shows; zero means all of it.
	Crop geom.Box
	// Fault makes the machine fail, for tests.
	Fault Fault
}

// Fault is what shall go wrong, by the number of the line since the machine was made, from 1 and
// with the lines that Home sends; zero means never.
type Fault struct {
	RefuseLine    int // is refused
	AlarmAtLine   int // raises an alarm when it is carried out
	MuteAfterLine int // is the last one answered
	LidAtLine     int // opens the lid when it is carried out
	// SpanOffUM is how much longer the span of each axis that is placed in its middle measures than the
	// profile says.
	SpanOffUM geom.Point
}

// Driver is a driver.Driver on an imaginary machine.
type Driver struct {
	cfg   Config
	scale float64

	mu      sync.Mutex
	m       *controller
	epoch   time.Time
	opened  bool
	closed  bool
	stopped bool
	armed   bool
	lost    bool
	answer  *string // to the line that was sent last
	waiting bool    // for that answer
	alarm   string
	changed chan struct{} // closed and replaced when something has changed
	seen    int           // changes of the machine that were told
	poke    chan struct{}
	quit    chan struct{}
	done    chan struct{}
	events  chan driver.Event
	sending chan struct{} // holds one token: one line at a time
}

var _ driver.Driver = (*Driver)(nil)

// New describes a simulated machine and its driver. It starts nothing; Open does.
func New(cfg Config) (*Driver, error) {
	tool, err := cfg.check()
	if err != nil {
		return nil, err
	}
	if cfg.Clock == nil {
		cfg.Clock = time.Now
	}
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	d := &Driver{
		cfg: cfg, scale: float64(max(cfg.Profile.Driver.MotionScale, 1)),
		m:       newController(cfg, tool),
		changed: make(chan struct{}), poke: make(chan struct{}, 1),
		quit: make(chan struct{}), done: make(chan struct{}),
		events: make(chan driver.Event, eventsKept), sending: make(chan struct{}, 1),
	}
	return d, nil
}

// check says whether the profile describes a machine that can be imagined, and which tool it holds.
func (c Config) check() (machine.Tool, error) {
	p := c.Profile
	positive := []struct {
		name  string
		value int64
	}{
		{"travel speed", p.TravelSpeedUMPerS}, {"work speed", p.WorkSpeedUMPerS},
		{"acceleration along x", p.AccelXUMPerS2}, {"acceleration along y", p.AccelYUMPerS2},
		{"travel along x", p.TravelUM.Width()}, {"travel along y", p.TravelUM.Height()},
	}
	for _, v := range positive {
		if v.value <= 0 {
			return machine.Tool{}, fmt.Errorf("simulated machine %q: %s is %d, must be above zero", p.Name, v.name, v.value)
		}
	}
	if !p.TravelUM.Inside(p.HardStops) {
		return machine.Tool{}, fmt.Errorf("simulated machine %q: travel reaches past the hard stops", p.Name)
	}
	if len(p.Tools) == 0 {
		return machine.Tool{}, fmt.Errorf("simulated machine %q: no tool", p.Name)
	}
	if c.Tool == "" {
		return p.Tools[0], nil
	}
	tool, ok := p.Tool(c.Tool)
	if !ok {
		return machine.Tool{}, fmt.Errorf("simulated machine %q: no tool named %q", p.Name, c.Tool)
	}
	return tool, nil
}

// Open reaches the machine.
func (d *Driver) Open(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closed || d.opened {
		return fmt.Errorf("%w: it can be opened once", driver.ErrLost)
	}
	d.opened = true
	d.epoch = d.cfg.Clock()
	go d.live()
	return nil
}

// live keeps the machine's time in step with the clock until Close.
func (d *Driver) live() {
	defer close(d.done)
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		select {
		case <-d.quit:
			return
		case <-d.poke:
		case <-timer.C:
		}
		d.mu.Lock()
		d.catchUp()
		next := d.nextLook()
		d.mu.Unlock()
		timer.Reset(next)
	}
}

// nextLook is how long nothing will happen on the machine by itself.
func (d *Driver) nextLook() time.Duration {
	m := d.m
	s := min(m.supply.due, m.dogAt()) - m.now
	if m.mode != resting {
		s = min(s, m.carriage.left(m.mode == halting))
	}
	if math.IsInf(s, 1) {
		return time.Hour
	}
	return max(time.Duration(math.Ceil(s/d.scale*1e9)), shortestLook)
}

// catchUp brings the machine to now and hears what it has to say. The caller holds mu.
func (d *Driver) catchUp() {
	if d.opened && !d.closed {
		d.m.advance(d.cfg.Clock().Sub(d.epoch).Seconds() * d.scale)
		d.hear()
	}
}

// tell sends bytes and hears what comes back. The caller holds mu and has caught up.
func (d *Driver) tell(data ...byte) {
	d.m.receive(data)
	d.m.advance(d.m.now) // what takes no time happens before an answer is looked at
	d.m.changes++
	d.hear()
	select {
	case d.poke <- struct{}{}:
	default:
	}
}

// hear reads the machine's answers and wakes whoever waits.
func (d *Driver) hear() {
	for _, text := range d.m.answers() {
		switch text[0] {
		case sayTaken, sayRefused:
			if d.waiting {
				d.answer, d.waiting = &text, false
			}
		case sayTrouble:
			d.heardTrouble(text[1:])
		}
	}
	if d.m.changes != d.seen {
		d.seen = d.m.changes
		close(d.changed)
		d.changed = make(chan struct{})
	}
}

func (d *Driver) heardTrouble(text string) {
	kind := driver.EventAlarm
	if words, ok := strings.CutPrefix(text, "alarm "); ok {
		d.alarm, text = words, words
	} else if text == driver.EventLid {
		kind = driver.EventLid
	} else if text == driver.EventFlow {
		kind = driver.EventFlow
	}
	d.report(driver.Event{Kind: kind, Text: text})
}

// report hands on an event; one that nobody has room for is logged only.
func (d *Driver) report(e driver.Event) {
	select {
	case d.events <- e:
	default:
		d.cfg.Log.Warn("event of the machine lost", "kind", e.Kind, "text", e.Text)
	}
}

// broken is why nothing can be done, or nil. The caller holds mu.
func (d *Driver) broken() error {
	switch {
	case !d.opened || d.closed:
		return fmt.Errorf("%w: not open", driver.ErrLost)
	case d.stopped:
		return driver.ErrStopped
	case d.lost:
		return driver.ErrLost
	case d.alarm != "":
		return fmt.Errorf("%w: alarm: %s", driver.ErrRefused, d.alarm)
	}
	return nil
}

// giveUp is a machine that does not answer. The caller holds mu.
func (d *Driver) giveUp() error {
	if !d.lost {
		d.lost = true
		d.report(driver.Event{Kind: driver.EventLost, Text: fmt.Sprintf("no answer within %d ms", answerWithin.Milliseconds())})
	}
	return driver.ErrLost
}

// Events tells what the machine does on its own.
func (d *Driver) Events() <-chan driver.Event { return d.events }

// Close lets go of the machine: the supply's enabling contact opens with it.
func (d *Driver) Close() error {
	d.mu.Lock()
	if d.closed {
		d.mu.Unlock()
		return nil
	}
	d.catchUp()
	d.m.disarm()
	d.closed = true
	d.m.changes++
	d.hear()
	opened := d.opened
	d.mu.Unlock()
	close(d.quit)
	if opened {
		<-d.done
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	close(d.events)
	return nil
}

var errFit = errors.New("the tool can be changed only while the machine rests and is not armed")

// Fit puts another of the profile's tools on the carriage, as a person would between runs.
func (d *Driver) Fit(tool string) error {
	cfg := d.cfg
	cfg.Tool = tool
	t, err := cfg.check()
	if err != nil {
		return err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.catchUp()
	if d.armed || !d.m.idle() {
		return errFit
	}
	d.m.fit(t)
	return nil
}
