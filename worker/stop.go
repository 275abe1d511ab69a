package worker

import "kerfgate/queue/broker"

// onStop records a stop whose off has already been sent: Worker.Stop calls the driver before
// anything else knows of it (I5).
func (c *core) onStop(e evStop) {
	// A stop before the permit is there voids it, and ends a set-up leave.
	c.challenge = nil
	c.setup.end(c)
	// Once more, in case the driver was being made ready just then; off twice is off.
	c.do(doHalt{})
	reason := phraseStop
	if e.failed {
		reason = phraseStopFailed
	}
	c.finish(ending{kind: broker.ReportStopped, reason: reason, offSentMS: e.offSentMS})
}
