package db

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/checklist/permit"
	"kerfgate/db/logbook"
	"kerfgate/queue"
)

// Lockout keeps a machine out of use until a named person lifts it.
type Lockout struct {
	ID      uuid.UUID
	Machine uuid.UUID
	Reason  string // what a person wrote
	SetBy   uuid.UUID
	SetName string
	SetAt   time.Time
}

// SetLockout puts a machine out of use: no permit is issued (I8), open sign-offs are voided. Errors:
// ErrNotFound, *Refused when it is locked out already.
func (s *Store) SetLockout(ctx context.Context, actor Actor, machine uuid.UUID, reason string) (Lockout, error) {
	if !reasonFits(reason) {
		return Lockout{}, refuse("a lockout needs a reason of at most 500 letters", "say what is wrong with the machine")
	}
	id := newID()
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		var w write
		err := s.lockOut(ctx, &w, actor, id, machine, reason)
		return w, err
	})
	if err != nil {
		return Lockout{}, err
	}
	m, err := s.Machine(ctx, machine)
	if err != nil {
		return Lockout{}, err
	}
	if m.Lockout == nil {
		return Lockout{}, ErrConflict
	}
	return *m.Lockout, nil
}

// lockOut adds a lockout to a change that may hold more than that.
func (s *Store) lockOut(ctx context.Context, w *write, actor Actor, id, machine uuid.UUID, reason string) error {
	salt := newSalt()
	digest := logbook.SaltedDigest(salt, []byte(reason))
	w.statements = append(w.statements,
		// The machine's rev is what a sign-off guards, so one that is under way fails.
		statement{sql: `UPDATE machine SET rev = rev + 1 WHERE id = $1`, args: []any{machine}, rows: 1, conflict: ErrNotFound},
		statement{sql: `INSERT INTO lockout (id, machine, reason, salt, set_by) VALUES ($1, $2, $3, $4, $5)`,
			args: []any{id, machine, reason, salt, person(actor)}, rows: 1})
	w.entries = append(w.entries, draft{kind: logbook.LockoutSet, actor: actor,
		subjects: []logbook.Subject{about(logbook.RoleMachine, machine), about(logbook.RoleLockout, id)},
		body:     logbook.Body{"reason_digest": digest[:]}})
	return s.voidOpen(ctx, w, actor, "machine locked out", `r.machine = $1`, machine)
}

// lockOutAnyway adds a lockout to a change unless the machine is locked out already; whether it is must
// still be so at the end, so that the change never leaves it in use.
func (s *Store) lockOutAnyway(ctx context.Context, w *write, actor Actor, m Machine, reason string) error {
	w.statements = append(w.statements, statement{sql: `SELECT 1 FROM machine WHERE id = $1 AND rev = $2 FOR NO KEY UPDATE`, args: []any{m.ID, m.Rev}, rows: 1})
	if m.Lockout != nil {
		return nil
	}
	return s.lockOut(ctx, w, actor, newID(), m.ID, reason)
}

// What sets a lockout by itself, so that each tells its own from others.
const (
	causeCalibration = "calibration"
	causeUpkeep      = "upkeep"
)

// liftedFor is how long a machine stays in use after somebody lifted a lockout that a rule had set: time
// enough for what is overdue. Own choice.
const liftedFor = 24 * time.Hour

// lockOutFor locks a machine out for a cause, with the reason that why gives in the change itself; an
// empty one leaves it in use. It says whether it did; somebody else who moved meanwhile is no error.
func (s *Store) lockOutFor(ctx context.Context, cause string, machine uuid.UUID, why func(ctx context.Context) (reason string, err error)) (locked bool, err error) {
	_, err = s.commit(ctx, func(ctx context.Context) (write, error) {
		reason, err := why(ctx)
		if err != nil {
			return write{}, err
		}
		if reason == "" {
			return write{}, errNothing
		}
		var w write
		lockout := newID()
		err = s.lockOut(ctx, &w, System, lockout, machine, reason)
		w.statements = append(w.statements, statement{sql: `UPDATE lockout SET cause = $2 WHERE id = $1`, args: []any{lockout, cause}, rows: 1})
		return w, err
	})
	var refused *Refused // somebody locked it out at this moment
	if errors.Is(err, errNothing) || errors.Is(err, ErrNotFound) || errors.As(err, &refused) || errors.Is(err, ErrConflict) {
		return false, nil
	}
	return err == nil, err
}

