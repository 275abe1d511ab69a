package bench

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"path/filepath"
	"sync"
	"testing"

	"github.com/jackc/pgx/v5/pgxpool"
	_ "github.com/jackc/pgx/v5/stdlib" // goose speaks database/sql

	"kerfgate/checklist"
	"kerfgate/db"
	"kerfgate/db/cluster"
	"kerfgate/db/dbtest"
	"kerfgate/db/migration"
	"kerfgate/deploy/keyring"
	"kerfgate/queue/broker/embedded"
)

// clients is how many callers press at once wherever many do.
const clients = 16

// ground is what everything stands on: a Postgres that flushes, a broker that flushes, keys.
type ground struct {
	dir    string
	keys   keyring.Keys
	pg     *cluster.Cluster
	broker *embedded.Broker
	pool   *pgxpool.Pool // signed in as the app role, with a connection for every client
	store  *db.Store
}

func newGround(b *testing.B) *ground {
	b.Helper()
	g := &ground{dir: dbtest.Folder(b)}
	var err error
	if g.keys, err = keyring.Open(filepath.Join(g.dir, "keys"), "garden"); err != nil {
		b.Fatal(err)
	}
	serverKey, err := g.keys.Server.PublicKey()
	if err != nil {
		b.Fatal(err)
	}
	if g.pg, err = cluster.New(cluster.Config{Dir: filepath.Join(g.dir, "postgres")}); err != nil {
		b.Fatal(err)
	}
	if g.broker, err = embedded.New(embedded.Config{StoreDir: filepath.Join(g.dir, "nats"), ServerKey: serverKey}); err != nil {
		b.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	var wait sync.WaitGroup
	failed := make(chan error, 2)
	for _, run := range []func(context.Context) error{g.pg.Run, g.broker.Run} {
		wait.Go(func() {
			if err := run(ctx); err != nil {
				failed <- err
			}
		})
	}
	b.Cleanup(func() { stop(); wait.Wait() })
	for _, ready := range []<-chan struct{}{g.pg.Ready(), g.broker.Ready()} {
		select {
		case <-ready:
		case err := <-failed:
			b.Fatal(err)
		}
	}
	owner, err := sql.Open("pgx", g.pg.URL(cluster.Owner, cluster.Database))
	if err != nil {
		b.Fatal(err)
	}
	if err := errors.Join(migration.Up(b.Context(), owner), owner.Close()); err != nil {
		b.Fatal(err)
	}
	if g.pool, err = db.Open(b.Context(), fmt.Sprintf("%s&pool_max_conns=%d", g.pg.URL(cluster.App, cluster.Database), clients)); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(g.pool.Close)
	if g.store, err = g.keys.Store(g.pool, nil); err != nil {
		b.Fatal(err)
	}
	if _, err := g.store.OpenSite(b.Context(), db.Site{Name: "garden", Kind: db.SiteWorkshop, FireEdition: checklist.EditionOSHA}); err != nil {
		b.Fatal(err)
	}
	return g
}

// exec runs SQL as the superuser, for tables that only measure.
func (g *ground) exec(b *testing.B, sql string) {
	b.Helper()
	pool, err := pgxpool.New(b.Context(), g.pg.URL(cluster.Supervisor, cluster.Database))
	if err != nil {
		b.Fatal(err)
	}
	defer pool.Close()
	if _, err := pool.Exec(b.Context(), sql); err != nil {
		b.Fatal(err)
	}
}
