package worker

import (
	"crypto/sha256"
	"errors"
	"time"

	"github.com/google/uuid"
	"golang.org/x/mod/sumdb/note"

	"kerfgate/checklist/permit"
	"kerfgate/plan"
	"kerfgate/plan/canon"
	"kerfgate/plan/machine"
	"kerfgate/queue/broker"
	"kerfgate/worker/journal"
)

// stage is where the one run of a machine stands, seen from its worker. Each step of the start
// protocol is a stage of its own, so that a stop between any two of them has somewhere to be seen.
type stage int

const (
	idle      stage = iota
	reading         // a permit has passed; its plan is read and hashed again
	resetting       // the driver is made usable
	burning         // the burn is on its way to the disk
	takenWait       // burned; waiting for go
	countdown       // go is here
	looking         // last look at the machine
	starting        // started is on its way to the disk
	running         // motion lines go out
	paused
	purging // ended; picture and air
)

// beforeMotion says that no line can have gone out.
func (s stage) beforeMotion() bool { return s >= reading && s <= looking }

// How long the disk and the driver may take before the burn, and the last look.
const (
	readyWait = 20 * time.Second
	lookWait  = 2 * time.Second
)

// core is everything that a worker decides, without input or output: step takes what happened and
// gives what to do. It reads no clock and starts nothing; the same events give the same actions.
type core struct {
	rules
	now  instant
	seen bool // now has been set once

	book      journal.Book
	process   [16]byte
	broken    bool // the journal is out of use
	foreign   bool // the server's epoch is not the one accepted
	epoch     [16]byte
	hasEpoch  bool
	head      []byte // newest signed head kept
	headSize  int64  // its size, 0 for none
	doubt     bool   // the server could not prove that its logbook follows from it
	heard     bool   // this process has the server's state, the newest lockout statement with it
	locked    bool
	lockIndex int64 // of the newest statement, −1 if there was never one
	voided    map[canon.Digest]bool
	reported  map[canon.Digest]bool // permits whose refusal was reported
	forgedAt  time.Duration         // when an unsigned permit was last reported
	hasForged bool

	profile       machine.Profile
	profileDigest canon.Digest
	hasProfile    bool
	adopting      bool
	machineDown   bool
	listening     bool

	burntRuns    map[uuid.UUID]bool
	burntPermits map[canon.Digest]bool
	haltOnAdopt  bool // an earlier process may have left the machine moving

	prepared  map[uuid.UUID]*preparation
	challenge *challenge
	setup     setup

	stage stage
	run   *activeRun

	out []action
}

// rules are the times of Config and who this worker is.
type rules struct {
	machine      uuid.UUID
	machineKey   string
	goWait       time.Duration
	countdownFor time.Duration
	pausedLimit  time.Duration
	random       func() [32]byte
	logKeys      note.Verifiers // nil keeps no heads
}

// activeRun is the run between its permit and the end of its purge.
type activeRun struct {
	id       uuid.UUID
	digest   canon.Digest // of the permit
	permit   permit.Permit
	made     time.Duration // when the challenge was made
	plan     *plan.Plan
	totalMS  int64
	purgeS   int64 // as waited
	moved    bool  // started is on the disk
	toolOn   bool  // a line with the tool on has been, or is about to be, handed over
	dead     *ending
	deadline time.Duration // of the stage, in boot time

	handover int64
	watch    attendance

	startedAt  time.Duration
	pausedAt   time.Duration
	pausedFor  time.Duration
	pauseToken [32]byte
	resuming   bool          // the machine was told to go on
	refused    bool          // and did not
	homedAgain bool          // it lost its place and found it again; a person looks
	again      string        // why it is to pause again as soon as it has gone on
	streamEnd  time.Duration // when the lines ended by ErrStopped, before the stop was heard

	pictured bool
	purge    purge
}

// ending is how a run is going to end.
type ending struct {
	kind      broker.ReportKind
	reason    string
	offSentMS int64
}

func newCore(r rules, process [16]byte, book journal.Book) *core {
	c := &core{rules: r, process: process, book: book,
		voided: map[canon.Digest]bool{}, reported: map[canon.Digest]bool{},
		burntRuns: map[uuid.UUID]bool{}, burntPermits: map[canon.Digest]bool{},
		prepared: map[uuid.UUID]*preparation{},
		epoch:    book.Server, hasEpoch: book.HasServer, head: book.Head, headSize: sizeOf(book.Head),
		locked: book.Lockout.Locked, lockIndex: book.Lockout.Index,
	}
	for id, p := range book.Prepared {
		c.prepared[id] = &preparation{offer: broker.Offer{Epoch: book.Server, Machine: r.machine, Run: id, Revision: p.Revision,
			Plan: p.Plan, Profile: p.Profile}, done: true, ready: p.Ready, reason: p.Reason}
	}
	for _, b := range book.Burns {
		c.burntRuns[b.Run] = true
		c.burntPermits[b.Permit] = !b.Permit.IsZero()
	}
	return c
}

