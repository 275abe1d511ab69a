package db

import (
	"context"
	"fmt"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/checklist"
	"kerfgate/db/logbook"
)

// UpkeepTask is work on a machine that comes back, and how it stands.
type UpkeepTask struct {
	ID          uuid.UUID
	Machine     uuid.UUID
	MachineName string
	What        string
	Rule        checklist.UpkeepRule
	Critical    bool // for safety: overdue it locks the machine out
	Since       time.Time
	LastNote    string // of the last time that it was done; empty for never
	LastBy      string
	LastPhoto   bool
	State       checklist.UpkeepState
	Why         string
	lockedOut   bool
	liftedAgain bool
}

// NewUpkeep is work to be set.
type NewUpkeep struct {
	Machine  uuid.UUID
	What     string
	Rule     checklist.UpkeepRule
	Critical bool
}

// upkeepTasks reads tasks with how they stand, in one query.
func (s *Store) upkeepTasks(ctx context.Context, where string, args ...any) ([]UpkeepTask, error) {
	args = append(args, liftedFor, causeUpkeep)
	return readAll(ctx, s.pool, func(row pgx.CollectableRow) (t UpkeepTask, err error) {
		var ms, runs int64
		var now time.Time
		err = row.Scan(&t.ID, &t.Machine, &t.MachineName, &t.What, &t.Rule.Days, &t.Rule.Hours, &t.Rule.Runs, &t.Critical, &t.Since,
			&t.LastNote, &t.LastBy, &t.LastPhoto, &ms, &runs, &now, &t.lockedOut, &t.liftedAgain)
		t.State, t.Why = t.Rule.Judge(t.Since, ms, runs, now)
		return t, err
	}, `SELECT t.id, t.machine, m.bay || ', ' || m.name, t.what, t.days, t.hours, t.runs, t.critical, t.since,
			coalesce(d.note, ''), coalesce(p.name, ''), d.photo IS NOT NULL, ran.ms, ran.n, now(),
			EXISTS (SELECT 1 FROM lockout l WHERE l.machine = t.machine AND l.lifted_at IS NULL),
			EXISTS (SELECT 1 FROM lockout l WHERE l.machine = t.machine AND l.cause = $`+fmt.Sprint(len(args))+` AND l.lifted_at > now() - $`+fmt.Sprint(len(args)-1)+`::interval)
		FROM upkeep_task t JOIN machine m ON m.id = t.machine
		LEFT JOIN LATERAL (SELECT note, by_person, photo FROM upkeep_done WHERE task = t.id ORDER BY at DESC LIMIT 1) d ON true
		LEFT JOIN person p ON p.id = d.by_person
		JOIN LATERAL (SELECT coalesce(sum(real_ms), 0)::bigint AS ms, count(*) FILTER (WHERE real_ms > 0) AS n FROM run
			WHERE machine = t.machine AND phase = 'closed' AND ended_at > t.since) ran ON true
		WHERE t.retired_at IS NULL AND `+where, args...)
}

// Upkeep lists the work on all machines, or on one, by machine and name.
func (s *Store) Upkeep(ctx context.Context, machine uuid.UUID) ([]UpkeepTask, error) {
	return s.upkeepTasks(ctx, `($1 = '00000000-0000-0000-0000-000000000000'::uuid OR t.machine = $1) ORDER BY m.bay, t.what, t.id`, machine)
}

func (s *Store) upkeepTask(ctx context.Context, id uuid.UUID) (UpkeepTask, error) {
	return only(s.upkeepTasks(ctx, `t.id = $1`, id))
}

