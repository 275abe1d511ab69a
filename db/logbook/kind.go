package logbook

import "slices"

// Kind says what happened. Kinds are only ever added: a kind once written to a
// log keeps its name and meaning for ever.
type Kind string

// The kinds of a run's phase changes: "run." and the event of the phase table.
// Their entries carry the subjects "run", "machine" and "job" and the body
// fields of FieldFrom and the constants after it.
const (
	RunOpened      Kind = "run.opened"
	RunReleased    Kind = "run.released"
	RunSigned      Kind = "run.signed"
	RunVoided      Kind = "run.voided"
	RunBurned      Kind = "run.burned"
	RunMoved       Kind = "run.moved"
	RunPaused      Kind = "run.paused"
	RunResumed     Kind = "run.resumed"
	RunPlaced      Kind = "run.placed" // while paused: a lost place was found again
	RunCompleted   Kind = "run.completed"
	RunStopped     Kind = "run.stopped"
	RunFailed      Kind = "run.failed"
	RunInterrupted Kind = "run.interrupted"
	RunPurged      Kind = "run.purged"
	RunInspected   Kind = "run.inspected"
	RunWithdrawn   Kind = "run.withdrawn"
	RunRestored    Kind = "run.restored" // the worker's journal shows what a restored database did not know
)

