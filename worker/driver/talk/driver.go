package talk

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/worker/driver"
)

// Cable carries bytes to one machine and back. Urgent, Stop, Cut and Close may be called from any
// goroutine while Write and Read wait.
type Cable interface {
	// Write sends as much as goes out within a few milliseconds and says how much; less than all is
	// no error.
	Write(p []byte) (int, error)
	// Urgent sends a command by the way that waits behind no line. It does not block; errors where it
	// could not be sent now.
	Urgent(p []byte) error
	// Stop sends the stop, by every way that there is, and drops what is on its way to the machine
	// where it can. It returns within StopAnswer.
	Stop(p []byte) error
	// Read waits for bytes. An error means that the machine has gone.
	Read(p []byte) (int, error)
	// Cut takes away from a machine that answers no stop what it can: its process, its cut-off. The
	// cable is of no use afterwards.
	Cut() error
	// Close lets go and makes Read return. It may be called again.
	Close() error
}

// Times that no profile changes.
const (
	// StopAnswer is how long a stop may stay unanswered before the cable is cut.
	StopAnswer = machine.StopAnswerMS * time.Millisecond
	// look is how often time is looked at.
	look = 10 * time.Millisecond
	// restWait is how long a machine that was found at work may take to come to rest.
	restWait = 10 * time.Second
	// tellAfterStop is how much later than a stop its consequence is told.
	tellAfterStop = time.Second
)

// Bounds on what a machine may say that nobody knows.
const (
	longestAnswer = 512
	mostStrange   = 4096 // bytes within a second
)

const eventsKept = 32

// Config says what to talk to.
type Config struct {
	Profile machine.Profile
	// Reach lays a new cable.
	Reach func(context.Context) (Cable, error)
	Log   *slog.Logger
}

// Driver is a driver.Driver for a machine at a cable.
type Driver struct {
	cfg     Config
	lang    *language
	sending chan struct{} // holds one token: one line at a time
	writing chan struct{} // holds one token: lines are written whole
	ticking sync.WaitGroup
	quit    chan struct{}
	events  chan driver.Event

	mu      sync.Mutex
	session *session
	opened  bool
	closed  bool
	stopped bool
	lost    string // why contact was lost
	lostAt  time.Time
	told    bool
	alarm   string
	armed   bool
	held    bool // by us
	homed   bool // as far as we know; a machine that tells counts more
	span    geom.Point
	lit     bool // the lines taken so far leave the tool on
	could   bool // a line that is perhaps not carried out yet has it on
	changed chan struct{}

	tool      machine.Tool // on the carriage
	memory    memory       // of lines, while they may switch the tool on
	rejoining bool         // the lines are told anew
	holds     int          // how often it was held
	renewed   *renewal     // the line of them that is not answered
	again     *pending     // what of them is left
	heldOff   *geom.Point  // where the tool went off, told while the place was known

	// the line that is not answered
	line    string
	waiting bool
	answer  *answer

	// the question
	here     place
	asked    bool // one is not answered
	sent     bool // and has gone out
	askedAt  time.Time
	asks     int64 // put so far
	answered int64 // the last one that was
	need     int64 // the first whose answer tells whether what was sent since has been carried out

	stopAt    time.Time // of a stop whose end has not been seen
	stopHeard bool
	stopSent  time.Time
	aliveAt   time.Time
	doneMS    float64 // counted here, for a machine that does not tell
	doneFrom  int64   // what a machine without Arm told when it was armed
	strange   int
	strangeAt time.Time
}

var _ driver.Driver = (*Driver)(nil)

// session is one cable from reaching to closing.
type session struct {
	cable  Cable
	ended  chan struct{} // closed when nothing is read any more
	gone   bool
	waking bool // it has not answered yet
	woke   bool
}

// answer is what became of a line.
type answer struct {
	taken bool
	words string
	bad   error // it arrived otherwise than it was sent
}

// New describes a driver and starts nothing. Errors name everything that is wrong with the profile's
// description.
func New(cfg Config) (*Driver, error) {
	lang, err := learn(cfg.Profile.Driver)
	if err != nil {
		return nil, err
	}
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	d := &Driver{cfg: cfg, lang: lang, sending: make(chan struct{}, 1), writing: make(chan struct{}, 1),
		quit: make(chan struct{}), events: make(chan driver.Event, eventsKept), changed: make(chan struct{})}
	if len(cfg.Profile.Tools) > 0 {
		d.tool = cfg.Profile.Tools[0]
	}
	return d, nil
}

// Open reaches the machine and returns when it answers.
func (d *Driver) Open(ctx context.Context) error {
	d.mu.Lock()
	if d.closed || d.opened {
		d.mu.Unlock()
		return fmt.Errorf("%w: it can be opened once", driver.ErrLost)
	}
	d.opened = true
	d.ticking.Go(d.tick)
	d.mu.Unlock()
	return d.connect(ctx)
}

