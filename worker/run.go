package worker

import (
	"kerfgate/checklist/permit"
	"kerfgate/plan/canon"
	"kerfgate/plan/geom"
	"kerfgate/queue/broker"
	"kerfgate/worker/driver"
	"kerfgate/worker/journal"

	"errors"

	"github.com/google/uuid"
)

// onGo takes the server's answer to taken: signed over permit and challenge, or it is none.
func (c *core) onGo(g permit.Go) {
	if c.stage != takenWait || g.Machine != c.machine || g.Run != c.run.id ||
		canon.Digest(g.Permit) != c.run.digest || g.Challenge != c.run.permit.Challenge {
		return
	}
	if !g.Granted {
		c.finish(ending{kind: broker.ReportInterrupted, reason: phraseGoRefused})
		return
	}
	c.stage = countdown
	c.run.deadline = c.now.boot + c.countdownFor
}

// onLooked is the last look: nothing may have changed since the signature.
func (c *core) onLooked(e evLooked) {
	if c.stage != looking {
		return
	}
	p := c.run.permit
	fail := func(reason string) { c.finish(ending{kind: broker.ReportFailed, reason: reason}) }
	switch {
	case e.stopped:
		c.finish(ending{kind: broker.ReportStopped, reason: phraseStop})
	case e.err != nil || c.machineDown:
		fail(phraseLost)
	case !e.status.Homed:
		fail(phraseNotHomed)
	case e.status.ToolOn:
		c.do(doHalt{})
		fail(phraseToolOn)
	case !c.listening:
		fail(phraseListener)
	case c.locked:
		fail(phraseLocked)
	case c.now.boot-c.run.made > ageLimit(p.AgeLimitS, permit.MaxPermitAgeS)+2*c.goWait+c.countdownFor:
		fail(phraseStalled)
	default:
		c.stage = starting
		c.write(tagStarted, []journal.Fact{{Kind: journal.Started, Run: c.run.id}},
			broker.Report{Kind: broker.ReportMoved, Run: c.run.id, Permit: c.run.digest})
	}
}

// onStarted hands the plan to the machine; from here on the run has moved.
func (c *core) onStarted() {
	c.run.moved = true
	c.run.startedAt = c.now.boot
	c.stage = running
	if dead := c.run.dead; dead != nil {
		c.finish(*dead)
		return
	}
	c.do(doStream{run: c.run.id, plan: c.run.plan,
		origin: geom.Pt(c.run.permit.OriginXUM, c.run.permit.OriginYUM)})
}

func (c *core) onStreamEnded(e evStreamEnded) {
	if c.run == nil || c.run.id != e.run || c.stage != running && c.stage != paused {
		return
	}
	switch {
	case e.err == nil && e.stillOn:
		c.do(doHalt{})
		c.finish(ending{kind: broker.ReportFailed, reason: phraseStillOn})
	case e.err == nil:
		c.finish(ending{kind: broker.ReportCompleted, reason: phraseCompleted})
	case errors.Is(e.err, driver.ErrStopped):
		// The stop itself is about to be heard, with the time that it took.
		c.run.streamEnd = max(1, c.now.boot)
	case errors.Is(e.err, driver.ErrLost):
		c.do(doHalt{})
		c.machineDown = true
		c.finish(ending{kind: broker.ReportInterrupted, reason: phraseLost})
	case errors.Is(e.err, errPlanGone):
		c.do(doHalt{})
		c.finish(ending{kind: broker.ReportFailed, reason: phrasePlanGone})
	default:
		c.do(doHalt{})
		c.finish(ending{kind: broker.ReportFailed, reason: phraseRefusedLine})
	}
}

// onMachine takes what the machine does on its own.
func (c *core) onMachine(e driver.Event) {
	if e.Kind == driver.EventLost {
		c.machineDown = true
		c.setup.end(c)
	}
	if c.stage == idle || c.stage == purging {
		return
	}
	moving := c.stage == running || c.stage == paused
	switch e.Kind {
	case driver.EventLost:
		c.do(doHalt{})
		c.finish(ending{kind: broker.ReportInterrupted, reason: phraseLost})
	case driver.EventLid:
		c.pauseOrEnd(moving, phraseLid)
	case driver.EventFlow:
		c.pauseOrEnd(moving, phraseFlow)
	default:
		c.do(doHalt{})
		c.finish(ending{kind: broker.ReportFailed, reason: phraseAlarm})
	}
}

func (c *core) pauseOrEnd(moving bool, reason string) {
	if moving {
		c.onPause(reason)
		return
	}
	c.do(doHalt{})
	c.finish(ending{kind: broker.ReportFailed, reason: reason})
}

// onPause switches the tool off first and tells it afterwards. Anybody and anything may pause; only
// the server's signature resumes.
func (c *core) onPause(reason string) { c.pause(reason, func() {}) }

// pause switches the tool off, has the cause told, and reports the pause.
func (c *core) pause(reason string, tell func()) {
	if c.stage == paused && c.run.resuming && c.run.again == "" {
		c.run.again = reason
		c.do(doHold{run: c.run.id})
	}
	if c.stage != running {
		return
	}
	c.stage = paused
	c.run.pausedAt = c.now.boot
	c.run.pauseToken = c.random()
	c.do(doHold{run: c.run.id})
	tell()
	c.report(broker.Report{Kind: broker.ReportPaused, Run: c.run.id, Permit: c.run.digest, Reason: reason,
		PauseToken: c.run.pauseToken, Misses: c.run.watch.misses, Taps: c.run.watch.taps})
}

