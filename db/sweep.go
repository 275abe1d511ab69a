package db

import (
	"context"
	"errors"
	"time"

	"github.com/jackc/pgx/v5"

	"kerfgate/checklist"
	"kerfgate/queue"
)

// permitGrace is how much longer than a permit's age the server waits for taken before it voids:
// the worker's clock decides, the server's only clears up.
const permitGrace = 15 * time.Second

// ExpireChecklists releases the checklists that nobody touched for ten minutes and says how many.
func (s *Store) ExpireChecklists(ctx context.Context) (int, error) {
	return s.expire(ctx, `r.phase = 'checking' AND r.opened_at < now() - $1::interval`, checklist.OpenFor,
		func(_ context.Context, w *write, r Run) error {
			move, err := r.Phase.After(queue.Released)
			if err == nil {
				release(w, Actor{}, r, move, "left for ten minutes")
			}
			return err
		})
}

// ExpirePermits voids the permits that no worker took in time and says how many.
func (s *Store) ExpirePermits(ctx context.Context) (int, error) {
	return s.expire(ctx, `r.phase = 'permitted' AND EXISTS (SELECT 1 FROM permit p
			WHERE p.run = r.id AND p.ended = '' AND p.issued_at < now() - $1::interval)`, permitAgeS*time.Second+permitGrace,
		func(ctx context.Context, w *write, r Run) error {
			move, err := r.Phase.After(queue.Voided)
			if err != nil {
				return err
			}
			_, err = s.voidPermit(ctx, w, Actor{}, r, move, "expired")
			return err
		})
}

// expire moves each run that the condition picks, one change each. The condition is asked again for
// each: whoever touched a run meanwhile keeps it.
func (s *Store) expire(ctx context.Context, where string, age time.Duration, decide func(ctx context.Context, w *write, r Run) error) (int, error) {
	old, err := s.runs(ctx, where, age)
	if err != nil {
		return 0, err
	}
	done := 0
	for _, was := range old {
		_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
			still, err := s.runs(ctx, where+` AND r.id = $2`, age, was.ID)
			if err != nil {
				return write{}, err
			}
			if len(still) == 0 {
				return write{}, queue.ErrMoved
			}
			var w write
			err = decide(ctx, &w, still[0])
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

// ForgetKeys deletes the idempotency keys that no longer bind anything and says how many.
func (s *Store) ForgetKeys(ctx context.Context) (int, error) {
	tag, err := s.pool.Exec(ctx, `DELETE FROM idempotency WHERE at < now() - interval '24 hours'`)
	return int(tag.RowsAffected()), err
}

// plansKept is how long a plan waits for somebody to submit it. It can be made again from its drawing.
const plansKept = 30 * 24 * time.Hour

// forgetAtMost bounds one sweep, so that it never holds much for long.
const forgetAtMost = 200

// ForgetPlans deletes plans that are older than 30 days and that no job and no run refers to, with
// their bytes where nothing else has them, and says how many. The logbook keeps that they were made.
func (s *Store) ForgetPlans(ctx context.Context) (int, error) {
	tx, err := s.pool.Begin(ctx)
	if err != nil {
		return 0, err
	}
	defer func() { _ = tx.Rollback(context.WithoutCancel(ctx)) }()
	// Two servers that sweep at once take different ones. A job that is submitted at this very moment
	// refers to the blob, which its foreign key then keeps.
	digests, err := readAll(ctx, tx, pgx.RowTo[[]byte], `DELETE FROM plan WHERE ctid = ANY(ARRAY(SELECT p.ctid FROM plan p WHERE p.made_at < now() - $1::interval
			AND NOT EXISTS (SELECT 1 FROM job j WHERE j.plan = p.digest) AND NOT EXISTS (SELECT 1 FROM run r WHERE r.plan = p.digest)
			LIMIT $2 FOR UPDATE SKIP LOCKED)) RETURNING digest`, plansKept, forgetAtMost)
	if err != nil || len(digests) == 0 {
		return 0, err
	}
	if _, err := tx.Exec(ctx, `DELETE FROM blob b WHERE b.digest = ANY($1)
			AND NOT EXISTS (SELECT 1 FROM plan WHERE digest = b.digest) AND NOT EXISTS (SELECT 1 FROM job WHERE plan = b.digest)
			AND NOT EXISTS (SELECT 1 FROM run WHERE plan = b.digest OR picture = b.digest) AND NOT EXISTS (SELECT 1 FROM drawing WHERE digest = b.digest)`, digests); err != nil {
		return 0, meaning(err)
	}
	return len(digests), tx.Commit(ctx)
}
