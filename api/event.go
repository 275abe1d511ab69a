package api

import (
	"strings"

	"github.com/google/uuid"

	"kerfgate/api/wire"
	"kerfgate/db"
	"kerfgate/db/logbook"
)

// event is one logbook entry or reading, decoded and written out once for all clients.
type event struct {
	index int64  // of the entry, −1 for a reading
	full  []byte // JSON for who may see all of it
	board []byte // JSON of the same without names, job and reason; nil where it is no board event
	// Who sees it in full besides officers and admins.
	owner, actor, about uuid.UUID
	rights              bool // it may change what somebody may see: sessions, accounts, authorisations, stations
}

// boardKinds are the kinds that everybody may know of, without names: what the board shows.
var boardKinds = []string{"run.", "lockout.", "watch.", "answer.", "attendance.", "leave.", "picture.",
	"machine.", "profile.", "material.", "stock.", "setting.", "calibration.", "queue."}

// rightsKinds may change what somebody may see. A session that opens takes nothing from anybody.
var rightsKinds = []string{string(logbook.SessionEnded), "person.", "authorisation.", "station."}

func hasPrefix(kind logbook.Kind, prefixes []string) bool {
	for _, p := range prefixes {
		if strings.HasPrefix(string(kind), p) {
			return true
		}
	}
	return false
}

// eventOf writes an entry out for both audiences.
func (s *Server) eventOf(e db.LogEntry) *event {
	entry := e.Entry
	shape := wire.EventEntry{Index: e.Index, Time: utc(entry.Time), Kind: string(entry.Kind)}
	subject := func(role string) *uuid.UUID {
		id, _ := entry.Subject(role)
		return someID(uuid.UUID(id))
	}
	shape.RunID, shape.MachineID = subject(logbook.RoleRun), subject(logbook.RoleMachine)
	if e.Number > 0 {
		shape.RunNumber = &e.Number
	}
	text := func(field string) *string {
		value, _ := entry.Body.String(field)
		return optional(value)
	}
	shape.From, shape.To, shape.Outcome = text(logbook.FieldFrom), text(logbook.FieldTo), text(logbook.FieldOutcome)

	out := &event{index: e.Index, owner: e.Owner, actor: uuid.UUID(entry.Actor), rights: hasPrefix(entry.Kind, rightsKinds)}
	if about, ok := entry.Subject("person"); ok {
		out.about = uuid.UUID(about)
	}
	var err error
	if hasPrefix(entry.Kind, boardKinds) {
		if out.board, err = (strictJSON{}).bytes(shape); err != nil {
			s.log.Error("event not written", "index", e.Index, "error", err)
		}
	}
	shape.JobID, shape.Reason = subject(logbook.RoleJob), text(logbook.FieldReason)
	shape.ActorID, shape.ActorName = someID(uuid.UUID(entry.Actor)), optional(e.ActorName)
	if out.full, err = (strictJSON{}).bytes(shape); err != nil {
		s.log.Error("event not written", "index", e.Index, "error", err)
	}
	return out
}

// seenBy is what a caller may see of the event; nil for nothing.
func (e *event) seenBy(who signedIn, signed bool) []byte {
	if !signed {
		return e.board
	}
	self := who.Person.ID
	if who.Person.Role.Officer() || who.Person.Role.Admin() {
		return e.full
	}
	if self != uuid.Nil && (e.owner == self || e.actor == self || e.about == self) {
		return e.full
	}
	return e.board
}

// rightsOf says whether the event may change what this person may see; where it names nobody it may be
// anybody.
func (e *event) rightsOf(person uuid.UUID) bool {
	return e.rights && (e.about == uuid.Nil || e.about == person || e.actor == person)
}
