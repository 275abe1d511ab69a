package db

import (
	"context"
	"time"

	"github.com/google/uuid"
)

// EndingAuthorisation is one that will soon hold no more.
type EndingAuthorisation struct {
	Machine uuid.UUID
	Name    string // of the machine
	Person  uuid.UUID
	Who     string
	Until   time.Time
}

// EndingAuthorisations lists those that hold and end within so long, soonest first, at most limit: a person's own, or
// everybody's for a zero person.
func (s *Store) EndingAuthorisations(ctx context.Context, person uuid.UUID, within time.Duration, limit int) ([]EndingAuthorisation, error) {
	rows, err := s.pool.Query(ctx, `SELECT a.machine, m.name, a.person, p.name, e.ends FROM authorisation a JOIN machine m ON m.id = a.machine JOIN person p ON p.id = a.person
		CROSS JOIN LATERAL (SELECT least(a.expires_at, greatest(a.granted_at, a.used_at) + make_interval(months => a.idle_months)) AS ends) e
		WHERE a.withdrawn_at IS NULL AND p.disabled_at IS NULL AND authorisation_holds(a) AND e.ends < now() + $2::interval
		  AND ($1 = '00000000-0000-0000-0000-000000000000'::uuid OR a.person = $1)
		  AND NOT EXISTS (SELECT 1 FROM authorisation later WHERE later.person = a.person AND later.machine = a.machine AND later.id <> a.id
			AND later.withdrawn_at IS NULL AND authorisation_holds(later)
			AND least(later.expires_at, greatest(later.granted_at, later.used_at) + make_interval(months => later.idle_months)) > e.ends)
		ORDER BY e.ends, a.id LIMIT $3`, person, within, limit)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var all []EndingAuthorisation
	for rows.Next() {
		var n EndingAuthorisation
		if err := rows.Scan(&n.Machine, &n.Name, &n.Person, &n.Who, &n.Until); err != nil {
			return nil, err
		}
		all = append(all, n)
	}
	return all, rows.Err()
}
