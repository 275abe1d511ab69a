package journal

import (
	"github.com/google/uuid"

	"kerfgate/plan/canon"
)

// Kind says what a fact tells.
type Kind string

// Kinds of facts. They are only added to, never changed.
const (
	Burned     Kind = "burned"      // Run, Permit, Challenge, Attendance, PurgeS
	Started    Kind = "started"     // Run: the next thing is motion
	Ended      Kind = "ended"       // Run
	Purging    Kind = "purging"     // Run, LeftS; Over ends it
	Missed     Kind = "missed"      // Run: one more attendance miss
	Reported   Kind = "reported"    // Number, Data: the report
	Applied    Kind = "applied"     // Number: all reports up to it
	LockedOut  Kind = "lockout"     // Data: the signed statement; Index, Locked
	Epoch      Kind = "epoch"       // Server: the epoch accepted
	Head       Kind = "head"        // Data: the newest signed head of the logbook
	Prepared   Kind = "prepared"    // Run, Revision, Plan, Profile, Ready, Reason
	Forgotten  Kind = "forgotten"   // Run: no longer prepared
	Process    Kind = "process"     // Number: how often the journal was opened
	Numbered   Kind = "numbered"    // Number: greatest report number given; Index: all applied up to it
	TornBurned Kind = "torn burned" // Run: the torn tail might have said that it burned
)

// Fact is one thing that happened; Kind says which fields count.
type Fact struct {
	Kind       Kind         `cbor:"kind"`
	Run        uuid.UUID    `cbor:"run,omitzero"`
	Permit     canon.Digest `cbor:"permit,omitzero"`
	Challenge  [32]byte     `cbor:"challenge,omitzero"`
	Attendance [32]byte     `cbor:"attendance,omitzero"` // SHA-256 of the token
	Number     int64        `cbor:"number,omitzero"`
	Index      int64        `cbor:"index,omitzero"`
	Data       []byte       `cbor:"data,omitempty"`
	Revision   int64        `cbor:"revision,omitzero"`
	Plan       canon.Digest `cbor:"plan,omitzero"`
	Profile    canon.Digest `cbor:"profile,omitzero"`
	Server     [16]byte     `cbor:"server,omitzero"`
	LeftS      int64        `cbor:"left_s,omitzero"`
	PurgeS     int64        `cbor:"purge_s,omitzero"` // what the run needs when it ends, as waited
	Locked     bool         `cbor:"locked,omitzero"`
	Ready      bool         `cbor:"ready,omitzero"`
	Moved      bool         `cbor:"moved,omitzero"` // in a rewritten burn: started
	Over       bool         `cbor:"over,omitzero"`  // purge over; in a rewritten burn: ended
	Reason     string       `cbor:"reason,omitempty"`
}
