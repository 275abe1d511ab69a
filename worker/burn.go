package worker

import (
	"time"

	"kerfgate/checklist/permit"
	"kerfgate/plan"
	"kerfgate/plan/canon"
	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/queue/broker"
	"kerfgate/worker/journal"
)

// rememberAtMost bounds what is kept of permits that were voided or refused.
const rememberAtMost = 256

// forgedGap is how often a permit that the server's key did not sign is worth a report.
const forgedGap = 10 * time.Second

// onPermit checks a permit, line by line, against what the worker holds. The first check that fails
// refuses it; before the burn that costs nothing.
func (c *core) onPermit(e evPermit) {
	p := e.statement
	if c.run != nil && c.run.digest == e.digest {
		return // the same permit again
	}
	if reason := c.permitProblem(p, e.digest); reason != "" {
		c.refuse(p, e.digest, reason)
		return
	}
	c.run = &activeRun{id: p.Run, digest: e.digest, permit: p, made: c.challenge.made, watch: attendance{want: p.Attendance}}
	c.challenge = nil // used
	c.run.deadline = c.now.boot + readyWait
	c.stage = reading
	c.do(doRead{run: p.Run, plan: p.Plan})
}

func (c *core) permitProblem(p permit.Permit, digest canon.Digest) string {
	switch {
	case c.broken:
		return phraseOutOfUse
	case p.Machine != c.machine:
		return phraseMachine
	case p.MachineKey != c.machineKey:
		return phraseKey
	case !c.hasEpoch:
		return phraseNoEpoch
	case c.foreign || p.Epoch != c.epoch:
		return phraseEpoch
	case c.doubt:
		return phraseDoubt
	case c.burntRuns[p.Run] || c.burntPermits[digest]:
		return phraseBurned
	case c.voided[digest]:
		return phraseVoided
	case c.stage != idle || c.setup.moving || c.adopting:
		return phraseBusy
	case c.locked:
		return phraseLocked
	case p.LogSize <= c.lockIndex:
		return phraseOldLog
	}
	k := c.challenge
	if k == nil || k.purpose != broker.PurposeStart || k.value != p.Challenge || k.run != p.Run {
		return phraseChallenge
	}
	if c.now.boot-k.made > ageLimit(p.AgeLimitS, permit.MaxPermitAgeS) {
		return phraseExpired
	}
	ready := c.prepared[p.Run]
	switch {
	case ready == nil || !ready.done || !ready.ready:
		return phraseNotPrepared
	case ready.offer.Plan != p.Plan:
		return phrasePlan
	case !c.hasProfile || c.profileDigest != p.Profile || ready.offer.Profile != p.Profile:
		return phraseProfile
	case c.machineDown:
		return phraseLost
	}
	return ""
}

func ageLimit(seconds, most int64) time.Duration {
	return time.Duration(min(seconds, most)) * time.Second
}

// onPlan looks at the plan itself, read and hashed again from the disk just now.
func (c *core) onPlan(e evPlan) {
	if c.stage != reading || c.run.id != e.run {
		return
	}
	if e.plan == nil {
		delete(c.prepared, e.run) // to be pulled again
		c.finish(ending{reason: phrasePlanGone})
		return
	}
	if reason := planProblem(e.plan, c.profile, c.profileDigest, c.run.permit); reason != "" {
		c.finish(ending{reason: reason})
		return
	}
	c.run.plan = e.plan
	c.run.totalMS = e.plan.Numbers.TotalMS
	c.run.purgeS = waited(e.plan.PurgeS, c.profile)
	c.run.watch.set(c.profile)
	c.stage = resetting
	c.do(doReset{})
}

