package db

import (
	"context"
	"errors"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nkeys"

	"kerfgate/db/logbook"
	"kerfgate/queue/broker"
)

// EnrolKind is what a one-time code enrols.
type EnrolKind string

// What can be enrolled.
const (
	EnrolsWorker  EnrolKind = "worker"
	EnrolsStation EnrolKind = "station"
)

// How long a code is good for. A station's is typed by hand, so it is short and does not live long.
const (
	workerCodeLasts  = 15 * time.Minute
	stationCodeLasts = 10 * time.Minute
)

// ErrEnrolCode is the error of a code that was never made, is used, was replaced or has expired; which
// of them is not told.
var ErrEnrolCode = errors.New("this enrolment code does not hold")

// NewEnrolCode is a code to be made. Hash is the SHA-256 of its secret, which is kept nowhere.
type NewEnrolCode struct {
	Kind    EnrolKind
	Machine uuid.UUID
	Name    string // of the station to be
	Hash    [32]byte
}

// MakeEnrolCode keeps a one-time code for the worker of a machine, or for a station at it, and says
// until when it holds. A newer code for the same worker ends the older. Errors: ErrNotFound, *Refused.
func (s *Store) MakeEnrolCode(ctx context.Context, actor Actor, c NewEnrolCode) (until time.Time, err error) {
	lasts := workerCodeLasts
	if c.Kind == EnrolsStation {
		lasts = stationCodeLasts
		if n := len([]rune(c.Name)); n < 1 || n > 100 {
			return time.Time{}, refuse("a station needs a name of at most 100 letters", "say what it is and where it stands, such as tablet at bay 1")
		}
	}
	id := newID()
	_, err = s.commit(ctx, func(context.Context) (write, error) {
		return write{
			statements: []statement{
				{sql: `UPDATE enrol_code SET ended_at = now() WHERE machine = $1 AND kind = 'worker' AND kind = $2 AND ended_at IS NULL`,
					args: []any{c.Machine, c.Kind}, rows: anyRows},
				{sql: `INSERT INTO enrol_code (id, code_hash, kind, machine, name, made_by, expires_at)
					SELECT $1, $2, $3, id, $5, $6, now() + $7::interval FROM machine WHERE id = $4`,
					args: []any{id, c.Hash[:], c.Kind, c.Machine, c.Name, person(actor), lasts}, rows: 1, conflict: ErrNotFound},
			},
			entries: []draft{{kind: logbook.EnrolCodeMade, actor: actor,
				subjects: []logbook.Subject{about(logbook.RoleMachine, c.Machine), about("code", id)}, body: logbook.Body{"enrols": string(c.Kind)}}},
		}, nil
	})
	if err != nil {
		return time.Time{}, err
	}
	err = s.pool.QueryRow(ctx, `SELECT expires_at FROM enrol_code WHERE id = $1`, id).Scan(&until)
	return until, err
}

// person is the actor's person, or SQL's null.
func person(actor Actor) *uuid.UUID {
	return orNull(actor.Person)
}

// openCode reads a code that still holds. Errors: ErrEnrolCode.
func (s *Store) openCode(ctx context.Context, kind EnrolKind, hash [32]byte) (id, machine uuid.UUID, name string, err error) {
	err = meaning(s.pool.QueryRow(ctx, `SELECT id, machine, name FROM enrol_code
		WHERE code_hash = $1 AND kind = $2 AND ended_at IS NULL AND expires_at > now()`, hash[:], kind).Scan(&id, &machine, &name))
	if errors.Is(err, ErrNotFound) {
		err = ErrEnrolCode
	}
	return id, machine, name, err
}

// useCode uses a code up: once, and in time.
func useCode(id uuid.UUID) statement {
	return statement{sql: `UPDATE enrol_code SET ended_at = now() WHERE id = $1 AND ended_at IS NULL AND expires_at > now()`,
		args: []any{id}, rows: 1, conflict: ErrEnrolCode}
}

