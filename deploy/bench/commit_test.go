package bench

import (
	"context"
	"errors"
	"fmt"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/db"
)

// bareTable is one row, one flush: the least that a durable change can cost.
const bareTable = `CREATE TABLE bare (id bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY, data bytea NOT NULL);
	GRANT INSERT ON bare TO kerfgate_app; GRANT USAGE ON SEQUENCE bare_id_seq TO kerfgate_app`

func (g *ground) bare(b *testing.B, callers int) measured {
	b.Helper()
	data := make([]byte, 256)
	return press(b, callers, func(ctx context.Context, _ int) error {
		_, err := g.pool.Exec(ctx, `INSERT INTO bare (data) VALUES ($1)`, data)
		return err
	})
}

// sameRows is what signOuts writes, by hand and without deciding, reading or hashing anything: the row
// itself and the logbook's rows with their indexes, in one transaction and one round trip.
// Nothing that keeps these rows can be quicker for a caller who is alone; many callers can share.
func (g *ground) sameRows(b *testing.B, open <-chan db.Session) measured {
	b.Helper()
	size, entry, frontier := int64(0), make([]byte, 110), make([]byte, 32*12)
	if err := g.pool.QueryRow(b.Context(), `SELECT size FROM log_head`).Scan(&size); err != nil {
		b.Fatal(err)
	}
	g.exec(b, sameTables)
	return press(b, 1, func(ctx context.Context, _ int) error {
		s, ok := <-open
		if !ok {
			return errors.New("the sessions are used up")
		}
		var batch pgx.Batch
		batch.Queue(`BEGIN`)
		batch.Queue(`UPDATE session SET ended_at = now() WHERE id = $1 AND person = $2 AND ended_at IS NULL`, s.ID, s.Person)
		batch.Queue(`SELECT size, frontier, clock_timestamp() FROM same_head FOR UPDATE`)
		batch.Queue(`INSERT INTO same_entry (index, data, at, kind) VALUES ($1, $2, now(), 'session.ended')`, size, entry)
		batch.Queue(`INSERT INTO same_subject (subject, index) VALUES ($1, $3), ($2, $3)`, s.ID, s.Person, size)
		batch.Queue(`INSERT INTO same_hash (index, hash) VALUES ($1, $3), ($2, $3)`, 2*size, 2*size+1, entry[:32])
		batch.Queue(`UPDATE same_head SET size = $1, frontier = $2`, size, frontier)
		batch.Queue(`COMMIT`)
		size++
		return g.pool.SendBatch(ctx, &batch).Close()
	})
}

// sameTables are the logbook's tables under other names, with their indexes and without their triggers: a
// floor must not write into the logbook.
const sameTables = `DROP TABLE IF EXISTS same_head, same_entry, same_subject, same_hash;
	CREATE TABLE same_head (LIKE log_head INCLUDING ALL); INSERT INTO same_head SELECT * FROM log_head;
	CREATE TABLE same_entry (LIKE log_entry INCLUDING ALL);
	CREATE TABLE same_subject (LIKE log_subject INCLUDING ALL);
	CREATE TABLE same_hash (LIKE log_hash INCLUDING ALL);
	GRANT SELECT, INSERT, UPDATE ON same_head, same_entry, same_subject, same_hash TO kerfgate_app`

// slowFlushes are what a flush takes on top of what it takes here: about as on a solid-state disk without a battery,
// and on a slow one or a card (from memory; they differ widely).
var slowFlushes = []time.Duration{time.Millisecond, 4 * time.Millisecond}

// flushTakes makes each flush of the database take so much longer: whoever flushes for a group of commits waits
// before it does (commit_delay, which is meant to gather more of them; the group is the same for floor and ours).
func (g *ground) flushTakes(b *testing.B, longer time.Duration) {
	b.Helper()
	for _, sql := range []string{fmt.Sprintf(`ALTER SYSTEM SET commit_delay = %d`, longer.Microseconds()), `ALTER SYSTEM SET commit_siblings = 0`, `SELECT pg_reload_conf()`} {
		g.exec(b, sql)
	}
	for want := fmt.Sprint(longer.Microseconds()); ; time.Sleep(10 * time.Millisecond) {
		var delay string
		if err := g.pool.QueryRow(b.Context(), `SELECT setting FROM pg_settings WHERE name = 'commit_delay'`).Scan(&delay); err != nil {
			b.Fatal(err)
		}
		if delay == want {
			return
		}
	}
}

// walOf is how much the write-ahead log grows by for each session that work ends: what a flush has to
// carry.
func (g *ground) walOf(b *testing.B, work func(*testing.B, <-chan db.Session) measured) (m measured, bytesEach float64) {
	b.Helper()
	open := g.openSessions(b, 12_000)
	var before string
	if err := g.pool.QueryRow(b.Context(), `SELECT pg_current_wal_insert_lsn()::text`).Scan(&before); err != nil {
		b.Fatal(err)
	}
	there := len(open)
	m = work(b, open)
	var grew float64
	if err := g.pool.QueryRow(b.Context(), `SELECT pg_wal_lsn_diff(pg_current_wal_insert_lsn(), $1::text::pg_lsn)::float8`, before).Scan(&grew); err != nil {
		b.Fatal(err)
	}
	return m, grew / float64(max(1, there-len(open)))
}

// signOuts is the smallest change of state that the store has: one guarded row and its entry.
func (g *ground) signOuts(b *testing.B, callers int) measured {
	b.Helper()
	return g.signOutsOf(b, g.openSessions(b, min(callers, 8)*12_000), callers)
}

func (g *ground) signOutsOf(b *testing.B, open <-chan db.Session, callers int) measured {
	b.Helper()
	return press(b, callers, func(ctx context.Context, c int) error {
		s, ok := <-open
		if !ok {
			return errors.New("the sessions are used up")
		}
		return g.store.EndSession(ctx, db.Actor{Person: s.Person, Role: db.RoleMember}, s.ID)
	})
}

// openSessions puts sessions there, each of a person of its own, without entries: what is measured is
// their end.
func (g *ground) openSessions(b *testing.B, n int) <-chan db.Session {
	b.Helper()
	list := make([]db.Session, n)
	people, ids := make([]uuid.UUID, n), make([]uuid.UUID, n)
	for i := range list {
		people[i], ids[i] = uuid.Must(uuid.NewV7()), uuid.Must(uuid.NewV7())
		list[i] = db.Session{ID: ids[i], Person: people[i]}
	}
	if _, err := g.pool.Exec(b.Context(), `INSERT INTO person (id, sign_in_name, name, salt, role, password_hash)
		SELECT id, id::text, 'bench', decode(repeat('00', 16), 'hex'), 'member', '' FROM unnest($1::uuid[]) AS id`, people); err != nil {
		b.Fatal(err)
	}
	if _, err := g.pool.Exec(b.Context(), `INSERT INTO session (id, token_hash, person, kind, expires_at)
		SELECT id, sha256(id::text::bytea), person, 'script', now() + interval '1 day' FROM unnest($1::uuid[], $2::uuid[]) AS s (id, person)`, ids, people); err != nil {
		b.Fatal(err)
	}
	g.exec(b, `ANALYZE person, session`)
	open := make(chan db.Session, n)
	for _, s := range list {
		open <- s
	}
	close(open)
	return open
}
