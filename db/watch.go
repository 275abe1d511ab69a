package db

import (
	"context"
	"errors"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/checklist"
	"kerfgate/db/logbook"
	"kerfgate/plan/machine"
	"kerfgate/queue"
)

// Watch is the fire watch of a machine. Its time counts an attended run as watching.
type Watch struct {
	ID          uuid.UUID
	Machine     uuid.UUID
	Run         uuid.UUID
	Watcher     uuid.UUID
	WatcherName string
	checklist.WatchTime
	Running bool      // a run is attended on the machine just now, which is watching
	seen    time.Time // as it is stored, for guards
}

// attended reckons a run on the machine in.
func (w *Watch) attended(from time.Time, phase queue.Phase, phaseAt, now time.Time) {
	to := phaseAt
	if phase != queue.Inspecting {
		to, w.Running = now, true
	}
	w.WatchTime = w.Attended(from, to)
}

// Look is one look of a fire watch.
type Look struct {
	At   time.Time
	Name string
	Fire bool
}

// Looks lists the looks of a watch, the newest first.
func (s *Store) Looks(ctx context.Context, watch uuid.UUID) ([]Look, error) {
	return readAll(ctx, s.pool, pgx.RowToStructByPos[Look], `SELECT l.at, p.name, l.saw = 'fire' FROM watch_look l JOIN person p ON p.id = l.by_person
		WHERE l.watch = $1 ORDER BY l.at DESC LIMIT 100`, watch)
}

// watching reads a machine whose watch is open, for its watcher, an operator of it or the safety officer,
// with the time of the database.
func (s *Store) watching(ctx context.Context, actor Actor, id uuid.UUID) (m Machine, now time.Time, err error) {
	if m, err = s.Machine(ctx, id); err != nil {
		return m, now, err
	}
	if m.Watch == nil {
		return m, now, ErrNotFound
	}
	if ok, err := s.authorised(ctx, actor.Person, id); err != nil {
		return m, now, err
	} else if !ok && actor.Person != m.Watch.Watcher && !actor.Role.Officer() {
		return m, now, refuse("you hold no valid authorisation for this machine", "its watcher, an operator of it or the safety officer keeps the watch")
	}
	return m, now, s.pool.QueryRow(ctx, `SELECT clock_timestamp()`).Scan(&now)
}

// LookAtWatch keeps what a person saw who looks at a machine under fire watch. Whoever looks for somebody
// else takes the watch over. The look at or after the end closes it, and closed says so. A fire locks
// the machine out, opens an incident and begins an hour's watch, all in the same step. Errors: ErrNotFound,
// *Refused for who may not keep it.
func (s *Store) LookAtWatch(ctx context.Context, actor Actor, id uuid.UUID, fire bool) (closed bool, err error) {
	_, err = s.commit(ctx, func(ctx context.Context) (write, error) {
		m, now, err := s.watching(ctx, actor, id)
		if err != nil {
			return write{}, err
		}
		var w write
		closed, err = s.look(ctx, &w, actor, m, now, fire)
		return w, err
	})
	return closed, err
}

// CloseWatch ends a machine's fire watch with a last look that saw nothing. Errors: ErrNotFound, *Refused
// while time is left and for anybody but its watcher, an operator of that machine or the safety officer.
func (s *Store) CloseWatch(ctx context.Context, actor Actor, id uuid.UUID) error {
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		m, now, err := s.watching(ctx, actor, id)
		if err != nil {
			return write{}, err
		}
		if left := m.Watch.At(now).Until.Sub(now); left > 0 {
			return write{}, refuse("the fire watch has "+left.Round(time.Second).String()+" left", "go on watching; confirm at its end")
		}
		var w write
		_, err = s.look(ctx, &w, actor, m, now, false)
		return w, err
	})
	return err
}

// look adds one look to a change.
func (s *Store) look(ctx context.Context, w *write, actor Actor, m Machine, now time.Time, fire bool) (closed bool, err error) {
	watch := m.Watch
	after := watch.Looked(now)
	closed = !fire && !after.Until.After(now)
	saw := map[bool]string{false: "nothing", true: "fire"}[fire]
	change := `UPDATE watch SET until = $2, seen_at = $3, watcher = $4, missed_at = NULL WHERE id = $1 AND closed_at IS NULL AND seen_at = $5`
	kind := logbook.WatchConfirmed
	if closed {
		change = `UPDATE watch SET until = $2, seen_at = $3, watcher = $4, missed_at = NULL, closed_at = now() WHERE id = $1 AND closed_at IS NULL AND seen_at = $5`
		kind = logbook.WatchClosed
	}
	w.statements = append(w.statements,
		statement{sql: change, args: []any{watch.ID, after.Until, after.Seen, actor.Person, watch.seen}, rows: 1},
		statement{sql: `INSERT INTO watch_look (watch, at, by_person, saw) VALUES ($1, $2, $3, $4)`, args: []any{watch.ID, now, actor.Person, saw}, rows: 1})
	w.entries = append(w.entries, draft{kind: kind, actor: actor, subjects: watchSubjects(*watch), body: logbook.Body{"saw": saw}})
	if !fire {
		return closed, nil
	}
	run, err := s.run(ctx, watch.Run)
	if err != nil {
		return false, err
	}
	m.Watch.seen = after.Seen // as this change leaves it
	g := Gate{Run: run, Machine: m}
	if err := s.reportFire(ctx, w, actor, g, "the fire watch"); err != nil {
		return false, err
	}
	openWatch(w, actor, g, now, checklist.FlameWatch)
	return false, nil
}

