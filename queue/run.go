// Package queue holds the states of jobs and runs, the moves between them and their order.
//
// The phase table below is the only source of a run's life; the table in the database is held to
// it by a test. Postgres decides which move happened, NATS only carries what was decided.
package queue

import (
	"errors"
	"fmt"
	"time"
)

// Phase is where a run stands.
type Phase string

// The phases of a run.
const (
	Proposed   Phase = "proposed"
	Checking   Phase = "checking"
	Permitted  Phase = "permitted"
	Starting   Phase = "starting"
	Running    Phase = "running"
	Paused     Phase = "paused"
	Purging    Phase = "purging"
	Inspecting Phase = "inspecting"
	Closed     Phase = "closed"
)

// LongestPause is how long a run may be paused before its worker ends it as stopped.
const LongestPause = 10 * time.Minute

// Phases lists all phases in the order of a run's life.
func Phases() []Phase {
	return []Phase{Proposed, Checking, Permitted, Starting, Running, Paused, Purging, Inspecting, Closed}
}

// Active says whether a run in this phase occupies its machine (I3).
func (p Phase) Active() bool {
	switch p {
	case Permitted, Starting, Running, Paused, Purging, Inspecting:
		return true
	}
	return false
}

// Event is what moves a run from one phase to the next.
type Event string

// The events of a run.
const (
	Opened      Event = "opened"      // checklist opened
	Released    Event = "released"    // released, left for 10 minutes, or what it binds changed
	Signed      Event = "signed"      // signed, complete, the worker's challenge in hand
	Voided      Event = "voided"      // expired, refused by the worker, voided
	Burned      Event = "burned"      // the worker has burned the permit and the server burns it
	Moved       Event = "moved"       // countdown over, last look passed, first motion
	PausedRun   Event = "paused"      // person, attendance missed, lid, flow, machine
	Resumed     Event = "resumed"     // by the attending operator, server-signed
	Completed   Event = "completed"   // last stroke, beam off
	Stopped     Event = "stopped"     // stop; second attendance miss; paused for 10 minutes
	Failed      Event = "failed"      // machine error, or the last look failed
	Interrupted Event = "interrupted" // crash, lost contact, suspend
	Purged      Event = "purged"      // purge over; a pen's purge is zero
	Inspected   Event = "inspected"   // inspection recorded
	Withdrawn   Event = "withdrawn"
	Restored    Event = "restored" // a restored database did not know what the worker's journal shows: it burned (I14)
)

// Events lists all events.
func Events() []Event {
	return []Event{Opened, Released, Signed, Voided, Burned, Moved, PausedRun, Resumed, Completed,
		Stopped, Failed, Interrupted, Purged, Inspected, Withdrawn, Restored}
}

// Outcome is how a run ended; empty while it has not.
type Outcome string

// The outcomes of a run.
const (
	NoOutcome          Outcome = ""
	OutcomeCompleted   Outcome = "completed"
	OutcomeStopped     Outcome = "stopped"
	OutcomeFailed      Outcome = "failed"
	OutcomeInterrupted Outcome = "interrupted"
	OutcomeWithdrawn   Outcome = "withdrawn"
)

// Move is one row of the phase table.
type Move struct {
	From    Phase
	Event   Event
	To      Phase
	Outcome Outcome // set where the move decides how the run ended
}

// Moves is the phase table.
func Moves() []Move {
	return []Move{
		{Proposed, Opened, Checking, NoOutcome},
		{Checking, Released, Proposed, NoOutcome},
		{Checking, Signed, Permitted, NoOutcome},
		{Permitted, Voided, Checking, NoOutcome},
		{Permitted, Burned, Starting, NoOutcome},
		{Starting, Moved, Running, NoOutcome},
		{Starting, Stopped, Inspecting, OutcomeStopped},
		{Starting, Failed, Inspecting, OutcomeFailed},
		{Starting, Interrupted, Inspecting, OutcomeInterrupted},
		{Running, PausedRun, Paused, NoOutcome},
		{Paused, Resumed, Running, NoOutcome},
		{Running, Completed, Purging, OutcomeCompleted},
		{Running, Stopped, Purging, OutcomeStopped},
		{Paused, Stopped, Purging, OutcomeStopped},
		{Running, Failed, Purging, OutcomeFailed},
		{Paused, Failed, Purging, OutcomeFailed},
		{Running, Interrupted, Purging, OutcomeInterrupted},
		{Paused, Interrupted, Purging, OutcomeInterrupted},
		{Purging, Purged, Inspecting, NoOutcome},
		{Inspecting, Inspected, Closed, NoOutcome},
		{Proposed, Withdrawn, Closed, OutcomeWithdrawn},
		{Checking, Withdrawn, Closed, OutcomeWithdrawn},
		{Permitted, Withdrawn, Closed, OutcomeWithdrawn},
		{Permitted, Interrupted, Inspecting, OutcomeInterrupted},
		{Proposed, Restored, Inspecting, OutcomeInterrupted},
		{Checking, Restored, Inspecting, OutcomeInterrupted},
	}
}

// ErrMoved is returned when a run is no longer where a change expected it.
var ErrMoved = errors.New("the run has moved on")

// After gives the move that event makes from p. Errors are ErrMoved where the table has none.
func (p Phase) After(event Event) (Move, error) {
	for _, m := range Moves() {
		if m.From == p && m.Event == event {
			return m, nil
		}
	}
	return Move{}, fmt.Errorf("%w: %s cannot follow in phase %s", ErrMoved, event, p)
}
