package db_test

import (
	"errors"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"kerfgate/db/cluster"
)

// ownerEdits runs statements as the owner of the tables.
func ownerEdits(t *testing.T, w *worker, sql string) {
	t.Helper()
	if err := as(t, w, cluster.Owner, sql); err != nil {
		t.Fatal(err)
	}
}

func as(t *testing.T, w *worker, role, sql string) error {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), w.URL(role))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(t.Context())
	_, err = conn.Exec(t.Context(), sql)
	return err
}

// The logbook can only grow, for the server's role by its grants and for the owner by the triggers
// (I7, F28). What an owner may still do, disabling the triggers, is what outside heads are for.
func TestI7_AppendOnly(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	w.Submit(t, 1)
	before := size(t, w)
	attempts := []string{
		`UPDATE log_entry SET kind = 'x' WHERE index = 1`,
		`DELETE FROM log_entry WHERE index = 1`,
		`TRUNCATE log_entry CASCADE`,
		`INSERT INTO log_entry (index, data, at, kind) VALUES (1, '\x0102', now(), 'x') ON CONFLICT (index) DO UPDATE SET kind = 'x'`,
		`MERGE INTO log_entry USING (SELECT 1) s ON index = 1 WHEN MATCHED THEN DELETE`,
		`INSERT INTO log_entry (index, data, at, kind) VALUES (100000, '\x0102', now(), 'gap')`,
		`DELETE FROM log_hash WHERE index = 1`,
		`UPDATE log_hash SET hash = hash`,
		`DELETE FROM log_subject`,
		`UPDATE log_signed_head SET note = ''`,
		`DELETE FROM burn`,
	}
	for _, sql := range attempts {
		for _, role := range []string{cluster.App, cluster.Owner} {
			var pg *pgconn.PgError
			err := as(t, w, role, sql)
			// An owner's DELETE of no row fires no row trigger and changes nothing.
			if sql == `DELETE FROM burn` && role == cluster.Owner {
				continue
			}
			if sql == `UPDATE log_signed_head SET note = ''` && role == cluster.Owner {
				continue // no head is kept yet
			}
			if !errors.As(err, &pg) {
				t.Errorf("%s may: %s (%v)", role, sql, err)
			}
		}
	}
	for _, sql := range []string{
		`ALTER TABLE log_entry DISABLE TRIGGER ALL`, `DROP TABLE log_entry CASCADE`, `SET session_replication_role = replica`,
		`SELECT * FROM log_entry FOR UPDATE`, `CREATE TABLE mine (a int)`, `DROP TRIGGER log_entry_keep ON log_entry`,
		`UPDATE log_head SET one = true`, `DELETE FROM run`, `DELETE FROM sign_off`, `DELETE FROM permit`,
	} {
		var pg *pgconn.PgError
		if err := as(t, w, cluster.App, sql); !errors.As(err, &pg) {
			t.Errorf("the server's role may: %s (%v)", sql, err)
		}
	}
	if err := as(t, w, cluster.Reader, `SELECT password_hash FROM person`); err == nil {
		t.Error("the reader may read password hashes")
	}
	if after := size(t, w); after != before {
		t.Errorf("%d entries became %d", before, after)
	}
	if _, err := w.CheckLog(t.Context()); err != nil {
		t.Error(err)
	}
}