// step takes one event and gives what to do about it, in order.
func (c *core) step(now instant, e event) []action {
	c.out = nil
	c.observe(now)
	c.expire()
	switch e := e.(type) {
	case evStart:
		c.onStart()
	case evTick:
	case evState:
		c.onState(e.state)
	case evAdopted:
		c.onAdopted(e)
	case evProfile:
		c.adopt(e.digest, e.data)
	case evListening:
		c.listening = e.up
	case evOffer:
		c.onOffer(e.offer, e.done)
	case evPrepared:
		c.onPrepared(e)
	case evChallenge:
		c.onChallenge(e.ask)
	case evPermit:
		c.onPermit(e)
	case evForged:
		c.onForged(e.digest)
	case evPlan:
		c.onPlan(e)
	case evReset:
		c.onReset(e.err)
	case evWritten:
		c.onWritten(e)
	case evGo:
		c.onGo(e.statement)
	case evVoid:
		c.onVoid(e.statement)
	case evLooked:
		c.onLooked(e)
	case evToolOn:
		c.onToolOn(e.run)
	case evStreamEnded:
		c.onStreamEnded(e)
	case evPause:
		c.onPause(e.reason)
	case evHeld:
		c.onHeld(e)
	case evWentOn:
		c.onWentOn(e)
	case evResume:
		c.onResume(e.statement)
	case evHandover:
		c.onHandover(e.statement)
	case evTap:
		c.onTap(e)
	case evStop:
		c.onStop(e)
	case evMachine:
		c.onMachine(e.event)
	case evSheet:
		c.onSheet(e)
	case evLockout:
		c.onLockout(e)
	case evApplied:
		c.onApplied(e.statement)
	case evLogKeys:
		c.logKeys = e.keys
	case evSetup:
		c.onSetup(e)
	case evSetupDone:
		c.onSetupDone(e.result)
	case evGripped:
		c.onGripped(e)
	case evCarried:
		c.onCarried(e)
	case evShutdown:
		c.onShutdown()
	}
	return c.out
}

func (c *core) do(a action) { c.out = append(c.out, a) }

// write hands facts and reports to the journal, to be durable together.
func (c *core) write(tag string, facts []journal.Fact, reports ...broker.Report) {
	for i := range reports {
		reports[i].Process = c.process
	}
	c.do(doWrite{tag: tag, facts: facts, reports: reports})
}

func (c *core) report(reports ...broker.Report) { c.write("", nil, reports...) }

// observe notices that the host was suspended: the clock that counts suspended time has run away
// from the one that does not.
func (c *core) observe(now instant) {
	before := c.now
	c.now = now
	if !c.seen {
		c.seen = true
		return
	}
	if (now.boot-before.boot)-(now.awake-before.awake) > suspendTolerance {
		c.onSuspend()
	}
}

func (c *core) onSuspend() {
	c.challenge = nil
	c.setup.end(c)
	switch {
	case c.stage == idle, c.stage == purging:
	default:
		c.do(doHalt{})
		c.finish(ending{kind: broker.ReportInterrupted, reason: phraseSuspend})
	}
}

// expire acts on every deadline that has passed.
func (c *core) expire() {
	c.watchHold()
	if c.run == nil {
		return
	}
	now := c.now.boot
	switch c.stage {
	case reading, resetting:
		if now >= c.run.deadline {
			c.finish(ending{reason: phraseDriverFailed})
		}
	case looking:
		if now >= c.run.deadline+lookWait {
			c.finish(ending{kind: broker.ReportFailed, reason: phraseLost})
		}
	case takenWait:
		if now >= c.run.deadline {
			c.finish(ending{kind: broker.ReportInterrupted, reason: phraseNoGo})
		}
	case countdown:
		if now >= c.run.deadline {
			c.stage = looking
			c.do(doLook{run: c.run.id})
		}
	case running, paused:
		if c.run.streamEnd != 0 && now-c.run.streamEnd > time.Second {
			c.finish(ending{kind: broker.ReportStopped, reason: phraseMachineStop})
		} else if c.stage == paused && now-c.run.pausedAt >= c.pausedLimit {
			c.do(doHalt{})
			c.finish(ending{kind: broker.ReportStopped, reason: phrasePausedLong})
		}
	}
	c.watchAttendance()
	c.watchPurge()
}

