package dbtest

import (
	"context"
	"fmt"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"

	"kerfgate/db/cluster"
)

// Memory is the database as it stood once.
type Memory struct {
	e          *Env
	keep, back string
}

// Remember keeps the database as it stands and gives the way back to it: a restored backup, or a fresh
// start for the next of many short histories. Keeping again and going back take milliseconds, where a
// clone takes a tenth of a second. Only the superuser can do it, past the triggers that keep the
// logbook append-only for everybody else; they are on again before anybody sees the rows.
func (e *Env) Remember(t testing.TB) *Memory {
	t.Helper()
	e.memories++
	schema := fmt.Sprintf("remembered_%d", e.memories)
	var make, keep, back strings.Builder
	fmt.Fprintf(&make, "CREATE SCHEMA %s;", schema)
	keep.WriteString("BEGIN;")
	back.WriteString("BEGIN; SET LOCAL session_replication_role = replica;")
	// Foreign keys are not asked in a replica; triggers that are always on are switched off by name.
	guarded := e.list(t, `SELECT DISTINCT tgrelid::regclass::text FROM pg_trigger WHERE tgenabled = 'A' ORDER BY 1`)
	for _, table := range guarded {
		fmt.Fprintf(&back, "ALTER TABLE %s DISABLE TRIGGER USER;", table)
	}
	for _, table := range e.list(t, `SELECT relname::text FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace
			WHERE n.nspname = 'public' AND relkind = 'r' AND relname NOT IN ('goose_db_version', 'phase_move') ORDER BY 1`) {
		fmt.Fprintf(&make, "CREATE UNLOGGED TABLE %[1]s.%[2]s AS SELECT * FROM public.%[2]s;", schema, table)
		fmt.Fprintf(&keep, "DELETE FROM %[1]s.%[2]s; INSERT INTO %[1]s.%[2]s SELECT * FROM public.%[2]s;", schema, table)
		fmt.Fprintf(&back, "DELETE FROM public.%[2]s; INSERT INTO public.%[2]s OVERRIDING SYSTEM VALUE SELECT * FROM %[1]s.%[2]s;", schema, table)
	}
	for _, on := range e.list(t, `SELECT format('ALTER TABLE %s ENABLE %s TRIGGER %I;', tgrelid::regclass, CASE tgenabled WHEN 'A' THEN 'ALWAYS' ELSE '' END, tgname)
			FROM pg_trigger WHERE NOT tgisinternal AND tgenabled IN ('A', 'O')
			AND tgrelid IN (SELECT tgrelid FROM pg_trigger WHERE tgenabled = 'A') ORDER BY 1`) {
		back.WriteString(on)
	}
	keep.WriteString("COMMIT")
	back.WriteString("COMMIT")
	e.supervise(t, make.String())
	return &Memory{e: e, keep: keep.String(), back: back.String()}
}

// Keep makes the memory one of now.
func (m *Memory) Keep(t testing.TB) { t.Helper(); m.e.supervise(t, m.keep) }

// Back makes the database what it was.
func (m *Memory) Back(t testing.TB) { t.Helper(); m.e.supervise(t, m.back) }

// supervise runs statements in this database as the superuser.
func (e *Env) supervise(t testing.TB, statements string) {
	t.Helper()
	e.supervisor(t, func(ctx context.Context, conn *pgx.Conn) error {
		_, err := conn.Exec(ctx, statements)
		return err
	})
}

func (e *Env) list(t testing.TB, query string) (list []string) {
	t.Helper()
	e.supervisor(t, func(ctx context.Context, conn *pgx.Conn) error {
		rows, err := conn.Query(ctx, query)
		if err != nil {
			return err
		}
		list, err = pgx.CollectRows(rows, pgx.RowTo[string])
		return err
	})
	return list
}

func (e *Env) supervisor(t testing.TB, do func(ctx context.Context, conn *pgx.Conn) error) {
	t.Helper()
	ctx := t.Context()
	conn, err := pgx.Connect(ctx, e.URL(cluster.Supervisor))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(ctx)
	if err := do(ctx, conn); err != nil {
		t.Fatal(err)
	}
}
