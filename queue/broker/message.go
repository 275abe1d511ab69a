// Package broker carries what Postgres decided to the workers and what the workers did back.
//
// A message may be lost, doubled, late or replayed: no invariant depends on its delivery. What
// could start a machine is a signed note (package checklist/permit); what a worker says is signed
// with its own key and numbered. A forged stop works on purpose; a forged resume does not exist.
package broker

import (
	"github.com/google/uuid"

	"kerfgate/plan/canon"
	"kerfgate/plan/geom"
)

// Streams. Consumers on the offer stream are named by the machine's token.
const (
	OfferStream  = "OFFER"
	ReportStream = "REPORT"
)

// Token is a machine's name on the wire: its id without hyphens, so it is one subject token.
func Token(machine uuid.UUID) string {
	text := machine.String()
	return text[0:8] + text[9:13] + text[14:18] + text[19:23] + text[24:]
}

// Subjects, each completed with a machine's token.
func OfferSubject(m uuid.UUID) string     { return "offer." + Token(m) }
func ChallengeSubject(m uuid.UUID) string { return "challenge." + Token(m) }
func PermitSubject(m uuid.UUID) string    { return "permit." + Token(m) }
func GoSubject(m uuid.UUID) string        { return "go." + Token(m) }
func VoidSubject(m uuid.UUID) string      { return "void." + Token(m) }
func ResumeSubject(m uuid.UUID) string    { return "resume." + Token(m) }
func HandoverSubject(m uuid.UUID) string  { return "handover." + Token(m) }
func SetupSubject(m uuid.UUID) string     { return "setup." + Token(m) }
func LockoutSubject(m uuid.UUID) string   { return "lockout." + Token(m) }
func AppliedSubject(m uuid.UUID) string   { return "applied." + Token(m) }
func StopSubject(m uuid.UUID) string      { return "stop." + Token(m) }
func PauseSubject(m uuid.UUID) string     { return "pause." + Token(m) }
func WakeSubject(m uuid.UUID) string      { return "wake." + Token(m) }
func ReportSubject(m uuid.UUID) string    { return "report." + Token(m) }
func ReadingSubject(m uuid.UUID) string   { return "reading." + Token(m) }
func AskSubject(m uuid.UUID, what string) string {
	return "ask." + Token(m) + "." + what
}

// StopAllSubject reaches every worker.
const StopAllSubject = "stop.all"

// What a worker may ask; completed by AskSubject.
const (
	AskPlan      = "plan"      // request/reply: PlanAsk → PlanChunk
	AskState     = "state"     // request/reply: StateAsk → State
	AskChallenge = "challenge" // Signed(ChallengeAnswer)
	AskTaken     = "taken"     // Signed(Taken); answered on the go subject
	AskSetup     = "setup"     // Signed(SetupResult)
)

// Offer says that a machine should prepare a run. It is a state, not a command: offers may arrive
// twice or out of order, and the greatest revision counts.
type Offer struct {
	Epoch    [16]byte     `cbor:"epoch"`
	Machine  uuid.UUID    `cbor:"machine"`
	Run      uuid.UUID    `cbor:"run"`
	Revision int64        `cbor:"revision"`
	Plan     canon.Digest `cbor:"plan"`
	PlanSize int64        `cbor:"plan_size"`
	Profile  canon.Digest `cbor:"profile"`
	// Withdrawn tells the worker that it may forget the run.
	Withdrawn bool `cbor:"withdrawn"`
}

// PlanAsk asks for at most Length bytes of a plan from Offset.
type PlanAsk struct {
	Plan   canon.Digest `cbor:"plan"`
	Offset int64        `cbor:"offset"`
	Length int64        `cbor:"length"`
}

// PlanChunk is the answer; Problem is set instead of Data when there is none.
type PlanChunk struct {
	Data    []byte `cbor:"data"`
	Problem string `cbor:"problem"`
}

// StateAsk is sent on connect, on every wake-up and every 5 s.
type StateAsk struct {
	Process [16]byte `cbor:"process"` // random for each start of the worker
	// HeadFrom is the size of the newest head that the worker keeps, 0 for none.
	HeadFrom int64 `cbor:"head_from"`
}