// LiftLockout puts the machine back in use; a named person gives a reason. Errors: ErrNotFound.
func (s *Store) LiftLockout(ctx context.Context, actor Actor, machine uuid.UUID, reason string) error {
	if !reasonFits(reason) {
		return refuse("lifting a lockout needs a reason of at most 500 letters", "say what was done")
	}
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		var id uuid.UUID
		var salt []byte
		if err := s.pool.QueryRow(ctx, `SELECT id, salt FROM lockout WHERE machine = $1 AND lifted_at IS NULL`, machine).Scan(&id, &salt); err != nil {
			return write{}, err
		}
		digest := logbook.SaltedDigest(salt, []byte(reason))
		return write{
			statements: []statement{
				{sql: `UPDATE machine SET rev = rev + 1 WHERE id = $1`, args: []any{machine}, rows: 1},
				{sql: `UPDATE lockout SET lifted_by = $2, lifted_at = now(), lifted_reason = $3 WHERE id = $1 AND lifted_at IS NULL`,
					args: []any{id, actor.Person, reason}, rows: 1},
			},
			entries: []draft{{kind: logbook.LockoutLifted, actor: actor,
				subjects: []logbook.Subject{about(logbook.RoleMachine, machine), about(logbook.RoleLockout, id)},
				body:     logbook.Body{"reason_digest": digest[:]}}},
		}, nil
	})
	return err
}

// LockoutNote is the signed statement of the machine's newest lockout entry, made from the logbook
// whenever it is asked for; empty where there never was one.
func (s *Store) LockoutNote(ctx context.Context, machine uuid.UUID) ([]byte, error) {
	var index int64
	var kind string
	err := s.pool.QueryRow(ctx, `SELECT e.index, e.kind FROM log_subject s JOIN log_entry e ON e.index = s.index
		WHERE s.subject = $1 AND e.kind IN ('lockout.set', 'lockout.lifted') ORDER BY s.index DESC LIMIT 1`, machine).Scan(&index, &kind)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	statement := permit.Lockout{Machine: machine, Locked: kind == string(logbook.LockoutSet), LogIndex: index, Reason: "lifted"}
	if statement.Locked {
		statement.Reason = "locked out"
	}
	return permit.Sign(s.cfg.PermitSigner, statement)
}

// voidOpen adds to a change what it does to open checklists: a permit is voided, a checklist that
// is being answered is released (I8, I10). where picks the runs r, with its own arguments. What a
// sign-off binds must be locked by an earlier statement of the change: then a sign-off that came
// between this reading and that lock is seen here as a conflict, and none can come after it.
func (s *Store) voidOpen(ctx context.Context, w *write, actor Actor, reason, where string, args ...any) error {
	where = `r.phase IN ('checking', 'permitted') AND ` + where
	runs, err := s.runs(ctx, where+` ORDER BY r.number`, args...)
	if err != nil {
		return err
	}
	ids := make([]uuid.UUID, 0, len(runs))
	for _, r := range runs {
		ids = append(ids, r.ID)
	}
	w.statements = append(w.statements, statement{
		sql:  fmt.Sprintf(`SELECT 1 WHERE NOT EXISTS (SELECT 1 FROM run r WHERE %s AND r.id <> ALL($%d))`, where, len(args)+1),
		args: append(slices.Clone(args), ids), rows: 1})
	for _, r := range runs {
		if r.Phase == queue.Checking {
			move, err := r.Phase.After(queue.Released)
			if err != nil {
				return err
			}
			release(w, actor, r, move, reason)
			continue
		}
		move, err := r.Phase.After(queue.Voided)
		if err != nil {
			return err
		}
		if _, err := s.voidPermit(ctx, w, actor, r, move, reason); err != nil {
			return err
		}
	}
	return nil
}

func runSubjects(run, machine, job uuid.UUID) []logbook.Subject {
	return []logbook.Subject{about(logbook.RoleRun, run), about(logbook.RoleMachine, machine), about(logbook.RoleJob, job)}
}
