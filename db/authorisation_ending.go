package db

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// EndingAuthorisation is one that will soon hold no more.
type EndingAuthorisation struct {
	Machine uuid.UUID
	Name    string // of the machine
	Person  uuid.UUID
	Who     string
	Until   time.Time
}

// EndingAuthorisations lists those that hold and end within so long, soonest first, at most limit, but for those that
// another one outlasts that covers as much: a person's own, or everybody's for a zero person.
func (s *Store) EndingAuthorisations(ctx context.Context, person uuid.UUID, within time.Duration, limit int) ([]EndingAuthorisation, error) {
	return readAll(ctx, s.pool, pgx.RowToStructByPos[EndingAuthorisation], `WITH holding AS (SELECT a.id, a.person, a.machine, a.groups, least(a.expires_at, greatest(a.granted_at, a.used_at) + make_interval(months => a.idle_months)) AS ends
			FROM authorisation a WHERE a.withdrawn_at IS NULL AND authorisation_holds(a) AND ($1 = '00000000-0000-0000-0000-000000000000'::uuid OR a.person = $1))
		SELECT a.machine, m.name, a.person, p.name, a.ends FROM holding a JOIN machine m ON m.id = a.machine JOIN person p ON p.id = a.person
		WHERE p.disabled_at IS NULL AND a.ends < now() + $2::interval
		  AND NOT EXISTS (SELECT 1 FROM holding later WHERE later.person = a.person AND later.machine = a.machine AND later.id <> a.id AND later.ends > a.ends
			AND (later.groups = '{}' OR a.groups <> '{}' AND a.groups <@ later.groups))
		ORDER BY a.ends, a.id LIMIT $3`, person, within, limit)
}
