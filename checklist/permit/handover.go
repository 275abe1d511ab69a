package permit

import (
	"math"

	"github.com/google/uuid"
)

// Handover passes attendance of a run to another operator, whose taps show another token. A worker
// keeps the one with the greatest number and ignores the others.
type Handover struct {
	Machine    uuid.UUID
	Run        uuid.UUID
	Permit     [32]byte // SHA-256 of the permit's note
	Number     int64    // from 1
	Operator   uuid.UUID
	Attendance [32]byte // SHA-256 of the new attendance token
}

func (h *Handover) kind() string { return "handover" }

func (h *Handover) lines() []line {
	return []line{
		{"machine", id{&h.Machine}},
		{"run", id{&h.Run}},
		{"permit", octets{v: h.Permit[:]}},
		{"number", number{&h.Number, 1, math.MaxInt64}},
		{"operator", id{&h.Operator}},
		{"attendance", octets{v: h.Attendance[:]}},
	}
}
