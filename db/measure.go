package db

import (
	"context"
	"sync/atomic"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/queue"
)

// Measures are numbers of how much there is and how it flows: of the database, and of this server's way to it
// since it was started.
type Measures struct {
	Open      []OpenRuns
	LogSize   int64
	Followers map[string]int64 // entries that each has still to read
	// Batches that the writer has put together, the changes in them, and how long their callers waited in all.
	Batches, Changes int64
	Waited           time.Duration
	Pool             PoolMeasures
}

// OpenRuns are how many runs of a machine are in one phase; closed ones are not counted.
type OpenRuns struct {
	Machine uuid.UUID
	Phase   queue.Phase
	Count   int64
}

// PoolMeasures are of the connections to the database.
type PoolMeasures struct {
	Used, Idle, Most int64
	// Full is how often nobody's was free, and Waited how long callers waited for one in all.
	Full   int64
	Waited time.Duration
}

// measured counts what the writer does.
type measured struct{ batches, changes, waitedNS atomic.Int64 }

// Measure reads them: one round trip.
func (s *Store) Measure(ctx context.Context) (Measures, error) {
	m := Measures{Followers: map[string]int64{}, Batches: s.writer.measured.batches.Load(), Changes: s.writer.measured.changes.Load(),
		Waited: time.Duration(s.writer.measured.waitedNS.Load())}
	stat := s.pool.Stat()
	m.Pool = PoolMeasures{Used: int64(stat.AcquiredConns()), Idle: int64(stat.IdleConns()), Most: int64(stat.MaxConns()),
		Full: stat.EmptyAcquireCount(), Waited: stat.AcquireDuration()}
	var b pgx.Batch
	b.Queue(`SELECT machine, phase, count(*) FROM run WHERE phase <> 'closed' GROUP BY machine, phase ORDER BY machine, phase`).Query(func(rows pgx.Rows) (err error) {
		m.Open, err = pgx.CollectRows(rows, pgx.RowToStructByPos[OpenRuns])
		return err
	})
	b.Queue(`SELECT f.name, l.size - f.next, l.size FROM log_head l LEFT JOIN follower f ON true`).Query(func(rows pgx.Rows) error {
		var name *string
		var behind *int64
		_, err := pgx.ForEachRow(rows, []any{&name, &behind, &m.LogSize}, func() error {
			if name != nil {
				m.Followers[*name] = *behind
			}
			return nil
		})
		return err
	})
	return m, s.read(ctx, &b)
}