// State is what the database holds about a machine. It informs; nothing starts from it.
type State struct {
	Epoch   [16]byte     `cbor:"epoch"`
	Profile canon.Digest `cbor:"profile"`
	// ProfileData is the canonical bytes of the profile in force.
	ProfileData []byte `cbor:"profile_data"`
	// Lockout is the newest signed lockout statement for the machine, empty if there was never one.
	Lockout []byte `cbor:"lockout"`
	// Run and Phase are the active or next run, zero if there is none.
	Run     uuid.UUID `cbor:"run"`
	Phase   string    `cbor:"phase"`
	Applied int64     `cbor:"applied"` // greatest report number applied
	Head    []byte    `cbor:"head"`    // a signed head, no shorter than HeadFrom where the log is not
	// HeadProof proves that the log of Head follows from its first HeadFrom entries (RFC 6962, 2.1.2);
	// empty where there is nothing to prove, or no proof.
	HeadFrom  int64      `cbor:"head_from"`
	HeadProof [][32]byte `cbor:"head_proof"`
	// Successors are the signed statements of every replacement of the permit key and the log key, oldest
	// first: a worker follows those that continue from the keys it pinned.
	Successors [][]byte `cbor:"successors"`
	// Handover is the newest signed hand-over of the active run, empty if there was none.
	Handover []byte `cbor:"handover"`
	// Offers lists the runs that the machine should have prepared (slow poll behind the stream).
	Offers []Offer `cbor:"offers"`
}

// ChallengeAsk asks for a fresh challenge; a newer one cancels the older.
type ChallengeAsk struct {
	Ask     [16]byte  `cbor:"ask"`
	Run     uuid.UUID `cbor:"run"`
	Purpose string    `cbor:"purpose"` // PurposeStart or PurposeSetup
}

// Purposes of a challenge.
const (
	PurposeStart = "start"
	PurposeSetup = "setup"
)

// ChallengeAnswer is the worker's answer, or why it gives none.
type ChallengeAnswer struct {
	Ask       [16]byte  `cbor:"ask"`
	Run       uuid.UUID `cbor:"run"`
	Purpose   string    `cbor:"purpose"`
	Challenge [32]byte  `cbor:"challenge"`
	Problem   string    `cbor:"problem"`
}

// Taken says that the worker has burned a permit in its journal and waits for go.
type Taken struct {
	Run       uuid.UUID    `cbor:"run"`
	Permit    canon.Digest `cbor:"permit"` // SHA-256 of the permit's note
	Challenge [32]byte     `cbor:"challenge"`
}

// SetupCommand is one motion without beam, sent with the leave that allows it.
type SetupCommand struct {
	Leave  []byte     `cbor:"leave"` // signed note
	Number int64      `cbor:"number"`
	Kind   string     `cbor:"kind"` // one of the Setup constants
	By     geom.Point `cbor:"by"`   // jog: relative move in micrometres; grip: the way, −1, 0 or 1 along one axis
	// Around, at grip, is the way of a trace in place of By: corners from Origin, as the machine is told them,
	// not closed, MostAround at most.
	Origin geom.Point   `cbor:"origin"`
	Around []geom.Point `cbor:"around"`
	// OnMark says, at home, that a person has carried each axis that is placed by hand to its mark.
	OnMark bool `cbor:"on_mark"`
	// What is to be measured, at measure.
	What string `cbor:"what"`
	// Fine asks for a slow hold. Grip and Tick say which hold a beat belongs to, and the newest tick that
	// the station has heard; Release ends it.
	Fine    bool     `cbor:"fine"`
	Grip    [16]byte `cbor:"grip"`
	Tick    int64    `cbor:"tick"`
	Release bool     `cbor:"release"`
}

// Kinds of set-up commands.
const (
	SetupHome  = "home"
	SetupJog   = "jog"
	SetupWhere = "where" // no motion: ask for the position
	SetupGrip  = "grip"  // no motion yet: begin a hold to move, or to trace
	SetupBeat  = "beat"  // the hold goes on, or is released
	// SetupMeasure: What of a commissioning is measured, a key of its questions.
	SetupMeasure = "measure"
)

// SetupResult is the worker's answer to one command.
type SetupResult struct {
	Leave    canon.Digest `cbor:"leave"` // SHA-256 of the leave's note
	Number   int64        `cbor:"number"`
	Position geom.Point   `cbor:"position"`
	Homed    bool         `cbor:"homed"`
	Problem  string       `cbor:"problem"`
	// Span is what was measured between the reference marks of each axis when it last found its place.
	Span geom.Point `cbor:"span"`
	// Grip names a hold and Tick is what its next beat gives back.
	Grip [16]byte `cbor:"grip"`
	Tick int64    `cbor:"tick"`
	// Traced says that a way was gone around whole, by holds without another move between, and Origin from where.
	Traced bool `cbor:"traced"`
	// Numbers are what was measured, in the question's unit.
	Numbers []int64    `cbor:"numbers"`
	Origin  geom.Point `cbor:"origin"`
}

// MostAround bounds the corners of a trace in one command.
const MostAround = 256

// Stop asks a worker to stop whatever runs. Unsigned on purpose.
type Stop struct {
	By     uuid.UUID `cbor:"by"` // person or station, for the record only
	Reason string    `cbor:"reason"`
}

// Pause asks a worker to switch the tool off and hold. Unsigned on purpose, as a stop is: anybody may
// pause, and only the server's signature goes on.
type Pause struct {
	By uuid.UUID `cbor:"by"` // person or station, for the record only
}