// All other kinds.
const (
	SiteOpened             Kind = "site.opened"
	SiteSettled            Kind = "site.settled"  // body "kind": workshop or alone
	SiteLimitsSet          Kind = "site.limits"   // body "files", "mib", "runs"
	SiteRestored           Kind = "site.restored" // body "epoch", and where entries were lost "lost_from", "lost_to", "lost_root"
	JournalHeard           Kind = "journal.heard"
	JournalWrittenOff      Kind = "journal.written_off"
	PersonAdded            Kind = "person.added"
	PersonChanged          Kind = "person.changed"
	PersonErased           Kind = "person.erased"  // name, sign-in name and the salt of their digest are gone
	PersonInvited          Kind = "person.invited" // body "role"
	InvitationWithdrawn    Kind = "person.invitation_withdrawn"
	PasswordChanged        Kind = "person.password_changed"
	TokenMade              Kind = "token.made" // body "scopes", "until"
	AuthorisationGranted   Kind = "authorisation.granted"
	AuthorisationWithdrawn Kind = "authorisation.withdrawn"
	SessionOpened          Kind = "session.opened"
	SessionEnded           Kind = "session.ended"
	StationEnrolled        Kind = "station.enrolled"
	StationRevoked         Kind = "station.revoked"
	EnrolCodeMade          Kind = "enrol.code_made"  // body "enrols": worker or station
	WorkerEnrolled         Kind = "worker.enrolled"  // body "worker_key", "before"
	WorkerCertified        Kind = "worker.certified" // its listener got a certificate; body "host", "serial", "until"
	WorkerKeyReplaced      Kind = "worker.key_replaced"
	WorkerRevoked          Kind = "worker.revoked"
	KeyReplaced            Kind = "key.replaced" // of the site; body "key", "before", "after", "note"
	PINSet                 Kind = "pin.set"
	PINClosed              Kind = "pin.closed" // wrong PINs closed sign-in for a while
	PasskeyAdded           Kind = "passkey.added"
	PasskeyRemoved         Kind = "passkey.removed"
	PasskeyRefused         Kind = "passkey.refused" // it counted fewer signatures than are known; body "count"
	MachineAdded           Kind = "machine.added"
	ProfileChanged         Kind = "profile.changed"
	CommissioningBegun     Kind = "commissioning.begun" // subjects "machine", "commissioning"; body "tool", "profile"
	CommissioningAnswered  Kind = "commissioning.answered"
	CommissioningPublished Kind = "commissioning.published" // beside profile.changed; body "profile", "cut_off_tested", "cut_off_ms"
	CommissioningAbandoned Kind = "commissioning.abandoned"
	MachineViewNamed       Kind = "machine.view_named" // two machines in one view; subjects "machine", "other"
	MachineViewEnded       Kind = "machine.view_ended"
	LockoutSet             Kind = "lockout.set"    // subject "machine"
	LockoutLifted          Kind = "lockout.lifted" // subject "machine"
	MaterialAdded          Kind = "material.added"
	MaterialChanged        Kind = "material.changed"
	MaterialRetired        Kind = "material.retired"
	MaterialListTaken      Kind = "material.list_taken" // the list that ships; body "version", "list", "count"
	StockAdded             Kind = "stock.added"
	StockChanged           Kind = "stock.changed"
	StockTested            Kind = "stock.tested" // by the copper wire; body "lot", "halogen"
	SettingProven          Kind = "setting.proven"
	SettingWithdrawn       Kind = "setting.withdrawn"
	SettingsGridStarted    Kind = "settings_grid.started"
	SettingsGridFlame      Kind = "settings_grid.flame"  // a person saw a flame while it was worked
	CalibrationStarted     Kind = "calibration.started"  // body "pattern_x_um", "pattern_y_um"
	CalibrationMeasured    Kind = "calibration.measured" // body what was found and its uncertainty
	CalibrationAccepted    Kind = "calibration.accepted" // body "profile", "before"
	CalibrationRefused     Kind = "calibration.refused"  // body "reason_digest"
	CalibrationRuleSet     Kind = "calibration.rule_set" // body "days", "hours"
	ChecklistPublished     Kind = "checklist.published"
	DrawingReceived        Kind = "drawing.received"
	PlanMade               Kind = "plan.made"
	JobSubmitted           Kind = "job.submitted"
	JobWithdrawn           Kind = "job.withdrawn"
	SetMade                Kind = "set.made"
	JobSetChosen           Kind = "job.set_chosen" // the set that a job is part of; subjects "set" and "set_before", each where there is one
	RunProposed            Kind = "run.proposed"   // the run comes to be, in phase proposed
	RunReady               Kind = "run.ready"
	RunUnready             Kind = "run.unready"
	AnswerGiven            Kind = "answer.given"
	LeaveIssued            Kind = "leave.issued" // a set-up leave
	LeaveUsed              Kind = "leave.used"
	AttendanceMissed       Kind = "attendance.missed" // subject "run"
	AttendanceSummary      Kind = "attendance.summary"
	AttendanceHandedOver   Kind = "attendance.handed_over" // actor attends from here on; subject "before" did
	PictureKept            Kind = "picture.kept"
	WatchOpened            Kind = "watch.opened"
	WatchConfirmed         Kind = "watch.confirmed"   // body "saw": nothing or fire
	WatchHandedOver        Kind = "watch.handed_over" // actor keeps it from here on; subject "before" did
	WatchMissed            Kind = "watch.missed"      // a look was due and not taken; subject "watcher"
	FireEditionChosen      Kind = "site.fire_edition" // body "edition", "minutes"
	RoomMeasured           Kind = "machine.room"      // how large the room around it is, and its outside air
	ContactNamed           Kind = "site.contact"      // whom a site of one tells of a start; body "named"
	WatchClosed            Kind = "watch.closed"
	Refused                Kind = "refused" // body "route", "count"
	HeadKept               Kind = "head.kept"
	ReportRejected         Kind = "report.rejected"
	IncidentOpened         Kind = "incident.opened"
	UpkeepSet              Kind = "upkeep.set"
	UpkeepDone             Kind = "upkeep.done"
	UpkeepRetired          Kind = "upkeep.retired"
	IncidentAdded          Kind = "incident.added" // body "about", a digest of the text
	IncidentClosed         Kind = "incident.closed"
	FollowUpSet            Kind = "follow_up.set"
	FollowUpDone           Kind = "follow_up.done"
	PhotoKept              Kind = "photo.kept" // of an incident; body "photo", its SHA-256
	WorkerSeen             Kind = "worker.seen"
	PairAdded              Kind = "pair.added" // a pair of eyewear came into the register
	PairLookedAt           Kind = "pair.looked_at"
	PairRetired            Kind = "pair.retired"
	StopPressed            Kind = "stop.pressed"  // a person pressed Stop run, whatever it did
	PausePressed           Kind = "pause.pressed" // a person pressed pause, whatever it did
	QueueTaken             Kind = "queue.taken"   // an operator took a run ahead of its turn; body "reason_digest"
	QueueCalled            Kind = "queue.called"  // its member to the machine; subject "member"
	QueueCame              Kind = "queue.came"    // who was called; subject "member"
	QueueSwapped           Kind = "queue.swapped" // a run to another lot, at the station; body "plan", "before", "reason_digest"; subjects "stock", "stock_before"
)

// Subject roles that the rules of Check read.
const (
	RoleRun     = "run"
	RoleMachine = "machine"
	RoleJob     = "job"
	RoleLockout = "lockout" // optional beside "machine": one of several lockouts of a machine
)

