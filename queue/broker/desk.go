package broker

import (
	"context"

	"github.com/google/uuid"

	"kerfgate/plan/canon"
)

// Desk is what decides: the database. Every method may be called from many goroutines at once.
type Desk interface {
	// WorkerKeys gives the public nkeys of the enrolled workers by machine.
	WorkerKeys(ctx context.Context) (map[uuid.UUID]string, error)
	// PlanChunk gives at most n bytes of a plan from offset, if that machine may have it.
	PlanChunk(ctx context.Context, machine uuid.UUID, plan canon.Digest, offset, n int64) ([]byte, error)
	// MachineState answers a worker that asks how things stand.
	MachineState(ctx context.Context, machine uuid.UUID, ask StateAsk) (State, error)
	// Take burns a permit in the database, or refuses, and gives the signed go that says which.
	// The same taken gets the same answer. An error means no answer: the worker does not move.
	Take(ctx context.Context, machine uuid.UUID, taken Taken) (goNote []byte, err error)
	// Apply commits one report and gives the greatest number applied with the signed statement
	// of it. A report already applied changes nothing. A report whose number is not the next one
	// changes nothing either and is no error: applied is then less than its number, and it comes
	// again. An error is trouble of the database's: the report comes again too.
	Apply(ctx context.Context, machine uuid.UUID, report Report) (applied int64, appliedNote []byte, err error)
	// Follow gives the entries of the logbook, at most limit, from the index where the follower
	// stands, ascending.
	Follow(ctx context.Context, follower string, limit int) ([]Followed, error)
	// SetFollowed moves the follower to next; never back.
	SetFollowed(ctx context.Context, follower string, next int64) error
	// Offers gives the runs that a machine should prepare, or every machine for uuid.Nil.
	Offers(ctx context.Context, machine uuid.UUID) ([]Offer, error)
	// OffersOf gives those of the runs that their machine should prepare, and says whether more wait there than
	// are offered ahead, so that what it should prepare next may be others.
	OffersOf(ctx context.Context, machine uuid.UUID, runs []uuid.UUID) (offers []Offer, more bool, err error)
	// Withdrawn gives, as withdrawn offers, those of the runs that will never start.
	Withdrawn(ctx context.Context, runs []uuid.UUID) ([]Offer, error)
	// LockoutNote gives the newest signed lockout statement, empty if there was never one.
	LockoutNote(ctx context.Context, machine uuid.UUID) ([]byte, error)
}

// Followed is what the follower reads of one entry of the logbook.
type Followed struct {
	Index   int64
	Kind    string
	Machine uuid.UUID // uuid.Nil where the entry is about no machine
	Run     uuid.UUID // uuid.Nil where it is about no single run
}
