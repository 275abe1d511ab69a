// Package permit holds the signed statements that the server makes to a worker: the permit that
// starts exactly one run, and go, void, resume, set-up leave, lockout and applied.
//
// Each is a signed note (x/mod/sumdb/note, Ed25519) under the key name "<site>/permit", with a
// first line of its own, a fixed order of lines and a strict reader; nothing in a note chooses an
// algorithm, a key or a meaning. A worker trusts only these, a clock that counts suspended time
// and its own journal (I12).
package permit

import (
	"github.com/google/uuid"
)

// Permit is the single-use leave to start exactly one run, answering the challenge that the worker
// made when Sign was pressed. Age counts on the worker's clock since then.
type Permit struct {
	Serial     uuid.UUID
	Run        uuid.UUID
	Machine    uuid.UUID
	MachineKey string   // the worker's public nkey: the audience
	Plan       [32]byte // digests
	Placement  [32]byte
	Profile    [32]byte
	Stock      [32]byte
	SignOff    [32]byte
	OriginXUM  int64 // the placement itself, so that the worker needs nothing else to move
	OriginYUM  int64
	SheetWUM   int64
	SheetHUM   int64
	Operator   uuid.UUID
	Epoch      [16]byte
	Challenge  [32]byte
	AgeLimitS  int64    // 60
	Attendance [32]byte // SHA-256 of the attendance token
	LogSize    int64    // of the head at issue
	LogRoot    [32]byte
}

// Go answers taken: the server has burned the permit too, or refuses.
type Go struct {
	Machine   uuid.UUID
	Run       uuid.UUID
	Permit    [32]byte // SHA-256 of the permit's note
	Challenge [32]byte
	Granted   bool
	Reason    string // one short line where not granted
}

// Void takes a permit back before it is burned.
type Void struct {
	Machine uuid.UUID
	Run     uuid.UUID
	Permit  [32]byte
	Reason  string
}

// Resume lets a paused run go on; PauseToken answers that very pause.
type Resume struct {
	Machine    uuid.UUID
	Run        uuid.UUID
	Operator   uuid.UUID
	PauseToken [32]byte
}

// Leave is the set-up leave: motion without beam. It can never switch a beam.
type Leave struct {
	Serial    uuid.UUID
	Machine   uuid.UUID
	Operator  uuid.UUID
	Epoch     [16]byte
	Challenge [32]byte
	AgeLimitS int64 // at most 600
}

// Lockout tells the worker that its machine is out of use, or no longer. LogIndex is the entry's
// index; a worker keeps the statement with the greatest one, and refuses permits whose LogSize is
// not greater than the index of the newest lockout.
type Lockout struct {
	Machine  uuid.UUID
	Locked   bool
	LogIndex int64
	Reason   string // a phrase from a fixed list, never free text
}

// Applied says that all reports up to Number are committed in the database.
type Applied struct {
	Machine uuid.UUID
	Epoch   [16]byte
	Number  int64
}