// Reading is a glance at a running machine, not logged.
type Reading struct {
	Run        uuid.UUID  `cbor:"run" json:"run"`
	Phase      string     `cbor:"phase" json:"phase"`
	Stroke     int64      `cbor:"stroke" json:"stroke"`
	DoneMS     int64      `cbor:"done_ms" json:"done_ms"` // planned machine time done
	TotalMS    int64      `cbor:"total_ms" json:"total_ms"`
	LeftMS     int64      `cbor:"left_ms" json:"left_ms"` // honest: corrected by what the machine really did
	Position   geom.Point `cbor:"position" json:"position"`
	ToolOn     bool       `cbor:"tool_on" json:"tool_on"`
	CountdownS int64      `cbor:"countdown_s" json:"countdown_s"`
	// AttendanceS is the seconds left until attendance is missed; −1 where none is asked.
	AttendanceS int64  `cbor:"attendance_s" json:"attendance_s"`
	PurgeS      int64  `cbor:"purge_s" json:"purge_s"` // seconds left, as the person waits them
	Problem     string `cbor:"problem" json:"problem"`
	MotionScale int64  `cbor:"motion_scale" json:"motion_scale"`
	WaitScale   int64  `cbor:"wait_scale" json:"wait_scale"`
}

// ReportKind says what a report tells.
type ReportKind string

// Kinds of reports. The run kinds are the events of the phase table that a worker causes.
const (
	ReportReady       ReportKind = "ready"   // plan on disk, extents inside, machine answers
	ReportUnready     ReportKind = "unready" // why not, in Reason
	ReportRefused     ReportKind = "refused" // a permit was refused before it was burned
	ReportMoved       ReportKind = "moved"
	ReportPaused      ReportKind = "paused"
	ReportPlaced      ReportKind = "placed" // while paused: a lost place was found again; nothing went on
	ReportResumed     ReportKind = "resumed"
	ReportCompleted   ReportKind = "completed"
	ReportStopped     ReportKind = "stopped"
	ReportFailed      ReportKind = "failed"
	ReportInterrupted ReportKind = "interrupted"
	ReportPurged      ReportKind = "purged"
	ReportAttendance  ReportKind = "attendance" // summary of taps, or a miss
	ReportPicture     ReportKind = "picture"    // what the machine's sheet looks like, PNG
	ReportJournal     ReportKind = "journal"    // on connect: what the journal says
	ReportOutOfUse    ReportKind = "out of use" // journal broken: no run until a person looks; number 0
)

// Report is one numbered fact from a worker's journal. Numbers start at 1 and have no gaps; a
// report leaves the journal only at the server's applied statement.
type Report struct {
	Number  int64        `cbor:"number"`
	Kind    ReportKind   `cbor:"kind"`
	Run     uuid.UUID    `cbor:"run"`
	Permit  canon.Digest `cbor:"permit"`
	Process [16]byte     `cbor:"process"`
	Reason  string       `cbor:"reason"` // from a fixed list of phrases, never free text
	// NeverMoved is true when the journal shows that no motion line went out.
	NeverMoved bool `cbor:"never_moved"`
	// Revision answers an offer; Misses and Taps are attendance; PauseToken answers a resume.
	Revision   int64    `cbor:"revision"`
	Taps       int64    `cbor:"taps"`
	Misses     int64    `cbor:"misses"`
	PauseToken [32]byte `cbor:"pause_token"`
	RealMS     int64    `cbor:"real_ms"`     // machine time that the run really took
	OffSentMS  int64    `cbor:"off_sent_ms"` // from stop received to beam-off command sent
	Picture    []byte   `cbor:"picture"`
	BurnedUM   int64    `cbor:"burned_um"` // length worked with the tool on
	EnergyMJ   int64    `cbor:"energy_mj"`
	// Later is set on a journal's burn after which another run burned at the same machine. Epoch is
	// set on the last report of a journal told to a restored server: it is the epoch accepted, and
	// this was all.
	Later bool     `cbor:"later"`
	Epoch [16]byte `cbor:"epoch"`
	// Oldest is the number of the oldest report that the journal held when this one was sent: a
	// restored server may begin there, and nowhere later.
	Oldest int64 `cbor:"oldest"`
}

// Signed wraps what a worker says: Body is canonical CBOR of the message, Signature is Ed25519 by
// the worker's nkey over "kerfgate worker v1\n" + Kind + "\n" + Machine (16 bytes) + Counter
// (8 bytes, big-endian) + Body. Counter never falls; for reports it is the report's number.
type Signed struct {
	Kind      string    `cbor:"kind"`
	Machine   uuid.UUID `cbor:"machine"`
	Counter   int64     `cbor:"counter"`
	Body      []byte    `cbor:"body"`
	Signature []byte    `cbor:"signature"`
}