// wake is when expire has something to do next, in boot time; 0 for nothing.
func (c *core) wake() time.Duration {
	if c.run == nil {
		return c.wakeHold()
	}
	var at time.Duration
	sooner := func(d time.Duration) {
		if d > 0 && (at == 0 || d < at) {
			at = d
		}
	}
	switch c.stage {
	case takenWait, countdown:
		sooner(c.run.deadline)
	case paused:
		sooner(c.run.pausedAt + c.pausedLimit)
	}
	sooner(c.run.watch.deadline())
	return at
}

// onStart tells what the journal says and ends what an earlier process left open (I4).
func (c *core) onStart() {
	open := c.book.Open()
	c.haltOnAdopt = len(open) > 0
	for _, burn := range open {
		facts := []journal.Fact{{Kind: journal.Ended, Run: burn.Run}}
		if burn.Started {
			facts = append(facts, journal.Fact{Kind: journal.Purging, Run: burn.Run, LeftS: burn.PurgeS})
			c.book.Purge = journal.Purge{Run: burn.Run, LeftS: burn.PurgeS}
		}
		c.write("", facts, broker.Report{Kind: broker.ReportInterrupted, Run: burn.Run, Permit: burn.Permit,
			Reason: phraseRestart, NeverMoved: !burn.Started})
	}
	if c.hasEpoch {
		c.tellJournal(open)
	}
	if c.book.Purge.Run != uuid.Nil {
		c.recoverPurge()
	}
}

// tellJournal reports the runs that burned, newest last, then that this was all.
func (c *core) tellJournal(burns []journal.Burn) {
	var reports []broker.Report
	for _, b := range burns {
		reports = append(reports, broker.Report{Kind: broker.ReportJournal, Run: b.Run, Permit: b.Permit, NeverMoved: !b.Started})
	}
	c.report(append(reports, broker.Report{Kind: broker.ReportJournal})...)
}

func (c *core) onApplied(a permit.Applied) {
	if a.Machine == c.machine && c.hasEpoch && a.Epoch == c.epoch {
		c.do(doApplied{number: a.Number})
	}
}

func (c *core) onLockout(e evLockout) {
	l := e.statement
	if l.Machine != c.machine || l.LogIndex <= c.lockIndex {
		return
	}
	c.locked, c.lockIndex = l.Locked, l.LogIndex
	c.write("", []journal.Fact{{Kind: journal.LockedOut, Data: e.note, Index: l.LogIndex, Locked: l.Locked}})
	if !l.Locked {
		return
	}
	c.challenge = nil
	c.setup.end(c)
	if c.stage.beforeMotion() || c.stage == starting {
		c.finish(ending{kind: broker.ReportInterrupted, reason: phraseLocked})
	}
}

// onWritten goes on where a step had to be on the disk first.
func (c *core) onWritten(e evWritten) {
	switch {
	case errors.Is(e.err, journal.ErrBurned):
		if e.tag == tagBurn && c.stage == burning {
			r := c.run
			c.stage, c.run = idle, nil
			c.refuse(r.permit, r.digest, phraseBurned)
		}
		return
	case e.err != nil:
		c.onBroken()
		return
	case c.run == nil:
		return
	}
	switch {
	case e.tag == tagBurn && c.stage == burning:
		c.onBurned()
	case e.tag == tagStarted && c.stage == starting:
		c.onStarted()
	}
}

// onBroken: the journal takes nothing any more. Nothing starts until a person has looked; what runs
// is stopped, and the next process finds it unfinished.
func (c *core) onBroken() {
	if c.broken {
		return
	}
	c.broken = true
	c.challenge = nil
	c.setup.end(c)
	if c.stage != idle {
		c.do(doHalt{})
		c.do(doDisarm{})
	}
	if c.stage != purging {
		c.stage, c.run = idle, nil
	}
	c.do(doOutOfUse{})
}

func (c *core) onShutdown() {
	c.challenge = nil
	c.setup.end(c)
	if c.stage != idle && c.stage != purging {
		c.do(doHalt{})
		c.finish(ending{kind: broker.ReportInterrupted, reason: phraseShutdown})
	}
	if c.stage == purging {
		c.keepPurge()
	}
}

func tokenMatches(token []byte, want [32]byte) bool {
	return sha256.Sum256(token) == want && want != [32]byte{}
}
