package db_test

import (
	"context"
	"database/sql"
	"errors"
	"path/filepath"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"kerfgate/checklist"
	"kerfgate/db"
	"kerfgate/db/cluster"
	"kerfgate/db/dbtest"
	"kerfgate/db/migration"
)

// ownServer is a tally on a Postgres of its own that flushes, for a test that kills it.
func ownServer(t *testing.T) tally {
	t.Helper()
	c, err := cluster.New(cluster.Config{Dir: filepath.Join(dbtest.Folder(t), "postgres")})
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- c.Run(ctx) }()
	t.Cleanup(func() { stop(); <-done })
	select {
	case <-c.Ready():
	case err := <-done:
		t.Fatal(err)
	}
	owner, err := sql.Open("pgx", c.URL(cluster.Owner, cluster.Database))
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(migration.Up(t.Context(), owner), owner.Close()); err != nil {
		t.Fatal(err)
	}
	pool, err := pgxpool.New(t.Context(), c.URL(cluster.App, cluster.Database))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(pool.Close)
	shared := dbtest.New(t) // for its keys
	cfg := shared.Config
	cfg.Pool = pool
	store, err := db.New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := store.OpenSite(t.Context(), db.Site{Name: dbtest.Site, Kind: db.SiteWorkshop, FireEdition: checklist.EditionOSHA}); err != nil {
		t.Fatal(err)
	}
	y := tally{&dbtest.Env{Store: store, Database: cluster.Database, Pool: pool, Config: cfg}, t}
	super, err := pgx.Connect(t.Context(), c.URL(cluster.Supervisor, cluster.Database))
	if err != nil {
		t.Fatal(err)
	}
	defer super.Close(t.Context())
	y.tables(super)
	return y
}

// Postgres dies under 16 callers, several times, wherever their batches are. A change that is said to
// be made was made once; one that is said to have failed, never; one of which nobody knows, at most
// once; and the logbook has an entry for each that was made (I6, I7).
func TestWriterServerKilled(t *testing.T) {
	if testing.Short() {
		t.Skip("kills a database server of its own")
	}
	t.Parallel()
	y := ownServer(t)
	before := y.size()
	var answered, unknown [16]int64
	var over atomic.Bool
	var wait sync.WaitGroup
	for i := range 16 {
		wait.Go(func() {
			for !over.Load() {
				switch _, err := y.change(t.Context(), count(i)...); {
				case err == nil:
					answered[i]++
				case errors.Is(err, db.ErrUnknown):
					unknown[i]++
				default:
					time.Sleep(10 * time.Millisecond) // the database is not there
				}
			}
		})
	}
	for range 3 {
		time.Sleep(150 * time.Millisecond)
		y.killBackend()
	}
	for mark := y.entries(); y.entries() < mark+100; { // it goes on by itself
		time.Sleep(10 * time.Millisecond)
	}
	over.Store(true)
	wait.Wait()
	var made int64
	for i := range answered {
		n, traces := y.value(i)
		if n != traces || n < answered[i] || n > answered[i]+unknown[i] {
			t.Errorf("counter %d stands at %d with %d traces; %d changes were made and %d are not known", i, n, traces, answered[i], unknown[i])
		}
		made += n
	}
	if after := y.size(); after != before+made {
		t.Errorf("%d entries for %d changes", after-before, made)
	}
	if _, err := y.CheckLog(t.Context()); err != nil {
		t.Error(err)
	}
	t.Logf("%d changes were made; of %v it is not known", made, unknown)
}

// entries asks until the database answers.
func (y tally) entries() (n int64) {
	for y.Pool.QueryRow(y.t.Context(), `SELECT size FROM log_head`).Scan(&n) != nil && y.t.Context().Err() == nil {
		time.Sleep(10 * time.Millisecond)
	}
	return n
}

// killBackend ends one session's process as a fault in it would; Postgres then ends all others and
// recovers from its log.
func (y tally) killBackend() {
	y.t.Helper()
	for y.t.Context().Err() == nil {
		var pid int
		err := y.Pool.QueryRow(y.t.Context(), `SELECT pid FROM pg_stat_activity WHERE datname = current_database() AND pid <> pg_backend_pid()
			AND state <> 'idle' LIMIT 1`).Scan(&pid)
		if err == nil {
			if err := syscall.Kill(pid, syscall.SIGKILL); err == nil {
				return
			}
		}
		time.Sleep(time.Millisecond)
	}
}
