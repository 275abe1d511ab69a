package db

import (
	"context"
	"time"

	"github.com/google/uuid"

	"kerfgate/db/logbook"
)

// Session is a signed-in browser or script; the token itself is never stored, only its SHA-256.
type Session struct {
	ID        uuid.UUID
	Person    uuid.UUID
	Kind      SessionKind
	CreatedAt time.Time
	ExpiresAt time.Time
	Station   uuid.UUID // where it was opened, zero for no station
	Name      string    // of a token's program
	Scopes    []Scope   // of a token
	UsedAt    time.Time
}

// SessionKind tells a browser's session from a script's.
type SessionKind string

// Kinds of sessions.
const (
	SessionBrowser SessionKind = "browser"
	SessionScript  SessionKind = "script"
	SessionStation SessionKind = "station" // by PIN, at a station
	SessionToken   SessionKind = "token"   // of a program, with scopes
)

// idleLimit ends a session that nobody used; at a station, where the next person stands beside it, it
// is shorter, and pages that ask for news by themselves do not count as use.
const (
	idleLimit        = 12 * time.Hour
	stationIdleLimit = 10 * time.Minute
)

// OpenSession signs a person in; tokenHash is the SHA-256 of the secret token.
func (s *Store) OpenSession(ctx context.Context, person uuid.UUID, kind SessionKind, tokenHash []byte, lasts time.Duration) (Session, error) {
	session := Session{ID: newID(), Person: person, Kind: kind}
	return s.writeSession(ctx, session, openedSession(session, tokenHash, lasts))
}

// openedSession is the change that opens a session. At a station whoever was signed in there no longer is.
func openedSession(session Session, tokenHash []byte, lasts time.Duration) write {
	var w write
	if session.Station != uuid.Nil {
		w.statements = []statement{
			{sql: `SELECT 1 FROM station WHERE id = $1 AND revoked_at IS NULL FOR UPDATE`, args: []any{session.Station}, rows: 1, conflict: ErrNotFound},
			{sql: `UPDATE session SET ended_at = now() WHERE station = $1 AND kind = 'station' AND ended_at IS NULL`, args: []any{session.Station}, rows: anyRows}}
	}
	w.statements = append(w.statements, statement{sql: `INSERT INTO session (id, token_hash, person, kind, station, expires_at)
		SELECT $1, $2, id, $4, $5, now() + $6::interval FROM person WHERE id = $3 AND disabled_at IS NULL`,
		args: []any{session.ID, tokenHash, session.Person, session.Kind, orNull(session.Station), lasts}, rows: 1, conflict: ErrNotFound})
	w.entries = []draft{{kind: logbook.SessionOpened, actor: Actor{Person: session.Person, Station: session.Station},
		subjects: []logbook.Subject{about("session", session.ID)}, body: logbook.Body{"kind": string(session.Kind)}}}
	return w
}

func (s *Store) writeSession(ctx context.Context, session Session, w write) (Session, error) {
	if _, err := s.commit(ctx, func(context.Context) (write, error) { return w, nil }); err != nil {
		return Session{}, err
	}
	err := s.pool.QueryRow(ctx, `SELECT created_at, expires_at FROM session WHERE id = $1`, session.ID).
		Scan(&session.CreatedAt, &session.ExpiresAt)
	return session, err
}

// SessionByToken finds a live session. Errors: ErrNotFound when it ended, expired, lay idle for
// twelve hours (ten minutes at a station; a program's token never does), its person is disabled or its station revoked.
func (s *Store) SessionByToken(ctx context.Context, tokenHash []byte) (Session, Person, error) {
	var se Session
	var p Person
	var stale bool
	err := s.pool.QueryRow(ctx, `SELECT s.id, s.person, s.kind, s.created_at, s.expires_at,
			coalesce(s.station, '00000000-0000-0000-0000-000000000000'), s.name, s.scopes, s.used_at, s.kind <> 'station' AND s.used_at < now() - interval '1 minute',
			p.id, p.sign_in_name, p.name, p.role, p.rev
		FROM session s JOIN person p ON p.id = s.person
		WHERE s.token_hash = $1 AND s.ended_at IS NULL AND s.expires_at > now() AND s.used_at > now() - CASE s.kind WHEN 'station' THEN $3::interval WHEN 'token' THEN $4::interval ELSE $2::interval END
		  AND p.disabled_at IS NULL AND NOT EXISTS (SELECT 1 FROM station WHERE station.id = s.station AND revoked_at IS NOT NULL)`,
		tokenHash, idleLimit, stationIdleLimit, tokenLasts).
		Scan(&se.ID, &se.Person, &se.Kind, &se.CreatedAt, &se.ExpiresAt, &se.Station, &se.Name, &se.Scopes, &se.UsedAt, &stale, &p.ID, &p.SignInName, &p.Name, &p.Role, &p.Rev)
	if err != nil {
		return Session{}, Person{}, meaning(err)
	}
	if stale {
		// Last use is no change of state: it only keeps the session from idling out.
		if _, err := s.pool.Exec(ctx, `UPDATE session SET used_at = now() WHERE id = $1`, se.ID); err != nil {
			return Session{}, Person{}, err
		}
	}
	return se, p, nil
}

// EndSession signs out.
func (s *Store) EndSession(ctx context.Context, actor Actor, session uuid.UUID) error {
	_, err := s.commit(ctx, func(context.Context) (write, error) {
		return write{
			statements: []statement{{sql: `UPDATE session SET ended_at = now() WHERE id = $1 AND person = $2 AND ended_at IS NULL`,
				args: []any{session, actor.Person}, rows: 1, conflict: ErrNotFound}},
			entries: []draft{{kind: logbook.SessionEnded, actor: actor, subjects: []logbook.Subject{about("session", session)}}},
		}, nil
	})
	return err
}

// NoteRefusal logs that a signed-in person was refused: at most one entry a person, route and
// minute, with the count of those not logged before it.
func (s *Store) NoteRefusal(ctx context.Context, actor Actor, route string) error {
	var first bool
	err := s.pool.QueryRow(ctx, `INSERT INTO refusal (person, route, minute, count) VALUES ($1, $2, date_trunc('minute', now()), 1)
		ON CONFLICT (person, route, minute) DO UPDATE SET count = refusal.count + 1 RETURNING count = 1`, actor.Person, route).Scan(&first)
	if err != nil || !first {
		return err
	}
	_, err = s.commit(ctx, func(ctx context.Context) (write, error) {
		// What is counted after this reading stays for the next entry.
		var minutes []time.Time
		var counts []int64
		var unlogged int64
		if err := s.pool.QueryRow(ctx, `SELECT array_agg(minute), array_agg(count), coalesce(sum(count - logged), 0)
			FROM refusal WHERE person = $1 AND route = $2 AND count > logged`,
			actor.Person, route).Scan(&minutes, &counts, &unlogged); err != nil {
			return write{}, err
		}
		return write{
			statements: []statement{{sql: `UPDATE refusal r SET logged = read.count FROM unnest($3::timestamptz[], $4::bigint[]) AS read (minute, count)
				WHERE r.person = $1 AND r.route = $2 AND r.minute = read.minute AND r.logged < read.count`,
				args: []any{actor.Person, route, minutes, counts}, rows: int64(len(minutes))}},
			entries: []draft{{kind: logbook.Refused, actor: actor, body: logbook.Body{logbook.FieldRoute: route, logbook.FieldCount: unlogged}}},
		}, nil
	})
	return err
}
