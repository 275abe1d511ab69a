// Package dbtest gives each test a database of its own on a real Postgres: one private server a
// test binary, one migrated template, a clone a test.
package dbtest

import (
	"context"
	"crypto/rand"
	"database/sql"
	"encoding/hex"
	"fmt"
	"log"
	"os"
	"path/filepath"
	"sync"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	_ "github.com/jackc/pgx/v5/stdlib" // goose speaks database/sql
	"golang.org/x/mod/sumdb/note"

	"kerfgate/checklist"
	"kerfgate/checklist/permit"
	"kerfgate/db"
	"kerfgate/db/cluster"
	"kerfgate/db/logbook"
	"kerfgate/db/migration"
)

// Site is the name of every test site.
const Site = "garden"

var server struct {
	sync.Mutex
	cluster *cluster.Cluster
}

// Folder is one that the database's own user may pass through too, unlike t.TempDir; it goes with the test.
func Folder(t testing.TB) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "kg-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := os.RemoveAll(dir); err != nil {
			t.Error(err)
		}
	})
	if err := os.Chmod(dir, 0o711); err != nil {
		t.Fatal(err)
	}
	return dir
}

// Main runs a package's tests with a private Postgres. A package's TestMain calls it:
//
//	func TestMain(m *testing.M) { os.Exit(dbtest.Main(m)) }
//
// Without a Postgres on the machine the tests fail; they are never skipped for that.
func Main(m *testing.M) int {
	dir, err := os.MkdirTemp("", "kerfgate-dbtest-")
	if err != nil {
		log.Print(err)
		return 1
	}
	defer func() { _ = os.RemoveAll(dir) }() // a leftover temporary folder fails nothing
	// As root the server runs as another user, who must be able to pass through.
	if err := os.Chmod(dir, 0o711); err != nil {
		log.Print(err)
		return 1
	}
	c, err := cluster.New(cluster.Config{Dir: filepath.Join(dir, "postgres"), Volatile: true})
	if err != nil {
		log.Print(err)
		return 1
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- c.Run(ctx) }()
	select {
	case <-c.Ready():
	case err := <-done:
		cancel()
		log.Printf("private Postgres for tests: %v", err)
		return 1
	}
	server.cluster = c
	code := 1
	if err := migrateTemplate(ctx, c); err != nil {
		log.Print(err)
	} else {
		code = m.Run()
	}
	cancel()
	if err := <-done; err != nil {
		log.Printf("stopping Postgres: %v", err)
		return 1
	}
	return code
}

func migrateTemplate(ctx context.Context, c *cluster.Cluster) error {
	owner, err := sql.Open("pgx", c.URL(cluster.Owner, cluster.Database))
	if err != nil {
		return err
	}
	if err := migration.Up(ctx, owner); err != nil {
		return err
	}
	return owner.Close()
}

// Env is one test's database with everything around it.
type Env struct {
	*db.Store
	Database string
	// Pool is signed in as the app role, as the server is.
	Pool         *pgxpool.Pool
	LogKey       string // verifier keys
	PermitKey    string
	PermitVerify note.Verifiers
	LogVerify    note.Verifiers
	PermitSecret string
	Config       db.Config

	memories int // how many were made, see Remember
}

// URL is the test database's connection string for a role of package cluster.
func (e *Env) URL(role string) string { return server.cluster.URL(role, e.Database) }

