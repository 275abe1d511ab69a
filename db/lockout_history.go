package db

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// PastLockout is a lockout that was lifted.
type PastLockout struct {
	Reason       string
	SetName      string
	SetAt        time.Time
	LiftedName   string
	LiftedAt     time.Time
	LiftedReason string
}

// PastLockouts lists a machine's lockouts that were lifted, newest first, at most limit.
func (s *Store) PastLockouts(ctx context.Context, machine uuid.UUID, limit int) ([]PastLockout, error) {
	return readAll(ctx, s.pool, pgx.RowToStructByPos[PastLockout], `SELECT l.reason, coalesce(sp.name, 'the system'), l.set_at, coalesce(lp.name, ''), l.lifted_at, coalesce(l.lifted_reason, '')
		FROM lockout l LEFT JOIN person sp ON sp.id = l.set_by LEFT JOIN person lp ON lp.id = l.lifted_by
		WHERE l.machine = $1 AND l.lifted_at IS NOT NULL ORDER BY l.lifted_at DESC LIMIT $2`, machine, limit)
}
