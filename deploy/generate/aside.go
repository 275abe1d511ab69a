package generate

import (
	"crypto/sha256"
	"fmt"
	"time"

	"github.com/google/uuid"

	"kerfgate/db/logbook"
	"kerfgate/plan/machine"
)

// setUp is what a shop sets up once: a station and upkeep at each machine, pairs of eyewear.
func (h *history) setUp() {
	for _, m := range h.machines {
		m.station = h.id()
		hash := sha256.Sum256(m.station[:])
		h.rows.add("station", m.station, m.ID, m.Bay, make([]byte, 16), hash[:], h.now)
		h.entry(logbook.StationEnrolled, uuid.Nil, logbook.Body{"name_digest": hash[:]}, about("station", m.station), about(logbook.RoleMachine, m.ID))
		for _, u := range []upkeep{{what: "belts", hours: 100}, {what: "rails", days: 30}, {what: "lens and mirrors", runs: 200, critical: m.Profile.HasBeam()}} {
			u.id, u.since = h.id(), h.now
			h.entry(logbook.UpkeepSet, h.cfg.Admin.Person, logbook.Body{"days": u.days, "hours": u.hours, "runs": u.runs, "critical": u.critical},
				about(logbook.RoleMachine, m.ID), about("upkeep", u.id))
			m.upkeep = append(m.upkeep, &u)
		}
	}
	for i := range 12 {
		id := h.id()
		h.rows.add("pair", id, fmt.Sprintf("pair %d", i+1), "10600 D LB6", h.now, h.cfg.Admin.Person)
		h.entry(logbook.PairAdded, h.cfg.Admin.Person, logbook.Body{"label": fmt.Sprintf("pair %d", i+1), "marking": "10600 D LB6", "damaged": false}, about("pair", id))
	}
}

// upkeep is work that comes back.
type upkeep struct {
	id                uuid.UUID
	what              string
	days, hours, runs int64
	critical          bool
	since             time.Time
	rev               int64
}

// keepUp does a machine's upkeep every 150 runs.
func (h *history) keepUp(m *bench, by uuid.UUID) {
	if m.ran++; m.ran%150 != 0 {
		return
	}
	for _, u := range m.upkeep {
		h.rows.add("upkeep_done", h.id(), u.id, by, h.now, "cleaned and looked at")
		h.entry(logbook.UpkeepDone, by, logbook.Body{"note_digest": make([]byte, 32)}, about(logbook.RoleMachine, m.ID), about("upkeep", u.id))
		u.since, u.rev = h.now, u.rev+1
	}
}

// keepUpkeep writes the tasks as they stand at the end.
func (h *history) keepUpkeep() {
	for _, m := range h.machines {
		for _, u := range m.upkeep {
			h.rows.add("upkeep_task", u.id, m.ID, u.what, u.days, u.hours, u.runs, u.critical, u.since, u.rev+1)
		}
	}
}

// session is a member who signs in with a browser and out again.
func (h *history) session(m *member) {
	id := h.id()
	hash := sha256.Sum256(id[:])
	h.rows.add("session", id, hash[:], m.id, "browser", h.now, h.now, h.now.Add(time.Hour), h.now.Add(time.Hour))
	h.entry(logbook.SessionOpened, m.id, logbook.Body{"kind": "browser"}, about("session", id))
	h.entry(logbook.SessionEnded, m.id, nil, about("session", id))
}

// watch is the fire watch after a run with a beam: opened at its inspection, looked at and closed.
func (h *history) watch(r *runRow) []func() {
	if r.job.work.tool.Kind != machine.ToolBeam {
		return nil
	}
	id := h.id()
	look := func() { h.rows.add("watch_look", id, h.now, r.operator, "nothing") }
	return []func(){
		func() {
			h.about(logbook.WatchOpened, r.operator, r.job, r.id, logbook.Body{"seconds": int64(1800)}, about("watch", id))
		},
		func() {
			look()
			h.about(logbook.WatchConfirmed, r.operator, r.job, r.id, logbook.Body{"saw": "nothing"}, about("watch", id))
		},
		func() {
			h.tick(time.Millisecond)
			look()
			h.about(logbook.WatchClosed, r.operator, r.job, r.id, logbook.Body{"saw": "nothing"}, about("watch", id))
			h.rows.add("watch", id, r.job.work.on.ID, r.id, r.operator, r.taken, h.now, h.now, h.now)
		},
	}
}

// lockout takes the machine out of use and puts it back.
func (h *history) lockout(m *bench) func() {
	return func() {
		id, by, at := h.id(), m.operators[h.rng.IntN(len(m.operators))], h.now
		subjects := []logbook.Subject{about(logbook.RoleLockout, id), about(logbook.RoleMachine, m.ID)}
		h.entry(logbook.LockoutSet, by, logbook.Body{"reason_digest": make([]byte, 32)}, subjects...)
		h.tick(time.Millisecond)
		h.entry(logbook.LockoutLifted, by, logbook.Body{"reason_digest": make([]byte, 32)}, subjects...)
		h.rows.add("lockout", id, m.ID, "belt slipped", make([]byte, 16), by, at, by, h.now, "belt tightened")
	}
}

// incident is reported with a run, followed up and closed.
func (h *history) incident(r *runRow) {
	id, by, officer := h.id(), r.operator, h.cfg.Admin.Person
	kind := []string{"near miss", "near miss", "hazard observation", "damage"}[h.rng.IntN(4)]
	of := []logbook.Subject{about("incident", id)}
	h.about(logbook.IncidentOpened, by, r.job, r.id, logbook.Body{"kind": kind, "severity": "none", "potential": "first aid", "what_digest": make([]byte, 32)}, of...)
	h.rows.add("incident_note", h.id(), id, "immediate cause", "the sheet was not flat", by, h.now)
	h.entry(logbook.IncidentAdded, by, logbook.Body{"about": "immediate cause", "text_digest": make([]byte, 32)}, of...)
	h.rows.add("follow_up", h.id(), id, "store sheets lying", "administrative", by, h.now.AddDate(0, 0, 14), h.now, by, "done")
	h.entry(logbook.FollowUpSet, by, logbook.Body{"remedy": "administrative", "due": h.now.AddDate(0, 0, 14).Format(time.DateOnly)}, of...)
	h.entry(logbook.FollowUpDone, by, nil, of...)
	h.entry(logbook.IncidentClosed, officer, logbook.Body{"closing_digest": make([]byte, 32)}, of...)
	h.rows.add("incident", id, kind, r.job.work.on.ID, r.id, by, h.now, h.now, "the sheet was lifted by the air", "none", "first aid", make([]byte, 16), h.now, officer, "sheets lie flat now", 6)
}