// New clones the template, opens the site and returns a store on it.
func New(t testing.TB) *Env {
	t.Helper()
	ctx := t.Context()
	if server.cluster == nil {
		t.Fatal("dbtest: the package's TestMain must call dbtest.Main")
	}
	var suffix [8]byte
	if _, err := rand.Read(suffix[:]); err != nil {
		t.Fatal(err)
	}
	name := "test_" + hex.EncodeToString(suffix[:])
	admin(t, fmt.Sprintf(`CREATE DATABASE %s TEMPLATE %s STRATEGY file_copy`, name, cluster.Database))
	e := &Env{Database: name}
	pool, err := db.Open(ctx, e.URL(cluster.App))
	if err != nil {
		t.Fatal(err)
	}
	e.Pool = pool
	t.Cleanup(func() {
		pool.Close()
		admin(t, fmt.Sprintf(`DROP DATABASE %s WITH (FORCE)`, name))
	})
	e.keys(t)
	if _, err := e.OpenSite(ctx, db.Site{Name: Site, Kind: db.SiteWorkshop, FireEdition: checklist.EditionOSHA}); err != nil {
		t.Fatal(err)
	}
	return e
}

func (e *Env) keys(t testing.TB) {
	t.Helper()
	permitSecret, permitPublic, err := permit.GenerateKey(permit.KeyName(Site))
	if err != nil {
		t.Fatal(err)
	}
	logSecret, logPublic, err := note.GenerateKey(rand.Reader, logbook.LogKeyName(Site))
	if err != nil {
		t.Fatal(err)
	}
	permitSigner, err := note.NewSigner(permitSecret)
	if err != nil {
		t.Fatal(err)
	}
	logSigner, err := note.NewSigner(logSecret)
	if err != nil {
		t.Fatal(err)
	}
	e.LogKey, e.PermitKey, e.PermitSecret = logPublic, permitPublic, permitSecret
	if e.PermitVerify, err = permit.Verifiers(permitPublic); err != nil {
		t.Fatal(err)
	}
	logVerifier, err := note.NewVerifier(logPublic)
	if err != nil {
		t.Fatal(err)
	}
	e.LogVerify = note.VerifierList(logVerifier)
	e.Config = db.Config{Pool: e.Pool, PermitSigner: permitSigner, PermitVerifier: permitPublic, LogSigner: logSigner, LogVerifier: logPublic}
	e.Store, err = db.New(e.Config)
	if err != nil {
		t.Fatal(err)
	}
}

// admin runs one statement as the superuser on the server's own database. Databases are cloned one
// at a time: Postgres refuses a template that somebody else is copying.
func admin(t testing.TB, statement string) {
	t.Helper()
	server.Lock()
	defer server.Unlock()
	ctx := context.WithoutCancel(t.Context()) // clean-up runs after the test's own context ended
	conn, err := pgx.Connect(ctx, server.cluster.URL(cluster.Supervisor, "postgres"))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(ctx)
	if _, err := conn.Exec(ctx, statement); err != nil {
		t.Fatal(err)
	}
}

// Backup makes another database of this one as it stands, with the same keys: what a restore of
// today's backup will be. Nothing else may use the database meanwhile.
func (e *Env) Backup(t testing.TB) *Env {
	t.Helper()
	e.Pool.Reset() // a template must have no other session
	return e.beside(t, "_backup", "TEMPLATE "+e.Database+" STRATEGY file_copy")
}

// Empty makes another database with the same keys and nothing in it.
func (e *Env) Empty(t testing.TB) *Env {
	t.Helper()
	return e.beside(t, "_empty", "OWNER "+cluster.Owner+" TEMPLATE template0 ENCODING 'UTF8' LOCALE 'C'")
}

func (e *Env) beside(t testing.TB, suffix, how string) *Env {
	t.Helper()
	b := *e
	b.Database = e.Database + suffix
	admin(t, fmt.Sprintf(`CREATE DATABASE %s %s`, b.Database, how))
	pool, err := db.Open(t.Context(), b.URL(cluster.App))
	if err != nil {
		t.Fatal(err)
	}
	b.Pool, b.Config.Pool = pool, pool
	t.Cleanup(func() {
		pool.Close()
		admin(t, fmt.Sprintf(`DROP DATABASE %s WITH (FORCE)`, b.Database))
	})
	if b.Store, err = db.New(b.Config); err != nil {
		t.Fatal(err)
	}
	return &b
}