// planProblem holds plan, profile and permit against each other (I10, I15).
func planProblem(p *plan.Plan, profile machine.Profile, digest canon.Digest, leave permit.Permit) string {
	tool, ok := profile.Tool(p.Tool)
	switch {
	case p.Profile != digest:
		return phraseProfile
	case !ok || tool.Kind != p.ToolKind:
		return phraseTool
	case tool.Kind == machine.ToolBeam && !cutOffProven(profile.CutOff):
		return phraseCutOff
	case tool.Kind == machine.ToolBeam && leave.Attendance == [32]byte{}:
		return phraseAttendance
	}
	// Extents and reach are claims of the plan; what moves the carriage is its points, and what marks
	// the sheet those with the tool on.
	box, marked := p.Extents.Union(p.Reach), p.Extents
	if way, on, ok := p.Cover(); ok {
		box, marked = box.Union(way), marked.Union(on)
	}
	origin := geom.Pt(leave.OriginXUM, leave.OriginYUM)
	moved := p.GeometryOn(profile).ToldBox(box).Move(origin)
	if !profile.WithinStops(origin, moved.Min, moved.Max) || // the carriage goes to the origin first
		marked.Width() > leave.SheetWUM || marked.Height() > leave.SheetHUM ||
		len(p.CheckPlacement(profile, origin, profile.TravelUM)) > 0 {
		return phrasePlacement
	}
	return ""
}

func cutOffProven(c machine.CutOff) bool {
	worst, ok := c.Worst()
	return ok && worst <= machine.LongestCutOffMS
}

// onReset burns: the driver takes lines again, so the last thing before the burn is to look once
// more at what may have changed since the permit came.
func (c *core) onReset(err error) {
	if c.stage != resetting {
		return
	}
	p := c.run.permit
	switch {
	case err != nil:
		c.finish(ending{reason: phraseDriverFailed})
	case c.now.boot-c.run.made > ageLimit(p.AgeLimitS, permit.MaxPermitAgeS):
		c.finish(ending{reason: phraseExpired})
	default:
		c.stage = burning
		c.burntRuns[p.Run], c.burntPermits[c.run.digest] = true, true
		c.write(tagBurn, []journal.Fact{{Kind: journal.Burned, Run: p.Run, Permit: c.run.digest,
			Challenge: p.Challenge, Attendance: p.Attendance, PurgeS: c.run.purgeS}})
	}
}

// onBurned says taken and waits for go.
func (c *core) onBurned() {
	delete(c.prepared, c.run.id)
	c.stage = takenWait
	c.run.deadline = c.now.boot + c.goWait
	if dead := c.run.dead; dead != nil {
		c.finish(*dead)
		return
	}
	c.do(doTaken{taken: broker.Taken{Run: c.run.id, Permit: c.run.digest, Challenge: c.run.permit.Challenge}})
}

// refuse reports each permit once: a copy that comes again cannot make the journal grow.
func (c *core) refuse(p permit.Permit, digest canon.Digest, reason string) {
	if c.reported[digest] {
		return
	}
	if len(c.reported) >= rememberAtMost {
		clear(c.reported)
	}
	c.reported[digest] = true
	c.report(broker.Report{Kind: broker.ReportRefused, Run: p.Run, Permit: digest, Reason: reason})
}

// onForged reports a permit that no server key signed, now and then.
func (c *core) onForged(digest canon.Digest) {
	if c.hasForged && c.now.boot-c.forgedAt < forgedGap {
		return
	}
	c.hasForged, c.forgedAt = true, c.now.boot
	c.report(broker.Report{Kind: broker.ReportRefused, Permit: digest, Reason: phraseSignature})
}

// onVoid: a void wins over its permit, whichever comes first, until the first motion.
func (c *core) onVoid(v permit.Void) {
	if v.Machine != c.machine {
		return
	}
	if len(c.voided) >= rememberAtMost {
		// Whoever can sign that many voids in one process can sign permits; forget the permit's
		// challenge instead of the voids.
		clear(c.voided)
		c.challenge = nil
	}
	c.voided[v.Permit] = true
	if c.run != nil && c.run.digest == v.Permit && (c.stage.beforeMotion() || c.stage == starting) {
		c.finish(ending{kind: broker.ReportInterrupted, reason: phraseVoided})
	}
}