// SetUpkeep sets work that comes back. Errors: ErrNotFound, *Refused.
func (s *Store) SetUpkeep(ctx context.Context, actor Actor, n NewUpkeep) (UpkeepTask, error) {
	n.What = strings.TrimSpace(n.What)
	r := n.Rule
	if length := utf8.RuneCountInString(n.What); length == 0 || length > 200 {
		return UpkeepTask{}, refuse("what is to be done is not said, or in more than 200 letters", "name the work")
	}
	if r.Days < 0 || r.Days > 3650 || r.Hours < 0 || r.Hours > 100_000 || r.Runs < 0 || r.Runs > 1_000_000 || r == (checklist.UpkeepRule{}) {
		return UpkeepTask{}, refuse("when the work is due is not said", "give days, machine hours or runs; the first that is reached counts")
	}
	id := newID()
	_, err := s.commit(ctx, func(context.Context) (write, error) {
		return write{
			statements: []statement{{sql: `INSERT INTO upkeep_task (id, machine, what, days, hours, runs, critical) SELECT $1, id, $3, $4, $5, $6, $7 FROM machine WHERE id = $2`,
				args: []any{id, n.Machine, n.What, r.Days, r.Hours, r.Runs, n.Critical}, rows: 1, conflict: ErrNotFound}},
			entries: []draft{{kind: logbook.UpkeepSet, actor: actor, subjects: []logbook.Subject{about(logbook.RoleMachine, n.Machine), about("upkeep", id)},
				body: logbook.Body{"days": r.Days, "hours": r.Hours, "runs": r.Runs, "critical": n.Critical}}},
		}, nil
	})
	if err != nil {
		return UpkeepTask{}, err
	}
	return s.upkeepTask(ctx, id)
}

// DoUpkeep records that work was done, with what was found; photo is a JPEG that the server wrote itself,
// nil for none. It lifts no lockout: a person looks at that. Errors: ErrNotFound, *Refused.
func (s *Store) DoUpkeep(ctx context.Context, actor Actor, id uuid.UUID, note string, photo []byte) (UpkeepTask, error) {
	note = strings.TrimSpace(note)
	if length := utf8.RuneCountInString(note); length == 0 || length > 500 {
		return UpkeepTask{}, refuse("what was found and done is not said, or in more than 500 letters", "say it in a sentence")
	}
	done, salt := newID(), newSalt()
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		t, err := s.upkeepTask(ctx, id)
		if err != nil {
			return write{}, err
		}
		digest := logbook.SaltedDigest(salt, []byte(note))
		w := write{entries: []draft{{kind: logbook.UpkeepDone, actor: actor, subjects: []logbook.Subject{about(logbook.RoleMachine, t.Machine), about("upkeep", id)},
			body: logbook.Body{"note_digest": digest[:]}}}}
		var kept []byte
		if photo != nil {
			blob, statements := putBlob(photo)
			w.statements, kept = statements, blob[:]
		}
		w.statements = append(w.statements,
			statement{sql: `UPDATE upkeep_task SET since = now(), rev = rev + 1 WHERE id = $1 AND retired_at IS NULL`, args: []any{id}, rows: 1},
			statement{sql: `INSERT INTO upkeep_done (id, task, by_person, note, photo) VALUES ($1, $2, $3, $4, $5)`, args: []any{done, id, actor.Person, note, kept}, rows: 1})
		return w, nil
	})
	if err != nil {
		return UpkeepTask{}, err
	}
	return s.upkeepTask(ctx, id)
}

// RetireUpkeep takes work off the list. Errors: ErrNotFound.
func (s *Store) RetireUpkeep(ctx context.Context, actor Actor, id uuid.UUID) error {
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		t, err := s.upkeepTask(ctx, id)
		if err != nil {
			return write{}, err
		}
		return write{
			statements: []statement{{sql: `UPDATE upkeep_task SET retired_at = now() WHERE id = $1 AND retired_at IS NULL`, args: []any{id}, rows: 1}},
			entries:    []draft{{kind: logbook.UpkeepRetired, actor: actor, subjects: []logbook.Subject{about(logbook.RoleMachine, t.Machine), about("upkeep", id)}}},
		}, nil
	})
	return err
}

// LockNeglected locks out the machines on which work for safety is overdue and says how many. Who lifts
// such a lockout has a day to do the work.
func (s *Store) LockNeglected(ctx context.Context) (int, error) {
	all, err := s.upkeepTasks(ctx, `t.critical`)
	if err != nil {
		return 0, err
	}
	locked := 0
	for _, was := range all {
		if !was.mustLock() {
			continue
		}
		done, err := s.lockOutFor(ctx, causeUpkeep, was.Machine, func(ctx context.Context) (string, error) {
			t, err := s.upkeepTask(ctx, was.ID)
			if err != nil || !t.mustLock() {
				return "", err
			}
			return fmt.Sprintf("upkeep overdue: %s (%s)", t.What, t.Why), nil
		})
		if err != nil {
			return locked, err
		}
		if done {
			locked++
		}
	}
	return locked, nil
}

func (t UpkeepTask) mustLock() bool {
	return t.Critical && t.State == checklist.UpkeepOverdue && !t.lockedOut && !t.liftedAgain
}