// Body fields that the rules of Check read.
const (
	FieldFrom       = "from"        // string: phase before
	FieldTo         = "to"          // string: phase after
	FieldOutcome    = "outcome"     // string: completed, stopped, failed, interrupted, withdrawn
	FieldReason     = "reason"      // string: a code, never free text
	FieldSignoff    = "signoff"     // 32 bytes: digest of the sign-off
	FieldPermit     = "permit"      // 32 bytes: SHA-256 of the permit as it was sent, signature included
	FieldNote       = "note"        // string: the permit itself as it was sent, a signed note
	FieldNeverMoved = "never_moved" // bool: a start ended before motion
	FieldRoute      = "route"       // string
	FieldCount      = "count"       // int
)

var kinds = []Kind{
	RunOpened, RunReleased, RunSigned, RunVoided, RunBurned, RunMoved, RunPaused,
	RunResumed, RunPlaced, RunCompleted, RunStopped, RunFailed, RunInterrupted, RunPurged,
	RunInspected, RunWithdrawn, RunRestored,
	SiteOpened, PersonAdded, PersonChanged, AuthorisationGranted, AuthorisationWithdrawn,
	SessionOpened, SessionEnded, StationEnrolled, MachineAdded, ProfileChanged, MachineViewNamed, MachineViewEnded,
	LockoutSet, LockoutLifted, MaterialAdded, MaterialChanged, MaterialRetired, MaterialListTaken, StockAdded, StockChanged,
	StockTested, SettingProven, SettingWithdrawn, SettingsGridStarted, SettingsGridFlame,
	CalibrationStarted, CalibrationMeasured, CalibrationAccepted, CalibrationRefused, CalibrationRuleSet, ChecklistPublished, DrawingReceived, PlanMade, JobSubmitted, SetMade, JobSetChosen,
	JobWithdrawn, RunProposed, RunReady, RunUnready, AnswerGiven, LeaveIssued, LeaveUsed,
	AttendanceMissed, AttendanceSummary, PictureKept, WatchOpened, WatchConfirmed,
	WatchClosed, Refused, HeadKept, ReportRejected, IncidentOpened, WorkerSeen,
	StopPressed, SiteRestored, JournalHeard, JournalWrittenOff, PairAdded, PairLookedAt, PairRetired,
	StationRevoked, EnrolCodeMade, WorkerEnrolled, WorkerKeyReplaced, WorkerRevoked, WorkerCertified, KeyReplaced,
	PINSet, PINClosed, AttendanceHandedOver, PausePressed,
	PasskeyAdded, PasskeyRemoved, PasskeyRefused,
	UpkeepSet, UpkeepDone, UpkeepRetired,
	IncidentAdded, IncidentClosed, FollowUpSet, FollowUpDone, PhotoKept,
	WatchHandedOver, WatchMissed, FireEditionChosen, ContactNamed, RoomMeasured,
	CommissioningBegun, CommissioningAnswered, CommissioningPublished, CommissioningAbandoned,
	SiteSettled, SiteLimitsSet,
	PersonErased, PersonInvited, InvitationWithdrawn, PasswordChanged, TokenMade,
	QueueTaken, QueueCalled, QueueCame, QueueSwapped,
}

// Kinds returns every kind this version writes.
func Kinds() []Kind { return slices.Clone(kinds) }

// Known reports whether this version writes k. Decode also keeps kinds that it
// does not know, since a later version may have written them.
func (k Kind) Known() bool { _, ok := kindsByName[string(k)]; return ok }

var kindsByName = func() map[string]Kind {
	byName := make(map[string]Kind, len(kinds))
	for _, k := range kinds {
		byName[string(k)] = k
	}
	return byName
}()

// kindNamed is the kind of that name, which is not copied where the kind is known.
func kindNamed(name []byte) Kind {
	if k, ok := kindsByName[string(name)]; ok {
		return k
	}
	return Kind(name)
}

// wellFormed reports whether k is a word, or two words joined by a full stop.
func (k Kind) wellFormed() bool { return isWordPair(string(k)) }

// isWordPair reports whether s is a word, or two words joined by a full stop.
func isWordPair[T string | []byte](s T) bool {
	for i := range len(s) {
		if s[i] == '.' {
			return isWord(s[:i]) && isWord(s[i+1:])
		}
	}
	return isWord(s)
}

// isWord reports whether s is what roles, body fields and the parts of a kind
// are made of: a lower-case letter, then letters, digits and underscores, at
// most 40 in all.
func isWord[T string | []byte](s T) bool {
	if len(s) == 0 || len(s) > 40 || s[0] < 'a' || s[0] > 'z' {
		return false
	}
	for i := range len(s) {
		c := s[i]
		if (c < 'a' || c > 'z') && (c < '0' || c > '9') && c != '_' {
			return false
		}
	}
	return true
}
