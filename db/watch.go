package db

import (
	"context"
	"time"

	"github.com/google/uuid"

	"kerfgate/db/logbook"
)

// Watch is the fire watch of a machine.
type Watch struct {
	ID          uuid.UUID
	Machine     uuid.UUID
	Run         uuid.UUID
	Watcher     uuid.UUID
	WatcherName string
	Until       time.Time
}

// CloseWatch ends a machine's fire watch: a person confirms that its time is over and nothing was
// seen: its watcher, an operator of that machine or the safety officer. Errors: ErrNotFound, *Refused
// while time is left and for anybody else.
func (s *Store) CloseWatch(ctx context.Context, actor Actor, machine uuid.UUID) error {
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		var id, run, watcher uuid.UUID
		var left time.Duration
		if err := s.pool.QueryRow(ctx, `SELECT id, run, watcher, until - clock_timestamp() FROM watch WHERE machine = $1 AND closed_at IS NULL`, machine).
			Scan(&id, &run, &watcher, &left); err != nil {
			return write{}, err
		}
		if _, ok, err := s.authorisation(ctx, actor.Person, machine); err != nil {
			return write{}, err
		} else if !ok && actor.Person != watcher && !actor.Role.Officer() {
			return write{}, refuse("you hold no valid authorisation for this machine", "its watcher, an operator of it or the safety officer closes the watch")
		}
		if left > 0 {
			return write{}, refuse("the fire watch has "+left.Round(time.Second).String()+" left", "go on watching; confirm at its end")
		}
		return write{
			statements: []statement{{sql: `UPDATE watch SET closed_at = now() WHERE id = $1 AND closed_at IS NULL AND until <= now()`, args: []any{id}, rows: 1}},
			entries: []draft{{kind: logbook.WatchClosed, actor: actor,
				subjects: []logbook.Subject{about(logbook.RoleMachine, machine), about(logbook.RoleRun, run), about("watch", id)}}},
		}, nil
	})
	return err
}