func watchSubjects(w Watch) []logbook.Subject {
	return []logbook.Subject{about(logbook.RoleMachine, w.Machine), about(logbook.RoleRun, w.Run), about("watch", w.ID)}
}

// TakeWatch hands a machine's fire watch over to the actor, from whom the next look is expected. It is no
// look itself. Errors: ErrNotFound, *Refused for who may not keep it, or has it.
func (s *Store) TakeWatch(ctx context.Context, actor Actor, id uuid.UUID) error {
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		m, _, err := s.watching(ctx, actor, id)
		if err != nil {
			return write{}, err
		}
		if m.Watch.Watcher == actor.Person {
			return write{}, refuse("you keep this watch already", "go on watching")
		}
		return write{
			statements: []statement{{sql: `UPDATE watch SET watcher = $2 WHERE id = $1 AND watcher = $3 AND closed_at IS NULL`,
				args: []any{m.Watch.ID, actor.Person, m.Watch.Watcher}, rows: 1}},
			entries: []draft{{kind: logbook.WatchHandedOver, actor: actor, subjects: append(watchSubjects(*m.Watch), about("before", m.Watch.Watcher))}},
		}, nil
	})
	return err
}

// MissWatches writes down, once for each, the looks that were due and not taken, and says how many.
func (s *Store) MissWatches(ctx context.Context) (int, error) {
	late, err := readAll(ctx, s.pool, pgx.RowTo[uuid.UUID], `SELECT machine FROM watch WHERE closed_at IS NULL AND missed_at IS NULL AND seen_at + every < now() AND seen_at + every < until`)
	if err != nil {
		return 0, err
	}
	done := 0
	for _, id := range late {
		switch err := s.missWatch(ctx, id); {
		case err == nil:
			done++
		case errors.Is(err, errWatched), errors.Is(err, ErrConflict), errors.Is(err, ErrNotFound): // somebody looked meanwhile
		default:
			return done, err
		}
	}
	return done, nil
}

var errWatched = errors.New("the machine is watched")

func (s *Store) missWatch(ctx context.Context, id uuid.UUID) error {
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		m, err := s.Machine(ctx, id)
		if err != nil {
			return write{}, err
		}
		var now time.Time
		if err := s.pool.QueryRow(ctx, `SELECT clock_timestamp()`).Scan(&now); err != nil {
			return write{}, err
		}
		if m.Watch == nil || m.Watch.Running || !m.Watch.Missed(now) {
			return write{}, errWatched
		}
		return write{
			statements: []statement{{sql: `UPDATE watch SET missed_at = now() WHERE id = $1 AND seen_at = $2 AND missed_at IS NULL AND closed_at IS NULL`,
				args: []any{m.Watch.ID, m.Watch.seen}, rows: 1}},
			entries: []draft{{kind: logbook.WatchMissed, subjects: append(watchSubjects(*m.Watch), about("watcher", m.Watch.Watcher)),
				body: logbook.Body{"due": m.Watch.Due().UTC().Format(time.RFC3339)}}},
		}, nil
	})
	return err
}

// openWatch starts the fire watch of the machine at a look that somebody takes now, or carries one on: the
// longer time counts. Simulated machines shorten it by their wait scale, which the screen says.
func openWatch(w *write, actor Actor, g Gate, now time.Time, lasts time.Duration) {
	every := checklist.LookEvery
	if d := g.Machine.Profile.Driver; d.Kind == machine.DriverSimulated && d.WaitScale > 1 {
		lasts, every = lasts/time.Duration(d.WaitScale), every/time.Duration(d.WaitScale)
	}
	id := newID()
	open := statement{sql: `INSERT INTO watch (id, machine, run, watcher, until, seen_at, every) VALUES ($1, $2, $3, $4, $5, $6, $7)`,
		args: []any{id, g.Run.Machine, g.Run.ID, actor.Person, now.Add(lasts), now, every}, rows: 1}
	if held := g.Machine.Watch; held != nil {
		id = held.ID
		until := held.Looked(now).Until
		if end := now.Add(lasts); end.After(until) {
			until = end
		}
		open = statement{sql: `UPDATE watch SET until = $2, run = $3, watcher = $4, seen_at = $5, every = $6, missed_at = NULL
			WHERE id = $1 AND closed_at IS NULL AND seen_at = $7`,
			args: []any{id, until, g.Run.ID, actor.Person, now, every, held.seen}, rows: 1}
	}
	w.statements = append(w.statements, open)
	w.entries = append(w.entries, draft{kind: logbook.WatchOpened, actor: actor,
		subjects: append(runSubjects(g.Run.ID, g.Run.Machine, g.Run.Job), about("watch", id)),
		body:     logbook.Body{"seconds": int64(lasts / time.Second)}})
}
