package worker

import (
	"errors"
	"time"

	"github.com/google/uuid"

	"kerfgate/plan"
	"kerfgate/plan/canon"
	"kerfgate/plan/machine"
	"kerfgate/queue/broker"
	"kerfgate/worker/journal"
)

// retryUnready is how long after a run was found not ready it is tried again.
const retryUnready = 30 * time.Second

// errNotNow tells the link that an offer has to come again.
var errNotNow = errors.New("not prepared now")

// preparation is what the worker holds of an offered run.
type preparation struct {
	offer  broker.Offer
	done   bool // ready or reason stands in the journal
	ready  bool
	reason string
	busy   bool
	tried  time.Duration
	wait   []func(error) // deliveries to be acknowledged
}

// onOffer prepares what is offered. Offers are states: an older revision changes nothing, the same
// one again is answered with the first result.
func (c *core) onOffer(o broker.Offer, done func(error)) {
	if done == nil {
		done = func(error) {}
	}
	p := c.prepared[o.Run]
	switch {
	case o.Machine != c.machine || o.Run == uuid.Nil:
		done(nil)
	case c.broken || !c.hasEpoch || c.foreign || o.Epoch != c.epoch:
		done(errNotNow)
	case c.burntRuns[o.Run], p != nil && o.Revision < p.offer.Revision:
		done(nil)
	case o.Withdrawn:
		if p != nil {
			c.forget(p)
		}
		done(nil)
	case p != nil && p.offer.Revision == o.Revision && p.offer.Plan == o.Plan && p.offer.Profile == o.Profile:
		p.offer.PlanSize = o.PlanSize // not kept in the journal
		switch {
		case p.busy:
			p.wait = append(p.wait, done)
		case p.done && p.ready:
			done(nil)
		case p.done && c.now.boot-p.tried < retryUnready:
			done(nil)
		default:
			p.wait = append(p.wait, done)
			c.prepare(p)
		}
	default:
		if p != nil {
			c.forget(p)
		}
		p = &preparation{offer: o, wait: []func(error){done}}
		c.prepared[o.Run] = p
		c.prepare(p)
	}
}

func (c *core) forget(p *preparation) {
	delete(c.prepared, p.offer.Run)
	if k := c.challenge; k != nil && k.run == p.offer.Run {
		c.challenge = nil
	}
	for _, done := range p.wait {
		done(errNotNow)
	}
	if p.done {
		c.write("", []journal.Fact{{Kind: journal.Forgotten, Run: p.offer.Run}})
	}
	for _, other := range c.prepared {
		if other.offer.Plan == p.offer.Plan {
			return
		}
	}
	c.do(doForget{plan: p.offer.Plan})
}

func (c *core) prepare(p *preparation) {
	p.busy, p.tried = true, c.now.boot
	if !c.hasProfile || c.profileDigest != p.offer.Profile || c.machineDown {
		reason := phraseProfile
		switch {
		case !c.hasProfile:
			reason = phraseNoProfile
		case c.profileDigest == p.offer.Profile:
			reason = phraseLost
		}
		c.onPrepared(evPrepared{offer: p.offer, reason: reason})
		return
	}
	c.do(doPrepare{offer: p.offer, profile: c.profile, digest: c.profileDigest})
}

// onPrepared writes down what came of it, tells it if it is news, and only then lets the offer's
// delivery be acknowledged.
func (c *core) onPrepared(e evPrepared) {
	p := c.prepared[e.offer.Run]
	if p == nil || !p.busy || p.offer.Revision != e.offer.Revision || p.offer.Plan != e.offer.Plan {
		return
	}
	p.busy = false
	news := !p.done || p.ready != (e.reason == "") || p.reason != e.reason
	p.done, p.ready, p.reason = true, e.reason == "", e.reason
	wait := p.wait
	p.wait = nil
	acknowledge := func(err error) {
		for _, done := range wait {
			done(err)
		}
	}
	if !news {
		acknowledge(nil)
		return
	}
	kind := broker.ReportReady
	if !p.ready {
		kind = broker.ReportUnready
	}
	c.do(doWrite{
		facts: []journal.Fact{{Kind: journal.Prepared, Run: p.offer.Run, Revision: p.offer.Revision, Plan: p.offer.Plan,
			Profile: p.offer.Profile, Ready: p.ready, Reason: p.reason}},
		reports: []broker.Report{{Kind: kind, Run: p.offer.Run, Revision: p.offer.Revision, Reason: p.reason, Process: c.process}},
		after:   acknowledge,
	})
}

// onState takes what the server says it holds. Nothing starts from it; it can lock nothing open.
func (c *core) onState(s broker.State) {
	if c.broken {
		return
	}
	if !c.hasEpoch {
		c.epoch, c.hasEpoch = s.Epoch, true
		c.write("", []journal.Fact{{Kind: journal.Epoch, Server: s.Epoch}})
		// A folder that no server knew has burned nothing. Where it is the only one that its key ever had,
		// a server that waits for its journal has heard it.
		c.report(broker.Report{Kind: broker.ReportJournal, Epoch: s.Epoch})
	}
	if foreign := s.Epoch != c.epoch; foreign != c.foreign {
		c.foreign = foreign
		c.challenge = nil
		c.setup.end(c)
	}
	if c.foreign {
		return
	}
	c.heedHead(s)
	c.heard = true
	c.adopt(s.Profile, s.ProfileData)
	for _, o := range s.Offers {
		c.onOffer(o, nil)
	}
}

// adopt takes a profile only while nothing runs and no leave is out.
func (c *core) adopt(digest canon.Digest, data []byte) {
	if c.stage != idle && c.hasProfile || c.setup.moving || c.adopting || len(data) == 0 {
		return
	}
	if c.hasProfile && c.profileDigest == digest && !c.machineDown {
		return
	}
	if canon.Sum(data) != digest {
		return
	}
	c.adopting = true
	c.challenge = nil
	c.setup.end(c)
	c.do(doAdopt{digest: digest, data: data})
}

func (c *core) onAdopted(e evAdopted) {
	c.adopting = false
	if e.err != nil {
		return
	}
	c.profile, c.profileDigest, c.hasProfile = e.profile, e.digest, true
	c.machineDown = e.down
	if c.haltOnAdopt && !e.down {
		c.haltOnAdopt = false
		c.do(doHalt{})
	}
	if c.run != nil {
		c.run.watch.set(c.profile)
	}
	for _, p := range c.prepared { // what was not ready may be now
		if p.done && !p.ready {
			p.tried = c.now.boot - retryUnready
		}
	}
}

// extentsFit says whether the plan can lie anywhere in the travel at all: what it marks, and everywhere
// that the carriage goes for it.
func extentsFit(p *plan.Plan, profile machine.Profile) bool {
	box := p.GeometryOn(profile).ToldBox(p.Extents.Union(p.Reach))
	return box.Width() <= profile.TravelUM.Width() && box.Height() <= profile.TravelUM.Height()
}