// onHeld: a machine that cannot be paused is stopped.
func (c *core) onHeld(e evHeld) {
	switch {
	case c.run == nil || c.run.id != e.run || c.stage != running && c.stage != paused:
	case errors.Is(e.err, driver.ErrStopped):
		c.run.streamEnd = max(1, c.now.boot) // the stop itself is about to be heard
	default:
		c.do(doHalt{})
		c.finish(ending{kind: broker.ReportFailed, reason: phraseHoldFailed})
	}
}

// onResume lets the machine go on at the server's word, which answers this very pause.
func (c *core) onResume(r permit.Resume) {
	if c.stage != paused || r.Machine != c.machine || r.Run != c.run.id || r.PauseToken != c.run.pauseToken ||
		c.locked || c.broken || c.run.resuming {
		return
	}
	c.run.resuming, c.run.refused, c.run.homedAgain = true, false, false
	c.do(doGoOn{run: c.run.id})
}

// onWentOn: a machine that refuses to go on, because its lid is open, stays paused, and the same
// resume may come again.
func (c *core) onWentOn(e evWentOn) {
	if c.stage != paused || c.run.id != e.run || !c.run.resuming {
		return
	}
	r := c.run
	again := r.again
	r.resuming, r.again = false, ""
	switch {
	case errors.Is(e.err, driver.ErrRefused):
		r.refused = true
		c.do(doHold{run: r.id})
	case errors.Is(e.err, driver.ErrStopped):
		r.streamEnd = max(1, c.now.boot) // the stop itself is about to be heard
	case errors.Is(e.err, errPlaceLost), errors.Is(e.err, errPlaceByHand):
		reason := phrasePlaceLost
		if errors.Is(e.err, errPlaceByHand) {
			reason = phrasePlaceByHand
		}
		c.do(doHalt{})
		c.finish(ending{kind: broker.ReportStopped, reason: reason})
	case errors.Is(e.err, errHomedAgain):
		r.homedAgain = true
		c.report(broker.Report{Kind: broker.ReportPlaced, Run: r.id, Permit: r.digest})
	case e.err != nil:
		c.do(doHalt{})
		c.finish(ending{kind: broker.ReportFailed, reason: phraseGoOnFailed})
	default:
		token := r.pauseToken
		r.pauseToken = [32]byte{}
		r.pausedFor += c.now.boot - r.pausedAt
		c.stage = running
		c.report(broker.Report{Kind: broker.ReportResumed, Run: r.id, Permit: r.digest, PauseToken: token})
		if again != "" {
			c.onPause(again)
		}
	}
}

// finish ends the run, wherever it stands. Before the burn that is a refusal; before the first
// motion the run never moved; while a step is on its way to the disk the end waits for it.
func (c *core) finish(e ending) {
	r := c.run
	switch c.stage {
	case idle, purging:
		return
	case reading, resetting:
		c.stage, c.run = idle, nil
		c.refuse(r.permit, r.digest, e.reason)
		return
	case burning, starting:
		if r.dead == nil {
			r.dead = &e
		}
		return
	case takenWait:
		// The server may not have burned yet; whatever the cause, interrupted fits both sides.
		e.kind = broker.ReportInterrupted
	}
	facts := []journal.Fact{{Kind: journal.Ended, Run: r.id}}
	report := broker.Report{Kind: e.kind, Run: r.id, Permit: r.digest, Reason: e.reason, OffSentMS: e.offSentMS,
		NeverMoved: !r.moved}
	c.do(doDisarm{})
	if !r.moved {
		c.stage, c.run = idle, nil
		c.write("", facts, report)
		return
	}
	if c.stage == paused {
		r.pausedFor += c.now.boot - r.pausedAt
	}
	// Machine time: a simulated machine's runs scaled.
	report.RealMS = (c.now.boot - r.startedAt - r.pausedFor).Milliseconds() * max(1, c.profile.Driver.MotionScale)
	left := c.startPurge()
	c.write("", append(facts, journal.Fact{Kind: journal.Purging, Run: r.id, LeftS: left}), report)
	c.do(doSheet{run: r.id})
}

func (c *core) onSheet(e evSheet) {
	if c.stage != purging || c.run.id != e.run || c.run.pictured {
		return
	}
	c.run.pictured = true
	if e.sheet != nil {
		picture := e.sheet.PNG
		if len(picture) > maxPicture {
			picture = nil
		}
		c.report(broker.Report{Kind: broker.ReportPicture, Run: c.run.id, Permit: c.run.digest, Picture: picture,
			BurnedUM: e.sheet.BurnedUM, EnergyMJ: e.sheet.EnergyMJ})
	}
	c.watchPurge()
}

// maxPicture is the most bytes of a picture in a report.
const maxPicture = 700 << 10

// onToolOn starts attendance: the first line with the tool on is about to go out.
func (c *core) onToolOn(run uuid.UUID) {
	if c.run == nil || c.run.id != run {
		return
	}
	c.run.toolOn = true
	if c.stage == running || c.stage == paused {
		c.run.watch.begin(c.now.boot)
	}
}
