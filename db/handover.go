package db

import (
	"context"
	"crypto/subtle"
	"errors"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/checklist"
	"kerfgate/checklist/permit"
	"kerfgate/db/logbook"
	"kerfgate/plan/canon"
	"kerfgate/queue"
)

// Handover passes attendance of a run to the actor, an operator of its machine. held is the SHA-256
// of the token that confirms attendance now: only the station that shows it can give the run away.
// next is that of the token whose taps count from now on. It returns the signed statement for the
// worker. Errors: ErrNotFound, ErrMoved unless the run moves or purges, *Refused.
func (s *Store) Handover(ctx context.Context, actor Actor, id uuid.UUID, held, next [32]byte) ([]byte, error) {
	var text []byte
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		r, err := s.run(ctx, id)
		if err != nil {
			return write{}, err
		}
		switch r.Phase {
		case queue.Starting, queue.Running, queue.Paused, queue.Purging:
		default:
			return write{}, queue.ErrMoved
		}
		authorisation, err := s.operating(ctx, actor, r, "ask an operator of it to take over")
		if err != nil {
			return write{}, err
		}
		if r.Operator == actor.Person {
			return write{}, refuse("you attend this run already", "go on tapping")
		}
		var m Machine
		var others attendedRuns
		var reads pgx.Batch
		readMachine(&reads, r.Machine, &m)
		readAttended(&reads, actor.Person, id, &others)
		if err := s.read(ctx, &reads); err != nil {
			return write{}, err
		}
		tool, _ := m.Profile.Tool(r.Tool)
		if no, ok := checklist.AttendedElsewhere(tool, others.list); !ok {
			return write{}, &Refused{Reasons: []checklist.Reason{no}}
		}
		now, err := s.attendedBy(ctx, id)
		if err != nil {
			return write{}, err
		}
		if now.hash == [32]byte{} {
			return write{}, refuse("this run asks for no attendance", "nothing is to be handed over")
		}
		if subtle.ConstantTimeCompare(now.hash[:], held[:]) != 1 {
			return write{}, refuse("this station does not confirm attendance of this run", "hand over at the station where it is attended")
		}
		h := permit.Handover{Machine: r.Machine, Run: id, Permit: now.permit, Number: now.number + 1, Operator: actor.Person, Attendance: next}
		if text, err = permit.Sign(s.cfg.PermitSigner, h); err != nil {
			return write{}, err
		}
		return write{
			statements: append(others.guard(actor.Person, id), []statement{
				{sql: `SELECT 1 FROM authorisation a WHERE id = $1 AND authorisation_holds(a) FOR SHARE`, args: []any{authorisation}, rows: 1},
				{sql: `UPDATE run SET operator = $2, rev = rev + 1 WHERE id = $1 AND rev = $3 AND phase = $4`, args: []any{id, actor.Person, r.Rev, r.Phase}, rows: 1},
				{sql: `INSERT INTO handover (run, number, operator, attendance, note) VALUES ($1, $2, $3, $4, $5)`,
					args: []any{id, h.Number, actor.Person, next[:], string(text)}, rows: 1},
			}...),
			entries: []draft{{kind: logbook.AttendanceHandedOver, actor: actor,
				subjects: append(runSubjects(id, r.Machine, r.Job), about("before", r.Operator)), body: logbook.Body{"number": h.Number}}},
		}, nil
	})
	return text, err
}

// attendee is whose taps count for a run: the SHA-256 of the token that they show.
type attendee struct {
	permit canon.Digest
	hash   [32]byte
	number int64 // of the last hand-over, 0 for none
}

// attendedBy reads it from the burned permit and the hand-overs after it. Errors: ErrMoved where no
// permit of the run was burned.
func (s *Store) attendedBy(ctx context.Context, run uuid.UUID) (attendee, error) {
	var a attendee
	var digest, hash []byte
	var note string
	var number *int64
	err := s.pool.QueryRow(ctx, `SELECT p.digest, p.note, h.number, h.attendance FROM burn b JOIN permit p ON p.digest = b.permit
		LEFT JOIN LATERAL (SELECT number, attendance FROM handover WHERE run = b.run ORDER BY number DESC LIMIT 1) h ON true
		WHERE b.run = $1`, run).Scan(&digest, &note, &number, &hash)
	if errors.Is(err, pgx.ErrNoRows) {
		return a, queue.ErrMoved
	}
	if err != nil {
		return a, err
	}
	a.permit = canon.Digest(digest)
	if number != nil {
		a.number, a.hash = *number, [32]byte(hash)
		return a, nil
	}
	known, err := s.everyVerifier(ctx) // the key may have been replaced since
	if err != nil {
		return a, err
	}
	p, err := permit.OpenPermit([]byte(note), known)
	a.hash = p.Attendance
	return a, err
}

// handoverNote is the newest hand-over of a machine's active run, for a worker that missed it.
func (s *Store) handoverNote(ctx context.Context, machine uuid.UUID) ([]byte, error) {
	var text string
	err := s.pool.QueryRow(ctx, `SELECT h.note FROM run r JOIN handover h ON h.run = r.id
		WHERE r.machine = $1 AND r.phase IN ('starting', 'running', 'paused', 'purging') ORDER BY h.number DESC LIMIT 1`, machine).Scan(&text)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, nil
	}
	return []byte(text), err
}

// NotePause logs that a person pressed pause. The phase moves when the worker reports that it did.
// Errors: ErrMoved unless running, *Refused for who is no operator of the machine nor the safety officer.
func (s *Store) NotePause(ctx context.Context, actor Actor, id uuid.UUID) (machine uuid.UUID, err error) {
	_, err = s.commit(ctx, func(ctx context.Context) (write, error) {
		r, err := s.run(ctx, id)
		if err != nil {
			return write{}, err
		}
		if _, err := r.Phase.After(queue.PausedRun); err != nil {
			return write{}, err
		}
		if ok, err := s.authorised(ctx, actor.Person, r.Machine); err != nil {
			return write{}, err
		} else if !ok && !actor.Role.Officer() {
			return write{}, refuse("you hold no valid authorisation for this machine", "anybody may press Stop run")
		}
		machine = r.Machine
		return write{statements: []statement{{sql: `SELECT 1 FROM run WHERE id = $1 AND rev = $2 FOR SHARE`, args: []any{id, r.Rev}, rows: 1}},
			entries: []draft{{kind: logbook.PausePressed, actor: actor, subjects: runSubjects(id, r.Machine, r.Job)}}}, nil
	})
	return machine, err
}
