package worker

import (
	"time"

	"github.com/google/uuid"

	"kerfgate/plan/canon"
	"kerfgate/queue/broker"
)

// challenge is the newest one given out; an older one is forgotten, and all die with the process.
type challenge struct {
	ask     [16]byte
	run     uuid.UUID
	purpose string
	value   [32]byte
	made    time.Duration // boot time
	leave   canon.Digest  // set-up: the one leave that answered it
}

func (c *core) onChallenge(ask broker.ChallengeAsk) {
	answer := broker.ChallengeAnswer{Ask: ask.Ask, Run: ask.Run, Purpose: ask.Purpose}
	if k := c.challenge; k != nil && k.ask == ask.Ask && k.run == ask.Run && k.purpose == ask.Purpose {
		answer.Challenge = k.value // the same question came twice
	} else if answer.Problem = c.challengeProblem(ask); answer.Problem == "" {
		c.challenge = &challenge{ask: ask.Ask, run: ask.Run, purpose: ask.Purpose, value: c.random(), made: c.now.boot}
		c.setup.end(c)
		answer.Challenge = c.challenge.value
	}
	c.do(doChallenge{answer: answer})
}

func (c *core) challengeProblem(ask broker.ChallengeAsk) string {
	switch {
	case c.broken:
		return phraseOutOfUse
	case !c.hasEpoch || !c.heard:
		return phraseNoEpoch
	case c.foreign:
		return phraseEpoch
	case c.doubt:
		return phraseDoubt
	case c.locked:
		return phraseLocked
	case !c.hasProfile:
		return phraseNoProfile
	case c.machineDown:
		return phraseLost
	case c.stage != idle || c.setup.moving || c.adopting:
		return phraseBusy
	}
	switch ask.Purpose {
	case broker.PurposeStart:
		if c.burntRuns[ask.Run] {
			return phraseBurned
		}
		if p := c.prepared[ask.Run]; p == nil || !p.done || !p.ready {
			return phraseNotPrepared
		}
	case broker.PurposeSetup:
	default:
		return phraseCommand
	}
	return ""
}
