package db

import (
	"context"
	"errors"
	"math/rand/v2"
	"time"

	"github.com/google/uuid"

	"kerfgate/db/logbook"
)

// Actor is who makes a change: a person, perhaps at a station. The zero Actor is the system.
type Actor struct {
	Person  uuid.UUID
	Role    Role
	Station uuid.UUID
}

// System is the actor of what no person did: expiry, reports of workers.
var System = Actor{}

// statement is one guarded step of a change: it must touch exactly rows rows, or the whole change
// is a conflict. A guard compares the rev of everything the decision was made from.
type statement struct {
	sql  string
	args []any
	rows int64
	// conflict is the error when the rows are not there; nil means ErrConflict, which is retried
	// with a fresh decision.
	conflict error
}

// anyRows marks a statement that may touch any number of rows.
const anyRows = -1

// write is one change as it reaches the database: statements and their entries, one transaction.
// It was decided from what was read before; its guards find out whether that still holds. That
// shape lets the writer put many changes into one transaction.
type write struct {
	statements []statement
	entries    []draft
}

// draft is an entry without its time, which is the database's at the moment of the append.
type draft struct {
	kind     logbook.Kind
	actor    Actor
	subjects []logbook.Subject
	body     logbook.Body
}

// orNull is the value, or SQL's null for the zero of its type.
func orNull[T comparable](v T) *T {
	var zero T
	if v == zero {
		return nil
	}
	return &v
}

func about(role string, id uuid.UUID) logbook.Subject {
	return logbook.Subject{Role: role, ID: logbook.ID(id)}
}

const (
	// decisionTries is how often a change is decided anew when what it read has changed meanwhile.
	decisionTries = 4
	// deadlockPatience is how long a change comes again that Postgres gave up so that others go on. Batches give
	// way to each other after a moment, so only changes that are written by themselves meet in a circle, those of
	// two servers too; each time at least one of them gets through.
	deadlockPatience = 15 * time.Second
	// deadlockPause is how long such a change stays away at most, each time, so that the same ones do not meet again.
	deadlockPause = 100 * time.Millisecond
)

// commit is the only write path: decide reads and asks the rules, then all statements and entries
// are one transaction, the head locked last. It returns the index of the change's last entry.
// decide runs outside the transaction and must have no side effects: it may run several times.
// Errors are decide's, ErrConflict when the guards failed each time, or what a constraint means.
func (s *Store) commit(ctx context.Context, decide func(ctx context.Context) (write, error)) (int64, error) {
	began := time.Now()
	for tries := 1; ; {
		index, err := s.decideAndWrite(ctx, decide)
		switch {
		case err == nil:
			return index, nil
		case givenUp(err) && time.Since(began) < deadlockPatience:
			select {
			case <-ctx.Done():
				return 0, ctx.Err()
			case <-time.After(rand.N(deadlockPause)):
			}
		case errors.Is(err, ErrConflict) && !errors.Is(err, errStaleRev) && tries < decisionTries:
			tries++
		default:
			return 0, meaning(err)
		}
	}
}

func (s *Store) decideAndWrite(ctx context.Context, decide func(ctx context.Context) (write, error)) (int64, error) {
	w, err := decide(ctx)
	if err != nil {
		return 0, err
	}
	if len(w.entries) == 0 {
		return 0, errors.New("db: a change without an entry")
	}
	return s.writer.do(ctx, w)
}
