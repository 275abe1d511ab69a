// Package worker is the process beside one machine: it prepares runs, burns permits, drives the
// machine, watches attendance, stops, and tells the server what happened.
//
// What it trusts is short: the server's signatures, a clock that counts suspended time, and its own
// journal (I12). It may lose the server, the broker and the database at any line and still stop,
// watch attendance and end the run; it never starts or resumes without the server's signature.
//
//	offer ─▶ prepared ─▶ challenge ─▶ permit checked ─▶ burn on disk ─▶ taken
//	                                                                     │ go, signed, within 2 s
//	   purged ◀─ purging ◀─ ended ◀─ lines ◀─ started on disk ◀─ last look ◀─ countdown
//
// The core (core.go and the nouns beside it) decides and does nothing else: it takes what happened
// and gives what to do. The shell around it reads the clock, the disk, the link and the machine. A
// stop passes both by: it calls the driver first and tells the core afterwards (I5).
package worker

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"iter"
	"sync"
	"sync/atomic"
	"time"

	"kerfgate/plan"
	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/plan/motion"
	"kerfgate/worker/driver"
	"kerfgate/worker/journal"
)

// Worker is one machine's worker; see New and Run.
type Worker struct {
	cfg     Config
	process [16]byte
	inbox   *mailbox

	held  atomic.Pointer[held] // the driver in use
	stops atomic.Int64         // how often off was sent; a run that saw another number never goes on
	dirty atomic.Bool          // off was sent since the driver was last made usable
	view  atomic.Pointer[view]
	pins  pins
	leash atomic.Int64 // lines may go out until then, in boot time

	holdUntil atomic.Int64               // a hold to move counts until then, in boot time
	carried   atomic.Pointer[geom.Point] // where its lines have led so far

	book   *journal.Journal
	link   Link
	disk   *lane // journal writes
	tell   *lane // core messages to the server
	fetch  *lane // plans from the server
	sender *sender
	poll   chan struct{}

	group    sync.WaitGroup
	runStops int64 // of the run that holds a permit; the core's goroutine only
	unstream context.CancelFunc
	vigil    vigil // the core's goroutine only
	down     error // why Run ends; the core's goroutine only
}

type held struct {
	driver driver.Driver
	done   chan struct{} // closed when its events have ended
}

// liner renders a plan's motion lines.
type liner func(*plan.Plan, machine.Profile, geom.Point) iter.Seq[motion.Line]

func linesOf(p *plan.Plan, profile machine.Profile, origin geom.Point) iter.Seq[motion.Line] {
	return plan.Lines(p, profile, origin)
}

func random() [32]byte {
	var b [32]byte
	_, _ = rand.Read(b[:]) // never fails since Go 1.24
	return b
}

// New checks the configuration and starts nothing.
func New(c Config) (*Worker, error) {
	c = c.WithDefaults()
	if err := c.validate(); err != nil {
		return nil, err
	}
	w := &Worker{cfg: c, inbox: newMailbox(), disk: newLane(), tell: newLane(), fetch: newLane(),
		poll: make(chan struct{}, 1)}
	seed := random()
	copy(w.process[:], seed[:])
	w.pins.set(c.ServerKeys, c.LogKeys)
	w.view.Store(&view{})
	w.sender = newSender(w)
	w.vigil.stay = c.Awake
	return w, nil
}

// Run works until ctx is done or the worker cannot go on; it owns everything it starts. A run that
// is under way when it ends is stopped and ends as interrupted. Errors are journal.ErrInUse,
// journal.ErrDamaged and journal.ErrOutOfUse where the journal does not open, and those of the link
// and the listener. Run may be called once.
func (w *Worker) Run(ctx context.Context) error {
	book, err := journal.Open(w.cfg.Folder)
	if err != nil {
		return fmt.Errorf("opening the journal: %w", err)
	}
	w.book = book
	if n := book.Torn(); n > 0 {
		w.cfg.Log.Warn("the journal's tail was torn: what was prepared counts as burned", "bytes", n)
	}
	if w.link, err = w.cfg.Link(w.handlers()); err != nil {
		return errors.Join(fmt.Errorf("making the link: %w", err), book.Close())
	}
	inner, cancel := context.WithCancel(context.WithoutCancel(ctx))
	core := newCore(rules{machine: w.cfg.Machine, machineKey: w.cfg.MachineKey, goWait: w.cfg.GoWait,
		countdownFor: w.cfg.Countdown, pausedLimit: w.cfg.PausedLimit, random: w.cfg.random, logKeys: w.cfg.LogKeys}, w.process, book.Book())

	var disk sync.WaitGroup
	disk.Go(w.disk.run)
	w.group.Go(w.tell.run)
	w.group.Go(w.fetch.run)
	w.group.Go(func() { w.sender.run(inner) })
	w.group.Go(func() { w.pollState(inner) })
	w.group.Go(func() { w.sendReadings(inner) })
	w.group.Go(func() { w.cfg.serve(inner, w) })
	w.group.Go(func() { w.runLink(inner) })

	w.inbox.post(evStart{})
	w.openProfile()
	w.think(ctx, inner, core)

	if h := w.held.Load(); h != nil && core.stage != idle {
		w.halt()
	}
	w.disk.close()
	disk.Wait()
	cancel()
	w.tell.close()
	w.fetch.close()
	w.group.Wait()
	if h := w.held.Load(); h != nil {
		w.warn("closing the driver", h.driver.Close())
		<-h.done
	}
	return errors.Join(w.down, book.Close())
}

// shutdownWait is how long the end of a run may take to reach the disk when the worker is told to end.
const shutdownWait = 3 * time.Second

