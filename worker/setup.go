package worker

import (
	"kerfgate/checklist/permit"
	"kerfgate/plan/canon"
	"kerfgate/queue/broker"
)

// setup is motion without beam under a leave. The driver is never armed here and no line that could
// switch a tool is ever made.
type setup struct {
	moving bool
	leave  canon.Digest
	number int64
	last   broker.SetupResult
	hold   *hold              // of a hold to move, from its grip to its rest
	trace  trace              // the way around a plan that holds have gone, or have begun to go
	over   broker.SetupResult // of the last one that came to rest
}

// end forgets the leave. A command that is moving is stopped.
func (s *setup) end(c *core) {
	if s.moving {
		c.do(doHalt{})
	}
	s.leave, s.number, s.hold, s.trace = canon.Digest{}, 0, nil, trace{}
}

func (c *core) onSetup(e evSetup) {
	if e.command.Kind == broker.SetupBeat {
		c.onBeat(e)
		return
	}
	result := broker.SetupResult{Leave: e.digest, Number: e.command.Number}
	if e.digest == c.setup.leave && e.command.Number == c.setup.number && c.setup.number > 0 {
		if !c.setup.moving {
			c.do(doSetupTell{result: c.setup.last}) // the same command again
		}
		return
	}
	if result.Problem = c.leaveProblem(e); result.Problem != "" {
		c.do(doSetupTell{result: result})
		return
	}
	c.challenge.leave = e.digest
	c.setup = setup{moving: true, leave: e.digest, number: e.command.Number, trace: c.setup.trace}
	if e.command.Kind != broker.SetupGrip && e.command.Kind != broker.SetupWhere {
		c.setup.trace = trace{}
	}
	if e.command.Kind == broker.SetupGrip {
		c.onGrip(e)
		return
	}
	c.do(doSetup{command: e.command, profile: c.profile, leave: e.digest})
}

func (c *core) leaveProblem(e evSetup) string {
	l, k := e.leave, c.challenge
	switch {
	case c.broken:
		return phraseOutOfUse
	case l.Machine != c.machine:
		return phraseMachine
	case !c.hasEpoch || c.foreign || l.Epoch != c.epoch:
		return phraseEpoch
	case c.doubt:
		return phraseDoubt
	case c.locked:
		return phraseLocked
	case c.stage != idle || c.adopting || c.setup.moving:
		return phraseBusy
	case k == nil || k.purpose != broker.PurposeSetup || k.value != l.Challenge:
		return phraseChallenge
	case k.leave != canon.Digest{} && k.leave != e.digest:
		return phraseChallenge
	case c.now.boot-k.made > ageLimit(l.AgeLimitS, permit.MaxLeaveAgeS):
		return phraseExpired
	case !c.hasProfile:
		return phraseNoProfile
	case c.machineDown:
		return phraseLost
	case e.command.Number < 1 || e.digest == c.setup.leave && e.command.Number <= c.setup.number:
		return phraseNumber
	}
	return ""
}

func (c *core) onSetupDone(r broker.SetupResult) {
	if !c.setup.moving {
		return
	}
	c.setup.moving = false
	c.setup.last = r
	c.do(doSetupTell{result: r})
}
