package db

import (
	"context"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/db/logbook"
	"kerfgate/queue/broker"
)

// Follow gives the entries from where the follower stands, ascending, at most limit. A follower
// that is new starts at the first entry.
func (s *Store) Follow(ctx context.Context, follower string, limit int) ([]broker.Followed, error) {
	return readAll(ctx, s.pool, func(row pgx.CollectableRow) (f broker.Followed, err error) {
		var data []byte
		if err = row.Scan(&f.Index, &data); err != nil {
			return f, err
		}
		entry, err := logbook.Decode(data)
		if err != nil {
			return f, err
		}
		f.Kind = string(entry.Kind)
		if id, ok := entry.Subject(logbook.RoleMachine); ok {
			f.Machine = uuid.UUID(id)
		}
		if id, ok := entry.Subject(logbook.RoleRun); ok {
			f.Run = uuid.UUID(id)
		}
		return f, nil
	}, `SELECT index, data FROM log_entry
		WHERE index >= coalesce((SELECT next FROM follower WHERE name = $1), 0) ORDER BY index LIMIT $2`, follower, limit)
}

// SetFollowed moves a follower to next; never back.
func (s *Store) SetFollowed(ctx context.Context, follower string, next int64) error {
	_, err := s.pool.Exec(ctx, `INSERT INTO follower (name, next) VALUES ($1, $2)
		ON CONFLICT (name) DO UPDATE SET next = greatest(follower.next, excluded.next)`, follower, next)
	return err
}
