// Package backup writes the site's database to one file and makes a database of such a file again,
// closed until the workers' journals were heard. The site's keys are no part of it: whoever holds
// both could sign anything, so they are kept apart.
package backup

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"

	_ "github.com/jackc/pgx/v5/stdlib" // goose speaks database/sql

	"kerfgate/db"
	"kerfgate/db/cluster"
	"kerfgate/db/migration"
	"kerfgate/deploy/keyring"
)

// Database is what is backed up, or made anew.
type Database struct {
	URL   string // signed in as the owner role
	PGBin string // folder of pg_dump and pg_restore; empty looks for them
}

// ErrNotEmpty is returned for a restore over something that is there.
var ErrNotEmpty = errors.New("the database is not empty")

// Write writes the database as it stands to one file of mode 0600, whole or not at all. The server
// may go on meanwhile. What is in the file lets nobody sign, but it holds password hashes, drawings
// and names: keep it as you keep those.
func (d Database) Write(ctx context.Context, path string) error {
	if _, err := os.Stat(path); err == nil {
		return fmt.Errorf("%s exists; choose another name", path)
	}
	if err := db.CheckURL(d.URL); err != nil {
		return err
	}
	temp := path + ".part"
	// Made before pg_dump does, which would take the mode that the umask leaves.
	file, err := os.OpenFile(temp, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	err = d.run(ctx, "pg_dump", "--format=custom", "--no-owner", "--file="+temp, "--dbname="+d.URL)
	if err == nil {
		err = file.Sync()
	}
	if err := errors.Join(err, file.Close()); err != nil {
		return errors.Join(err, os.Remove(temp))
	}
	if err := os.Rename(temp, path); err != nil {
		return err
	}
	return syncFolder(filepath.Dir(path))
}

func syncFolder(name string) error {
	dir, err := os.Open(name)
	if err != nil {
		return err
	}
	return errors.Join(dir.Sync(), dir.Close())
}

// Restore fills an empty database from a file, brings it to this version's schema and closes the
// site (I14). heads are signed heads kept elsewhere, which prove what the backup lacks. Errors:
// ErrNotEmpty, db.ErrOtherLog.
func (d Database) Restore(ctx context.Context, path string, keys keyring.Keys, heads ...[]byte) (done db.Restoration, err error) {
	pool, err := db.Open(ctx, d.URL)
	if err != nil {
		return done, err
	}
	defer pool.Close()
	var empty bool
	if err := pool.QueryRow(ctx, `SELECT NOT EXISTS (SELECT 1 FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace
		WHERE n.nspname = 'public')`).Scan(&empty); err != nil {
		return done, err
	}
	if !empty {
		return done, fmt.Errorf("%w\n  a restore overwrites nothing: make a new database (kerfgate roles) and name that one", ErrNotEmpty)
	}
	if err := d.run(ctx, "pg_restore", "--no-owner", "--exit-on-error", "--single-transaction", "--dbname="+d.URL, path); err != nil {
		return done, err
	}
	owner, err := sql.Open("pgx", d.URL)
	if err != nil {
		return done, err
	}
	if err := errors.Join(migration.Up(ctx, owner), owner.Close()); err != nil {
		return done, err
	}
	store, err := keys.Store(pool, nil)
	if err != nil {
		return done, err
	}
	return store.Restored(ctx, heads...)
}

// run runs one of Postgres's own programs. What it says in failing is the error.
func (d Database) run(ctx context.Context, name string, args ...string) error {
	program := name
	if found, err := cluster.Find(ctx, d.PGBin, ""); err == nil {
		if path := filepath.Join(found.Dir, name); fileExists(path) {
			program = path
		}
	}
	cmd := exec.CommandContext(ctx, program, args...)
	var said bytes.Buffer
	cmd.Stderr = &said
	if err := cmd.Run(); err != nil {
		if errors.Is(err, exec.ErrNotFound) {
			return fmt.Errorf("%s is not installed here\n  install this system's PostgreSQL client programs, or name their folder with --pg-bin", name)
		}
		return fmt.Errorf("%s: %s", name, strings.TrimSpace(said.String()))
	}
	return nil
}

func fileExists(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}