// think is the core's goroutine: it takes what happened, looks at the clock, and has done what the
// core says.
func (w *Worker) think(ctx, inner context.Context, c *core) {
	timer := time.NewTimer(0)
	defer timer.Stop()
	done := ctx.Done()
	var end <-chan time.Time
	for {
		for _, e := range w.inbox.take() {
			if f, ok := e.(evFatal); ok {
				w.down = errors.Join(w.down, f.err)
				w.inbox.post(evShutdown{})
				end = time.After(shutdownWait)
				done = nil
				continue
			}
			w.step(inner, c, e)
		}
		if end != nil && (c.stage == idle || c.stage == purging) {
			return
		}
		w.cfg.Alive()
		timer.Reset(w.nap(c))
		select {
		case <-w.inbox.ready:
		case <-timer.C:
			w.step(inner, c, evTick{})
		case <-done:
			done = nil
			end = time.After(shutdownWait)
			w.step(inner, c, evShutdown{})
		case <-end:
			return
		}
	}
}

// evFatal ends Run: the worker cannot do its work without what failed.
type evFatal struct{ err error }

// How long the core waits for something to happen before it looks at the clock again.
const (
	napActive = 100 * time.Millisecond
	napIdle   = 500 * time.Millisecond
)

func (w *Worker) nap(c *core) time.Duration {
	nap := napIdle
	if c.run != nil {
		nap = napActive
	}
	if at := c.wake(); at > 0 {
		nap = min(nap, max(0, at-w.cfg.Clock.Boot()))
	}
	return nap
}

// leashFor is how far lines may run ahead of the core: should it stand still, the lines stop.
const leashFor = time.Second

func (w *Worker) step(ctx context.Context, c *core, e event) {
	before := c.stage
	actions := c.step(look(w.cfg.Clock), e)
	if before == takenWait && c.stage == countdown {
		w.cfg.Failpoint("after go")
	}
	w.view.Store(c.view())
	w.leash.Store(int64(c.now.boot + leashFor))
	if w.vigil.stay != nil {
		w.vigil.watch(ctx, w, c.stage != idle)
	}
	for _, a := range actions {
		w.perform(ctx, a)
	}
}

// perform does what the core says. Nothing here waits: what could takes a goroutine or a lane.
func (w *Worker) perform(ctx context.Context, a action) {
	switch a := a.(type) {
	case doWrite:
		w.disk.add(func() { w.writeJournal(a) })
	case doApplied:
		w.disk.add(func() { w.applied(a.number) })
	case doOutOfUse:
		w.tell.add(func() { w.tellOutOfUse(ctx) })
	case doChallenge:
		w.tell.add(func() { w.warn("answering a challenge", w.link.AnswerChallenge(a.answer)) })
	case doTaken:
		w.tell.add(func() {
			w.warn("saying taken", w.link.Taken(a.taken))
			w.cfg.Failpoint("after taken")
		})
	case doSetupTell:
		w.tell.add(func() { w.warn("answering a set-up command", w.link.AnswerSetup(w.told(a))) })
	case doPrepare:
		w.fetch.add(func() { w.prepare(ctx, a) })
	case doForget:
		w.fetch.add(func() { w.forgetPlan(a.plan) })
	case doAdopt:
		w.group.Go(func() { w.adopt(ctx, a) })
	case doRead:
		w.runStops = w.stops.Load()
		w.group.Go(func() { w.inbox.post(evPlan{run: a.run, plan: w.readPlan(a.plan)}) })
	case doReset:
		w.group.Go(func() { w.inbox.post(evReset{err: w.makeUsable(ctx)}) })
	case doLook:
		stops := w.runStops
		w.group.Go(func() {
			status, err := w.where()
			w.inbox.post(evLooked{status: status, err: err, stopped: w.stops.Load() != stops})
		})
	case doStream:
		streaming, cancel := context.WithCancel(ctx)
		w.unstream = cancel
		stops := w.runStops
		w.group.Go(func() { w.stream(streaming, a, stops) })
	case doHalt:
		if err := w.halt(); err != nil {
			w.cfg.Log.Error("sending off", "error", err)
		}
	case doDisarm:
		if h := w.held.Load(); h != nil {
			h.driver.Disarm()
		}
		if w.unstream != nil {
			w.unstream()
			w.unstream = nil
		}
	case doHold:
		if err := w.onMachine(driver.Driver.Hold); err != nil {
			w.cfg.Log.Error("holding the machine", "error", err)
			w.inbox.post(evHeld{run: a.run, err: err})
		}
	case doGoOn:
		w.group.Go(func() { w.inbox.post(evWentOn{run: a.run, err: w.goOn(ctx)}) })
	case doSheet:
		w.group.Go(func() { w.inbox.post(evSheet{run: a.run, sheet: w.sheet()}) })
	case doGrip:
		stops := w.stops.Load()
		w.group.Go(func() { w.inbox.post(w.grip(ctx, a, stops)) })
	case doCarry:
		stops := w.stops.Load()
		w.holdUntil.Store(int64(a.until))
		w.group.Go(func() { w.inbox.post(w.carry(ctx, a, stops)) })
	case doHoldUntil:
		w.holdUntil.Store(int64(a.until))
	case doSetup:
		stops := w.stops.Load()
		w.group.Go(func() { w.inbox.post(evSetupDone{result: w.move(ctx, a, stops)}) })
	default:
		panic(fmt.Sprintf("no hand for %T", a))
	}
}

func (w *Worker) warn(what string, err error) {
	if err != nil {
		w.cfg.Log.Warn(what, "error", err)
	}
}
