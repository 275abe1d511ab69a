// Package db keeps everything in Postgres. Every change of state is one transaction together with
// its logbook entry (I6); Store.commit in change.go is the only write path.
//
// Who is authoritative: Postgres for what was decided, the workers' journals for what moved (I2,
// I14). Nothing here asks what a change means: rules stand in plan, queue and checklist.
package db

import (
	"context"
	"crypto/rand"
	"errors"
	"log/slog"
	"sync/atomic"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"golang.org/x/mod/sumdb/note"
)

// Config is what a Store needs. All fields but Log and Location are required.
type Config struct {
	Pool *pgxpool.Pool // signed in as the app role
	// PermitSigner signs statements to workers, LogSigner heads; the verifiers go with them.
	PermitSigner   note.Signer
	PermitVerifier string
	LogSigner      note.Signer
	LogVerifier    string
	// Location is the site's time zone, for months and pages. Nil means the machine's.
	Location *time.Location
	Log      *slog.Logger
}

// Store is the database. Safe for concurrent use.
type Store struct {
	cfg        Config
	pool       *pgxpool.Pool
	log        *slog.Logger
	writer     writer
	commitHook atomic.Pointer[func(index int64)]
}

// New checks the configuration; it does not connect.
func New(cfg Config) (*Store, error) {
	if cfg.Pool == nil || cfg.PermitSigner == nil || cfg.LogSigner == nil {
		return nil, errors.New("db: pool, permit signer and log signer are required")
	}
	if cfg.Log == nil {
		cfg.Log = slog.Default()
	}
	if cfg.Location == nil {
		cfg.Location = time.Local
	}
	s := &Store{cfg: cfg, pool: cfg.Pool, log: cfg.Log}
	s.writer = writer{pool: cfg.Pool, log: cfg.Log, committed: func(index int64) {
		if hook := s.commitHook.Load(); hook != nil {
			(*hook)(index)
		}
	}}
	return s, nil
}

// SetCommitHook names the function that is called after each commit, before the changes in it are
// answered, with the index of the newest entry. It must not block.
func (s *Store) SetCommitHook(hook func(index int64)) { s.commitHook.Store(&hook) }

// Ready says whether the database answers.
func (s *Store) Ready(ctx context.Context) error { return s.pool.Ping(ctx) }

// Location is the site's time zone.
func (s *Store) Location() *time.Location { return s.cfg.Location }

// newSalt makes the salt with which a text's digest stands in the logbook.
func newSalt() []byte {
	salt := make([]byte, 16)
	_, _ = rand.Read(salt) // never fails: crypto/rand ends the program instead
	return salt
}

// newID makes a UUIDv7. It fails only where the machine has no randomness.
func newID() uuid.UUID { return uuid.Must(uuid.NewV7()) }

// querier is the pool or a transaction.
type querier interface {
	Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error)
}

// readAll reads the rows of one query, each as scan makes it.
func readAll[T any](ctx context.Context, on querier, scan pgx.RowToFunc[T], sql string, args ...any) ([]T, error) {
	rows, err := on.Query(ctx, sql, args...)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, scan)
}

// readOne reads the row of a query for one. Errors: ErrNotFound.
func readOne[T any](ctx context.Context, on querier, scan pgx.RowToFunc[T], sql string, args ...any) (one T, err error) {
	rows, err := on.Query(ctx, sql, args...)
	if err != nil {
		return one, err
	}
	one, err = pgx.CollectExactlyOneRow(rows, scan)
	return one, meaning(err)
}

// only is the one row of a list that was asked for by its key. Errors: ErrNotFound.
func only[T any](list []T, err error) (one T, _ error) {
	if err != nil {
		return one, err
	}
	if len(list) == 0 {
		return one, ErrNotFound
	}
	return list[0], nil
}

// readMap reads the rows of a query for two columns: the second by the first.
func readMap[K comparable, V any](ctx context.Context, on querier, sql string, args ...any) (map[K]V, error) {
	rows, err := on.Query(ctx, sql, args...)
	if err != nil {
		return nil, err
	}
	all := make(map[K]V)
	var key K
	var value V
	_, err = pgx.ForEachRow(rows, []any{&key, &value}, func() error {
		all[key] = value
		return nil
	})
	return all, err
}

// planOnce has the database keep one plan for all values of a statement's parameters. To find rows by their
// keys the plan is the same whatever the key; made anew for each use, as is done where a guess at an array's
// length makes it look dear, it takes longer than what it finds. Lists do without: what is best for them
// depends on what they are asked for.
const planOnce = `plan_cache_mode = force_generic_plan`

// read sends reads by key together, in one round trip; each hands its rows to whoever queued it. Where one fails the
// database takes the setting back with the rest.
func (s *Store) read(ctx context.Context, reads *pgx.Batch) error {
	var all pgx.Batch
	all.Queue(`SET ` + planOnce)
	all.QueuedQueries = append(all.QueuedQueries, reads.QueuedQueries...)
	all.Queue(`RESET plan_cache_mode`)
	return s.pool.SendBatch(ctx, &all).Close()
}