// connect lays a cable and waits until the machine answers. A machine that is found at work is
// stopped first: nobody knows on whose behalf it works.
func (d *Driver) connect(ctx context.Context) error {
	cable, err := d.cfg.Reach(ctx)
	if err != nil {
		return errors.Join(driver.ErrLost, err)
	}
	s := &session{cable: cable, ended: make(chan struct{}), waking: true}
	d.mu.Lock()
	if d.closed {
		d.mu.Unlock()
		return errors.Join(driver.ErrLost, cable.Close())
	}
	d.forgetAll()
	d.session = s
	go d.listen(s)
	d.mu.Unlock()
	if err := d.greet(ctx, s); err != nil {
		d.mu.Lock()
		d.lose("it did not answer when it was opened")
		d.mu.Unlock()
		return err
	}
	return nil
}

func (d *Driver) greet(ctx context.Context, s *session) error {
	if d.lang.wakes != nil && d.lang.wakesWithin > 0 {
		waking, cancel := context.WithTimeout(ctx, d.lang.wakesWithin)
		err := d.await(waking, func() bool { return s.woke })
		cancel()
		if err != nil && (!errors.Is(err, context.DeadlineExceeded) || ctx.Err() != nil) {
			return err
		}
	}
	if err := d.fresh(ctx); err != nil {
		return err
	}
	d.mu.Lock()
	s.waking = false
	busy := d.busy()
	d.mu.Unlock()
	if busy {
		d.cfg.Log.Warn("the machine was found at work and is stopped")
		if err := d.sendStop(s); err != nil {
			return err
		}
	}
	return d.settle(ctx, s)
}

// settle waits for rest with the tool off, and makes the machine ready for lines.
func (d *Driver) settle(ctx context.Context, s *session) error {
	ctx, cancel := context.WithTimeout(ctx, restWait)
	defer cancel()
	// A stop goes out by more than one way: none of them may come behind what follows.
	if err := d.await(ctx, func() bool { return time.Since(d.stopSent) > StopAnswer }); err != nil {
		return err
	}
	for {
		if err := d.fresh(ctx); err != nil {
			return err
		}
		d.mu.Lock()
		busy := d.busy()
		d.mu.Unlock()
		if !busy {
			break
		}
	}
	for _, command := range [][]byte{d.lang.forget, d.lang.disarm} {
		if len(command) > 0 {
			if err := s.cable.Urgent(command); err != nil {
				return errors.Join(driver.ErrLost, err)
			}
		}
	}
	return d.fresh(ctx)
}

// forgetAll is a machine of which nothing is known. The caller holds mu.
func (d *Driver) forgetAll() {
	d.stopped, d.lost, d.alarm, d.armed, d.held, d.homed = false, "", "", false, false, false
	d.lit, d.could = false, false
	d.span = geom.Point{}
	d.waiting, d.answer = false, nil
	d.memory, d.rejoining, d.renewed, d.again, d.heldOff = memory{}, false, nil, nil, nil
	d.here, d.asked, d.sent = place{}, false, false
	d.need = d.asks + 1
	d.stopAt, d.stopHeard = time.Time{}, false
	d.strange = 0
}

// busy says whether the machine moves or its tool is on. The caller holds mu.
func (d *Driver) busy() bool { return d.here.moving || d.here.toolOn }

// wake lets everybody who waits look again. The caller holds mu.
func (d *Driver) wake() {
	close(d.changed)
	d.changed = make(chan struct{})
}

// report hands on an event; one that nobody has room for is logged only. The caller holds mu.
func (d *Driver) report(kind, text string) {
	if d.closed {
		return
	}
	select {
	case d.events <- driver.Event{Kind: kind, Text: text}:
	default:
		d.cfg.Log.Warn("event of the machine lost", "kind", kind, "text", text)
	}
}

// lose is contact lost, told once; after a stop a little later, so that who stopped is heard before
// what the stop did: a child may end with it. The caller holds mu.
func (d *Driver) lose(why string) {
	if d.lost != "" || d.closed {
		return
	}
	d.lost = why
	d.cfg.Log.Warn("contact with the machine lost", "why", why)
	if d.told, d.lostAt = !d.stopped, time.Now(); d.told {
		d.report(driver.EventLost, why)
	}
	d.wake()
}

// broken is why nothing can be done, or nil. The caller holds mu.
func (d *Driver) broken() error {
	switch {
	case !d.opened || d.closed || d.session == nil:
		return fmt.Errorf("%w: not open", driver.ErrLost)
	case d.stopped:
		return driver.ErrStopped
	case d.lost != "":
		return fmt.Errorf("%w: %s", driver.ErrLost, d.lost)
	case d.alarm != "":
		return fmt.Errorf("%w: alarm: %s", driver.ErrRefused, d.alarm)
	}
	return nil
}

// Events tells what the machine does on its own.
func (d *Driver) Events() <-chan driver.Event { return d.events }

// Close lets go of the machine; one at work is stopped first.
func (d *Driver) Close() error {
	d.mu.Lock()
	if d.closed {
		d.mu.Unlock()
		return nil
	}
	d.closed = true
	s, busy := d.session, d.busy() || d.could || d.armed
	d.wake()
	d.mu.Unlock()
	close(d.quit)
	var err error
	if s != nil {
		if busy {
			err = s.cable.Stop(d.lang.stop)
		}
		err = errors.Join(err, s.cable.Close())
		<-s.ended
	}
	d.ticking.Wait()
	close(d.events)
	return err
}
