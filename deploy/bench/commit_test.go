package bench

import (
	"context"
	"errors"
	"testing"

	"github.com/google/uuid"

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

// signOuts is the smallest change of state that the store has: one guarded row and its entry.
func (g *ground) signOuts(b *testing.B, callers int) measured {
	b.Helper()
	return g.signOutsOf(b, g.openSessions(b, min(callers, 4)*12_000), callers)
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