// EnrolWorker takes the public key that a worker made for itself and showed with a one-time code. The
// key before it is refused from here on. lastReport is the number of the last report in the worker's
// journal: a worker that begins with an empty folder counts from the start again, and would not be
// heard otherwise. Where a restore waits for the journal of this machine, such a folder has lost it.
// Errors: ErrEnrolCode, *Refused.
func (s *Store) EnrolWorker(ctx context.Context, codeHash [32]byte, public string, lastReport int64) (Machine, error) {
	if !nkeys.IsValidPublicUserKey(public) || lastReport < 0 {
		return Machine{}, refuse("that is no worker's public key", "let kerfgate worker enrol make it")
	}
	var machine uuid.UUID
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		code, id, _, err := s.openCode(ctx, EnrolsWorker, codeHash)
		if err != nil {
			return write{}, err
		}
		machine = id
		w := write{statements: []statement{useCode(code)}}
		err = s.newWorkerKey(ctx, &w, Actor{}, id, public, logbook.WorkerEnrolled, about("code", code))
		w.statements = append(w.statements,
			statement{sql: `UPDATE machine SET applied = least(applied, $2) WHERE id = $1`, args: []any{id, lastReport}, rows: 1},
			statement{sql: `UPDATE run SET ready = false, unready_reason = 'worker enrolled', revision = revision + 1
				WHERE machine = $1 AND phase IN ('proposed', 'checking')`, args: []any{id}, rows: anyRows})
		if lastReport == 0 {
			w.statements = append(w.statements, statement{sql: `UPDATE awaited_journal SET lost = true WHERE machine = $1 AND ended = ''`, args: []any{id}, rows: anyRows})
		}
		return w, err
	})
	if err != nil {
		return Machine{}, err
	}
	return s.Machine(ctx, machine)
}

// newWorkerKey gives a machine's worker another key, or none for "". Permits name the key that they
// are for, so open sign-offs fall (I10).
func (s *Store) newWorkerKey(ctx context.Context, w *write, actor Actor, machine uuid.UUID, public string, kind logbook.Kind, more ...logbook.Subject) error {
	m, err := s.Machine(ctx, machine)
	if err != nil {
		return err
	}
	w.statements = append(w.statements,
		statement{sql: `UPDATE machine SET worker_key = $2, rev = rev + 1 WHERE id = $1 AND rev = $3`, args: []any{machine, public, m.Rev}, rows: 1},
		statement{sql: `UPDATE worker_key SET ended_at = now() WHERE machine = $1 AND ended_at IS NULL`, args: []any{machine}, rows: anyRows})
	if public != "" {
		w.statements = append(w.statements, statement{sql: `INSERT INTO worker_key (public, machine) VALUES ($1, $2)`, args: []any{public, machine}, rows: 1})
	}
	w.entries = append(w.entries, draft{kind: kind, actor: actor, subjects: append([]logbook.Subject{about(logbook.RoleMachine, machine)}, more...),
		body: logbook.Body{"worker_key": public, "before": m.WorkerKey}})
	return s.voidOpen(ctx, w, actor, "the worker's key changed", `r.machine = $1`, machine)
}

// RevokeWorker takes a worker's key away at once: the broker cuts its connection and knows it no more.
// The machine has no worker until one is enrolled. Errors: ErrNotFound, *Refused where it has none.
func (s *Store) RevokeWorker(ctx context.Context, actor Actor, machine uuid.UUID) error {
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		m, err := s.Machine(ctx, machine)
		if err != nil {
			return write{}, err
		}
		if m.WorkerKey == "" {
			return write{}, refuse("this machine has no worker enrolled", "enrol one with a new code")
		}
		var w write
		err = s.newWorkerKey(ctx, &w, actor, machine, "", logbook.WorkerRevoked)
		return w, err
	})
	return err
}

// ReplaceWorkerKey lets a worker put a new key in the place of its own: signature is the old key's
// as broker.SignNewKey makes it. The same words again change nothing. Errors: ErrNotFound, *Refused.
func (s *Store) ReplaceWorkerKey(ctx context.Context, machine uuid.UUID, before, after string, signature []byte) error {
	no := refuse("the new key is not signed by the key in use", "enrol the worker anew with a code")
	if broker.CheckNewKey(machine, before, after, signature) != nil {
		return no
	}
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		m, err := s.Machine(ctx, machine)
		if err != nil {
			return write{}, err
		}
		if m.WorkerKey == after {
			return write{}, errNothing // the answer to the same words was lost
		}
		if m.WorkerKey != before {
			return write{}, no
		}
		var w write
		err = s.newWorkerKey(ctx, &w, Actor{}, machine, after, logbook.WorkerKeyReplaced)
		return w, err
	})
	if errors.Is(err, errNothing) {
		return nil
	}
	return err
}
