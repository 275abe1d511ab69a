package cluster

import (
	"context"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5/pgconn"
)

// Database is the name of the one database.
const Database = "kerfgate"

// Roles. On a shared server the administrator's own superuser takes the place
// of Supervisor.
const (
	Supervisor = "kerfgate_supervisor" // superuser of the private server
	Owner      = "kerfgate_owner"      // owns the database; signs in for migrations only
	App        = "kerfgate_app"        // the running server
	Reader     = "kerfgate_reader"     // reads only
)

// rolesSQL works in any database of the server. A role that exists is brought
// back to these attributes; its password stays.
const rolesSQL = `
DO $$
DECLARE name text;
BEGIN
  -- Roles belong to the whole server: two that prepare at once must not collide.
  PERFORM pg_advisory_xact_lock(hashtext('kerfgate roles'));
  FOREACH name IN ARRAY ARRAY['kerfgate_owner', 'kerfgate_app', 'kerfgate_reader'] LOOP
    IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = name) THEN
      EXECUTE format('CREATE ROLE %I', name);
    END IF;
    EXECUTE format('ALTER ROLE %I LOGIN NOSUPERUSER NOCREATEDB NOCREATEROLE NOREPLICATION NOBYPASSRLS', name);
  END LOOP;
END $$;
ALTER ROLE kerfgate_reader SET default_transaction_read_only = on;
-- A server that stands still in the middle of a change holds the logbook's head, and with it every
-- other server; its change is rolled back instead.
ALTER ROLE kerfgate_app SET idle_in_transaction_session_timeout = '10s';
`

// The locale is fixed so that text sorts alike on every server.
const createSQL = `CREATE DATABASE kerfgate OWNER kerfgate_owner TEMPLATE template0 ENCODING 'UTF8' LOCALE 'C'`

// grantsSQL works in the database kerfgate. Before version 15 everybody could
// create objects in the schema public.
const grantsSQL = `
ALTER DATABASE kerfgate OWNER TO kerfgate_owner;
REVOKE ALL ON DATABASE kerfgate FROM PUBLIC;
GRANT CONNECT ON DATABASE kerfgate TO kerfgate_owner, kerfgate_app, kerfgate_reader;
ALTER SCHEMA public OWNER TO kerfgate_owner;
REVOKE ALL ON SCHEMA public FROM PUBLIC;
GRANT USAGE ON SCHEMA public TO kerfgate_app, kerfgate_reader;
`

// RolesSQL returns a psql script that does on a shared server, run by a
// superuser, what [Prepare] does. It may be run again. It sets no passwords.
func RolesSQL() string {
	return "-- Roles and database of kerfgate. Run as a superuser: psql -d postgres -f this-file\n" +
		"\\set ON_ERROR_STOP on" + rolesSQL +
		"SELECT $create$" + createSQL + "$create$\n" +
		"WHERE NOT EXISTS (SELECT FROM pg_database WHERE datname = 'kerfgate') \\gexec\n" +
		"\\connect kerfgate" + grantsSQL +
		"-- Passwords, if your server asks for them:\n" +
		"--   \\password kerfgate_owner\n" +
		"--   \\password kerfgate_app\n" +
		"--   \\password kerfgate_reader\n"
}

// undefinedDatabase is SQLSTATE invalid_catalog_name, what a server answers to
// a connection to a database that does not exist.
const undefinedDatabase = "3D000"

// Prepare makes the roles and the database, or brings them back to what they
// should be. url is a superuser's connection string to any other database of
// the server, such as "postgres". Prepare may be called again at any time; if
// the database exists it costs one connection and one round trip.
func Prepare(ctx context.Context, url string) error {
	cfg, err := pgconn.ParseConfig(url)
	if err != nil {
		return err
	}
	own := cfg.Copy()
	own.Database = Database
	conn, err := pgconn.ConnectConfig(ctx, own)
	var refused *pgconn.PgError
	if errors.As(err, &refused) && refused.Code == undefinedDatabase {
		if err := createDatabase(ctx, cfg); err != nil {
			return fmt.Errorf("make the database: %w", err)
		}
		conn, err = pgconn.ConnectConfig(ctx, own)
	}
	if err != nil {
		return err
	}
	defer conn.Close(context.WithoutCancel(ctx))
	if err := conn.Exec(ctx, rolesSQL+grantsSQL).Close(); err != nil {
		return fmt.Errorf("make the roles: %w", err)
	}
	return nil
}

func createDatabase(ctx context.Context, cfg *pgconn.Config) error {
	conn, err := pgconn.ConnectConfig(ctx, cfg)
	if err != nil {
		return err
	}
	defer conn.Close(context.WithoutCancel(ctx))
	if err := conn.Exec(ctx, rolesSQL).Close(); err != nil {
		return err
	}
	return conn.Exec(ctx, createSQL).Close()
}
