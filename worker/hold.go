package worker

import (
	"time"

	"kerfgate/checklist/permit"
	"kerfgate/plan/geom"
	"kerfgate/queue/broker"
)

// Hold to move: the carriage goes on only as long as somebody holds it.
//
//	grip ──▶ key, tick 1 ──▶ beat(key, tick 1) ──▶ tick 2 ──▶ beat(key, tick 2) ──▶ … ──▶ release
//
// Each answer tells a new tick, and each beat gives back the newest one that the station has heard. The
// carriage may move until holdFor after that tick was told: at that time the station cannot have been gone,
// whatever happened to the beat on its way. A beat that was late, doubled or out of order therefore never
// moves it longer, and one of a hold that has ended moves nothing: its key is never used again.
const holdFor = 300 * time.Millisecond

// mostTicks bounds one hold: after so many the hand has to let go.
const mostTicks = 4096

// hold is one hold to move.
type hold struct {
	name    [16]byte   // what the station was told
	key     [16]byte   // the same, until it is let go
	way     geom.Point // −1, 0 or 1 along each axis
	fine    bool
	traces  bool            // it goes the way that setup.trace has left
	ticks   []time.Duration // when each was told, in boot time
	heard   int             // the newest that came back
	until   time.Duration   // the carriage may move
	ready   bool            // the machine was found ready
	started bool            // lines go out
	release int64           // number of the release that waits for the carriage to rest; 0 for none
}

func (c *core) onGrip(e evSetup) {
	var seed = c.random()
	h := &hold{way: e.command.By, fine: e.command.Fine, traces: len(e.command.Around) > 0}
	copy(h.name[:], seed[:])
	h.key = h.name
	c.setup.hold = h
	c.do(doGrip{command: e.command, profile: c.profile, leave: e.digest})
}

// onGripped tells the first tick once the machine is ready; nothing moves yet.
func (c *core) onGripped(e evGripped) {
	h := c.setup.hold
	if h == nil || h.ready || e.result.Leave != c.setup.leave {
		c.setup.moving = false
		return
	}
	if e.result.Problem != "" {
		c.setup.moving, c.setup.hold = false, nil
		c.do(doSetupTell{result: e.result})
		return
	}
	h.ready = true
	if h.traces {
		c.setup.trace = c.setup.trace.from(e.command, e.result.Position)
	}
	c.tellTick(e.result)
	h.until = c.now.boot + holdFor
}

// tellTick answers with a new tick.
func (c *core) tellTick(r broker.SetupResult) {
	h := c.setup.hold
	h.ticks = append(h.ticks, c.now.boot)
	r.Grip, r.Tick = h.key, int64(len(h.ticks))
	c.do(doSetupTell{result: r, moving: h.started})
}

// onBeat takes a sign of life, or a release.
func (c *core) onBeat(e evSetup) {
	r := broker.SetupResult{Leave: e.digest, Number: e.command.Number}
	h := c.setup.hold
	if over := c.setup.over; h == nil && over.Grip == e.command.Grip && over.Leave == e.digest {
		over.Number = e.command.Number
		c.do(doSetupTell{result: over}) // it ended by itself
		return
	}
	if h == nil || !h.ready || e.digest != c.setup.leave || e.command.Grip != h.key || h.release > 0 {
		r.Problem = phraseLetGo
		c.do(doSetupTell{result: r})
		return
	}
	k := c.challenge
	tick := int(min(max(e.command.Tick, 0), int64(len(h.ticks))))
	switch {
	case e.command.Release:
		c.letGo(e.command.Number)
		return
	case k == nil || c.now.boot-k.made > ageLimit(e.leave.AgeLimitS, permit.MaxLeaveAgeS):
		r.Problem = phraseExpired
	case tick < 1 || len(h.ticks) >= mostTicks:
		r.Problem = phraseLetGo
	default:
		if tick > h.heard {
			h.heard, h.until = tick, h.ticks[tick-1]+holdFor
		}
		if c.now.boot >= h.until {
			r.Problem = phraseSilent
		}
	}
	if r.Problem != "" {
		c.letGo(0)
		c.do(doSetupTell{result: r})
		return
	}
	if !h.started {
		h.started = true
		carry := doCarry{way: h.way, fine: h.fine, profile: c.profile, until: h.until}
		if h.traces {
			carry.around = c.setup.trace.left
		}
		c.do(carry)
	} else {
		c.do(doHoldUntil{until: h.until})
	}
	c.tellTick(r)
}

// letGo ends a hold; the release, if one waits, is answered when the carriage rests.
func (c *core) letGo(release int64) {
	h := c.setup.hold
	if !h.started {
		c.setup.moving, c.setup.hold = false, nil
		if release > 0 {
			c.do(doSetupTell{result: broker.SetupResult{Leave: c.setup.leave, Number: release}, where: true})
		}
		return
	}
	h.release = max(release, h.release)
	h.key = [16]byte{} // no beat of it counts any more
	h.until = 0
	c.do(doHoldUntil{})
}

// onCarried is the end of a hold's motion, whatever ended it.
func (c *core) onCarried(e evCarried) {
	if result, waits := c.setup.carried(e); waits {
		c.do(doSetupTell{result: result})
	}
}

// carried forgets the hold and says whether a release waits for its result.
func (s *setup) carried(e evCarried) (result broker.SetupResult, waits bool) {
	h := s.hold
	s.moving, s.hold = false, nil
	if h == nil {
		return broker.SetupResult{}, false
	}
	s.over = e.result
	s.over.Leave, s.over.Grip = s.leave, h.name
	if h.traces {
		s.over.Traced = s.trace.rested(e)
		s.over.Origin = s.trace.origin
	}
	result = s.over
	result.Number = h.release
	return result, h.release > 0
}

// wakeHold is when a grip that nobody followed is forgotten; 0 for none.
func (c *core) wakeHold() time.Duration {
	if h := c.setup.hold; h != nil && h.ready && !h.started {
		return h.until
	}
	return 0
}

// watchHold forgets a grip that nobody followed in time.
func (c *core) watchHold() {
	if at := c.wakeHold(); at > 0 && c.now.boot >= at {
		c.letGo(0)
	}
}
