package db

import (
	"context"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/db/logbook"
)

// Scope is what a token lets a program do of what its person may.
type Scope string

// The scopes. No token signs off, attends, resumes or administers: that needs a person who is there.
const (
	ScopeRead    Scope = "read"    // every reading route
	ScopeHandIn  Scope = "hand-in" // drawings, plans and jobs
	ScopeMetrics Scope = "metrics" // the server's own numbers, which officers and admins may read
)

// NewToken is a token to be made.
type NewToken struct {
	Name   string
	Scopes []Scope
	Until  time.Time
}

// tokenLasts is the longest that a token may hold.
const tokenLasts = 366 * 24 * time.Hour

// MakeToken opens a session for a program; tokenHash is the SHA-256 of its secret. Errors: *Refused.
func (s *Store) MakeToken(ctx context.Context, actor Actor, t NewToken, tokenHash []byte) (Session, error) {
	t.Name = strings.TrimSpace(t.Name)
	if n := utf8.RuneCountInString(t.Name); n == 0 || n > 100 {
		return Session{}, refuse("a token says which program it is for, in at most 100 letters", "name the program and where it runs")
	}
	if len(t.Scopes) == 0 {
		return Session{}, refuse("a token without a scope can do nothing", "choose of read, hand-in and metrics")
	}
	for _, scope := range t.Scopes {
		if scope != ScopeRead && scope != ScopeHandIn && scope != ScopeMetrics {
			return Session{}, refuse("there is no scope "+string(scope), "choose of read, hand-in and metrics")
		}
	}
	id := newID()
	_, err := s.commit(ctx, func(context.Context) (write, error) {
		return write{
			statements: []statement{{sql: `INSERT INTO session (id, token_hash, person, kind, expires_at, name, scopes)
				SELECT $1, $2, id, 'token', $4, $5, $6 FROM person WHERE id = $3 AND disabled_at IS NULL AND $4 > now() AND $4 < now() + $7::interval`,
				args: []any{id, tokenHash, actor.Person, t.Until, t.Name, t.Scopes, tokenLasts}, rows: 1,
				conflict: refuse("a token holds until a day within the next year", "choose such a day")}},
			entries: []draft{{kind: logbook.TokenMade, actor: actor, subjects: []logbook.Subject{about("session", id)},
				body: logbook.Body{"scopes": strings.Join(ScopeWords(t.Scopes), " "), "until": t.Until.UTC().Format(time.RFC3339)}}},
		}, nil
	})
	if err != nil {
		return Session{}, err
	}
	return readOne(ctx, s.pool, pgx.RowToStructByPos[Session], selectSession+`s.id = $1`, id)
}

// ScopeWords are the scopes as text.
func ScopeWords(scopes []Scope) []string {
	words := make([]string, len(scopes))
	for i, s := range scopes {
		words[i] = string(s)
	}
	return words
}

// selectSession reads what RowToStructByPos makes a Session of.
const selectSession = `SELECT s.id, s.person, s.kind, s.created_at, s.expires_at,
	coalesce(s.station, '00000000-0000-0000-0000-000000000000'), s.name, s.scopes, s.used_at FROM session s WHERE `

// Sessions lists where a person is signed in, and the tokens of their programs, newest first.
func (s *Store) Sessions(ctx context.Context, person uuid.UUID) ([]Session, error) {
	return readAll(ctx, s.pool, pgx.RowToStructByPos[Session], selectSession+`s.person = $1 AND s.ended_at IS NULL AND s.expires_at > now() ORDER BY s.created_at DESC`, person)
}
