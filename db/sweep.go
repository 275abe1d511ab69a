package db

import (
	"context"
	"errors"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/checklist"
	"kerfgate/queue"
)

// permitGrace is how much longer than a permit's age the server waits for taken before it voids:
// the worker's clock decides, the server's only clears up.
const permitGrace = 15 * time.Second

// ExpireChecklists releases the checklists that nobody touched for ten minutes and says how many.
func (s *Store) ExpireChecklists(ctx context.Context) (int, error) {
	return s.expire(ctx, `SELECT id FROM run WHERE phase = 'checking' AND opened_at < now() - $1::interval`, checklist.OpenFor,
		func(ctx context.Context, w *write, r Run) error {
			move, err := r.Phase.After(queue.Released)
			if err == nil {
				release(w, Actor{}, r, move, "left for ten minutes")
			}
			return err
		})
}

// ExpirePermits voids the permits that no worker took in time and says how many.
func (s *Store) ExpirePermits(ctx context.Context) (int, error) {
	return s.expire(ctx, `SELECT p.run FROM permit p JOIN run r ON r.id = p.run AND r.phase = 'permitted'
			WHERE p.ended = '' AND p.issued_at < now() - $1::interval`, permitAgeS*time.Second+permitGrace,
		func(ctx context.Context, w *write, r Run) error {
			move, err := r.Phase.After(queue.Voided)
			if err != nil {
				return err
			}
			_, err = s.voidPermit(ctx, w, Actor{}, r, move, "expired")
			return err
		})
}

func (s *Store) expire(ctx context.Context, sql string, age time.Duration, decide func(ctx context.Context, w *write, r Run) error) (int, error) {
	rows, err := s.pool.Query(ctx, sql, age)
	if err != nil {
		return 0, err
	}
	ids, err := pgx.CollectRows(rows, pgx.RowTo[uuid.UUID])
	if err != nil {
		return 0, err
	}
	done := 0
	for _, id := range ids {
		_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
			r, err := s.run(ctx, id)
			if err != nil {
				return write{}, err
			}
			var w write
			err = decide(ctx, &w, r)
			return w, err
		})
		switch {
		case err == nil:
			done++
		case errors.Is(err, queue.ErrMoved), errors.Is(err, ErrConflict):
			// Somebody moved it between the two reads, which is what was wanted.
		default:
			return done, err
		}
	}
	return done, nil
}
