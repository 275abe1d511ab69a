package worker

import (
	"time"

	"kerfgate/checklist/permit"
	"kerfgate/plan/canon"
	"kerfgate/plan/machine"
	"kerfgate/queue/broker"
	"kerfgate/worker/journal"
)

// Attendance where the profile says nothing.
const (
	defaultEvery = 60 * time.Second
	defaultGrace = 15 * time.Second
)

// attendance is the operator's repeated confirmation of being at the machine (I9): from the first
// time the tool is on until the purge ends, pauses included. A miss starts the next interval.
type attendance struct {
	want   [32]byte // SHA-256 of the token; zero where none is asked
	every  time.Duration
	grace  time.Duration
	asked  bool
	from   time.Duration // of the interval, in boot time
	taps   int64
	misses int64
}

func (a *attendance) set(p machine.Profile) {
	a.every, a.grace = defaultEvery, defaultGrace
	if p.Attendance.EveryS > 0 {
		a.every = time.Duration(p.Attendance.EveryS) * time.Second
	}
	if p.Attendance.GraceS > 0 {
		a.grace = time.Duration(p.Attendance.GraceS) * time.Second
	}
}

// begin starts the first interval; later calls change nothing.
func (a *attendance) begin(now time.Duration) {
	if a.asked || a.want == [32]byte{} {
		return
	}
	a.asked, a.from = true, now
}

// deadline is when the interval is missed; 0 when none is asked.
func (a *attendance) deadline() time.Duration {
	if !a.asked {
		return 0
	}
	return a.from + a.every + a.grace
}

// watchAttendance acts on a missed interval: the tool goes off and the run pauses; the second miss
// of the run stops it. In the purge a miss is told and changes nothing.
func (c *core) watchAttendance() {
	for c.run != nil && c.run.watch.asked {
		w := &c.run.watch
		missed := w.deadline()
		if c.now.boot < missed {
			return
		}
		w.misses++
		w.from = missed
		if late := c.now.boot - missed; late > w.every {
			w.from = c.now.boot // this process stood still: one miss, not many at once
		}
		id, digest, misses, taps := c.run.id, c.run.digest, w.misses, w.taps
		// The tool goes off first; then the miss is written, and after it what it led to.
		tell := func() {
			c.write("", []journal.Fact{{Kind: journal.Missed, Run: id}},
				broker.Report{Kind: broker.ReportAttendance, Run: id, Permit: digest, Reason: phraseMissed,
					Misses: misses, Taps: taps})
		}
		switch {
		case misses > 1 && (c.stage == running || c.stage == paused):
			c.do(doHalt{})
			tell()
			c.finish(ending{kind: broker.ReportStopped, reason: phraseSecondMiss})
		case c.stage == running:
			c.pause(phraseMissed, tell)
		case c.stage == paused && c.run.resuming:
			c.run.resuming = false // missed just as the machine was told to go on
			c.do(doHold{run: id})
			tell()
		default:
			tell()
		}
	}
}

// onTap takes a tap that shows the run's token.
func (c *core) onTap(e evTap) {
	result := tapResult{leftS: -1}
	if c.run != nil && tokenMatches(e.token, c.run.watch.want) {
		w := &c.run.watch
		w.taps++
		result.taken = true
		if w.asked {
			w.from = c.now.boot
			result.leftS = seconds(w.deadline() - c.now.boot)
		}
	}
	if e.done != nil {
		e.done(result)
	}
}

// tapResult is what a tap did.
type tapResult struct {
	taken bool
	leftS int64 // until attendance is missed, −1 when none is asked now
}

// onHandover passes attendance on to another operator's token.
func (c *core) onHandover(h permit.Handover) {
	if c.run == nil || h.Machine != c.machine || h.Run != c.run.id || canon.Digest(h.Permit) != c.run.digest ||
		h.Number <= c.run.handover || c.run.watch.want == [32]byte{} {
		return
	}
	c.run.handover = h.Number
	c.run.watch.want = h.Attendance
}
