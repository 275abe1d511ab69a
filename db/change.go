package db

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

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
// shape lets a later writer put many changes into one transaction.
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

func about(role string, id uuid.UUID) logbook.Subject {
	return logbook.Subject{Role: role, ID: logbook.ID(id)}
}

// decisionTries is how often a change is decided anew when what it read has changed meanwhile.
const decisionTries = 4

// commit is the only write path: decide reads and asks the rules, then all statements and entries
// are one transaction, the head locked last. It returns the index of the change's last entry.
// decide runs outside the transaction and must have no side effects: it may run several times.
// Errors are decide's, ErrConflict when the guards failed each time, or what a constraint means.
func (s *Store) commit(ctx context.Context, decide func(ctx context.Context) (write, error)) (int64, error) {
	var last error
	for range decisionTries {
		index, err := s.decideAndApply(ctx, decide)
		switch {
		case err == nil:
			if hook := s.commitHook.Load(); hook != nil {
				(*hook)(index)
			}
			return index, nil
		case retryable(err), errors.Is(err, ErrConflict) && !errors.Is(err, errStaleRev):
			last = err
		default:
			return 0, meaning(err)
		}
	}
	return 0, meaning(last)
}

func (s *Store) decideAndApply(ctx context.Context, decide func(ctx context.Context) (write, error)) (int64, error) {
	w, err := decide(ctx)
	if err != nil {
		return 0, err
	}
	return s.apply(ctx, w)
}

const lockHead = `SELECT size, frontier, clock_timestamp() FROM log_head FOR UPDATE`

// apply runs one write as a transaction of two round trips: statements with the head's lock last,
// then the entries with the commit.
func (s *Store) apply(ctx context.Context, w write) (index int64, err error) {
	if len(w.entries) == 0 {
		return 0, errors.New("db: a change without an entry")
	}
	conn, err := s.pool.Acquire(ctx)
	if err != nil {
		return 0, err
	}
	defer conn.Release()
	tx, err := conn.Begin(ctx)
	if err != nil {
		return 0, err
	}
	defer func() {
		if err != nil {
			// The connection may be gone with the context; the server then rolls back by itself.
			_ = tx.Rollback(context.WithoutCancel(ctx))
		}
	}()
	tree, now, err := s.runStatements(ctx, tx, w.statements)
	if err != nil {
		return 0, err
	}
	var batch pgx.Batch
	index, err = queueEntries(&batch, &tree, now, w.entries)
	if err != nil {
		return 0, err
	}
	if err = tx.SendBatch(ctx, &batch).Close(); err != nil {
		return 0, err
	}
	return index, tx.Commit(ctx)
}

func (s *Store) runStatements(ctx context.Context, tx pgx.Tx, statements []statement) (tree logbook.Tree, now time.Time, err error) {
	var batch pgx.Batch
	for _, st := range statements {
		batch.Queue(st.sql, st.args...)
	}
	batch.Queue(lockHead)
	results := tx.SendBatch(ctx, &batch)
	defer func() {
		if closeErr := results.Close(); err == nil {
			err = closeErr
		}
	}()
	for _, st := range statements {
		tag, err := results.Exec()
		if err != nil {
			return tree, now, err
		}
		if st.rows != anyRows && tag.RowsAffected() != st.rows {
			if st.conflict != nil {
				return tree, now, st.conflict
			}
			return tree, now, ErrConflict
		}
	}
	var size int64
	var frontier []byte
	if err := results.QueryRow().Scan(&size, &frontier, &now); err != nil {
		return tree, now, err
	}
	tree, err = logbook.DecodeTree(size, frontier)
	return tree, now.UTC().Truncate(time.Microsecond), err
}

const (
	insertEntry   = `INSERT INTO log_entry (index, data, at, kind) VALUES ($1, $2, $3, $4)`
	insertSubject = `INSERT INTO log_subject (subject, index) SELECT DISTINCT unnest($1::uuid[]), $2::bigint`
	insertHashes  = `INSERT INTO log_hash (index, hash) SELECT * FROM unnest($1::bigint[], $2::bytea[])`
	moveHead      = `UPDATE log_head SET size = $1, frontier = $2`
)

func queueEntries(batch *pgx.Batch, tree *logbook.Tree, now time.Time, drafts []draft) (last int64, err error) {
	var at []int64
	var hashes [][]byte
	for _, d := range drafts {
		entry := logbook.Entry{Time: now, Kind: d.kind, Actor: logbook.ID(d.actor.Person),
			Station: logbook.ID(d.actor.Station), Subjects: d.subjects, Body: d.body}
		data, err := entry.Encode()
		if err != nil {
			return 0, fmt.Errorf("entry %s: %w", d.kind, err)
		}
		index, stored := tree.Append(data)
		for _, h := range stored {
			at = append(at, h.Index)
			hashes = append(hashes, h.Hash[:])
		}
		subjects := make([]uuid.UUID, 0, len(d.subjects)+1)
		for _, sub := range entry.Subjects {
			subjects = append(subjects, uuid.UUID(sub.ID))
		}
		if d.actor.Person != uuid.Nil {
			subjects = append(subjects, d.actor.Person)
		}
		batch.Queue(insertEntry, index, data, now, string(d.kind))
		batch.Queue(insertSubject, subjects, index)
		last = index
	}
	batch.Queue(insertHashes, at, hashes)
	batch.Queue(moveHead, tree.Size, tree.EncodeFrontier())
	return last, nil
}
