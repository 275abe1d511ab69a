package worker

import (
	"slices"

	"github.com/google/uuid"

	"kerfgate/plan/canon"
	"kerfgate/queue/broker"
)

// take is the server's half of the burn: both burns exist before motion (I2), none under a lockout (I8).
func (m *model) take(id uuid.UUID, permit canon.Digest) (granted bool) {
	r := m.run(id)
	switch {
	case r == nil || m.locked:
		return false
	case r.phase == "starting" && r.burned == permit:
		return true // the same answer again, as long as nothing moved
	case r.phase != "permitted" || r.live != permit || !m.authorised:
		return false
	}
	r.move("burned")
	r.burned, r.live, r.sheetTaken = permit, canon.Digest{}, true
	m.count--
	m.reserved--
	return true
}

// reported is what a report of the worker changes; what does not fit changes nothing. again is the
// run that stands in the place of one that was burned in vain.
func (m *model) reported(rep broker.Report, again func(job, not uuid.UUID) uuid.UUID) {
	r := m.run(rep.Run)
	if rep.Kind == broker.ReportJournal && rep.Run == uuid.Nil {
		m.journalTold(rep)
		return
	}
	if r == nil {
		return
	}
	switch rep.Kind {
	case broker.ReportReady, broker.ReportUnready:
		if r.waiting() && r.revision == rep.Revision {
			r.ready = rep.Kind == broker.ReportReady
		}
	case broker.ReportRefused:
		if r.phase == "permitted" && r.live == rep.Permit {
			m.void(r)
		}
	case broker.ReportJournal:
		if m.untold {
			m.journalBurn(r, rep)
		}
	case broker.ReportMoved, broker.ReportPaused, broker.ReportResumed, broker.ReportPurged:
		if r.can(string(rep.Kind)) {
			r.move(string(rep.Kind))
			r.paused = rep.Kind == broker.ReportPaused || r.paused
		}
	case broker.ReportCompleted, broker.ReportStopped, broker.ReportFailed, broker.ReportInterrupted:
		m.ended(r, rep, again)
	}
}

func (m *model) ended(r *modelRun, rep broker.Report, again func(job, not uuid.UUID) uuid.UUID) {
	switch {
	case r.phase == "permitted": // its burn never reached the database: the journal wins
		m.burnedUnheard(r, rep.NeverMoved)
		r.move("interrupted")
		r.neverMoved = rep.NeverMoved
	case r.waiting(): // burned while its permit was voided: another run takes its place
		if rep.NeverMoved && slices.Contains(r.voided, rep.Permit) && !r.job.withdrawn {
			r.move("withdrawn")
			r.neverMoved = true
			m.proposeAgain(r, again(r.job.id, r.id))
		}
	case r.can(string(rep.Kind)):
		r.move(string(rep.Kind))
		r.neverMoved = rep.NeverMoved
	}
}

// burnedUnheard books the sheet of a run that the worker burned and nobody here heard of.
func (m *model) burnedUnheard(r *modelRun, neverMoved bool) {
	if !r.live.IsZero() {
		r.voided = append(r.voided, r.live)
	}
	r.live, r.answered = canon.Digest{}, false
	m.reserved--
	if !neverMoved {
		m.count--
	}
	r.sheetTaken = !neverMoved
}

// journalTold: a worker that was restarted holds no challenge any more, so its permit is dead; after a
// restore its journal has now been heard.
func (m *model) journalTold(rep broker.Report) {
	if rep.Epoch != [16]byte{} {
		m.closed, m.untold = false, false
	}
	if r := m.activeRun(); r != nil && r.phase == "permitted" {
		m.void(r)
	}
}

// restored: nothing of before revives (I14).
func (m *model) restored() {
	m.boundChanged()
	m.closed, m.untold = true, true
}

// journalBurn: the worker burned it, so it never moves again; the journal wins.
func (m *model) journalBurn(r *modelRun, rep broker.Report) {
	if r.phase == "closed" || r.phase == "inspecting" && !rep.Later {
		return
	}
	if !r.active() && m.activeRun() != nil {
		return
	}
	never := r.neverMoved
	if r.unstarted() {
		m.burnedUnheard(r, rep.NeverMoved)
		if r.waiting() {
			r.move("restored")
		} else {
			r.move("interrupted")
		}
		never = rep.NeverMoved
	}
	if r.can("interrupted") {
		r.move("interrupted")
		never = rep.NeverMoved
	}
	m.look(r, rep.Later)
	r.neverMoved = never
}

// look walks a run that ended to where a person looks at its sheet, or past it where that was done.
func (m *model) look(r *modelRun, looked bool) {
	if r.can("purged") {
		r.move("purged")
	}
	if looked && r.can("inspected") {
		r.move("inspected")
	}
}

func (m *model) writtenOff() {
	m.closed = false
	for _, r := range m.runs {
		if r.can("interrupted") && r.phase != "permitted" {
			r.move("interrupted")
		}
		m.look(r, false)
	}
}
