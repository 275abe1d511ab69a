package db

import (
	"context"
	"encoding/json"
	"errors"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/db/logbook"
)

// Passkey is a key pair in somebody's authenticator, by which they sign in (WebAuthn Level 3). What is
// kept of it is the public half.
type Passkey struct {
	ID         uuid.UUID
	Person     uuid.UUID
	Name       string
	Credential []byte // the authenticator's id of it
	PublicKey  []byte // COSE (RFC 9052)
	Flags      byte   // of the authenticator, when it was added
	SignCount  uint32
	AddedAt    time.Time
	UsedAt     *time.Time
}

// maxPasskeys bounds how many one person has.
const maxPasskeys = 20

// challengeLasts is how long a passkey's challenge may be answered.
const challengeLasts = 3 * time.Minute

// KeepChallenge keeps what a passkey's challenge was given for, by the SHA-256 of the challenge. session is
// that of who adds a passkey, zero to sign in. It is no change of state; expired ones go on the way.
func (s *Store) KeepChallenge(ctx context.Context, challengeHash [32]byte, session uuid.UUID, ceremony json.RawMessage) error {
	_, err := s.pool.Exec(ctx, `WITH gone AS (DELETE FROM passkey_challenge WHERE expires_at < now())
		INSERT INTO passkey_challenge (challenge_hash, session, ceremony, expires_at) VALUES ($1, $2, $3, now() + $4::interval)`,
		challengeHash[:], orNull(session), ceremony, challengeLasts)
	return meaning(err)
}

// TakeChallenge gives what a challenge was kept for, once. Errors: ErrNotFound for one that was never given,
// given to another session, already answered or too old.
func (s *Store) TakeChallenge(ctx context.Context, challengeHash [32]byte, session uuid.UUID) (ceremony json.RawMessage, err error) {
	err = s.pool.QueryRow(ctx, `DELETE FROM passkey_challenge WHERE challenge_hash = $1 AND session IS NOT DISTINCT FROM $2 AND expires_at > now() RETURNING ceremony`,
		challengeHash[:], orNull(session)).Scan(&ceremony)
	return ceremony, meaning(err)
}

// AddPasskey keeps a passkey of the actor. Errors: *Refused, also for one that is known already.
func (s *Store) AddPasskey(ctx context.Context, actor Actor, k Passkey) (Passkey, error) {
	k.Name = strings.TrimSpace(k.Name)
	if n := utf8.RuneCountInString(k.Name); n == 0 || n > maxName {
		return Passkey{}, refuse("a passkey needs a name of at most 100 letters", "say where it is kept: a phone, a security key")
	}
	k.ID, k.Person = newID(), actor.Person
	_, err := s.commit(ctx, func(context.Context) (write, error) {
		return write{
			statements: []statement{
				{sql: `SELECT 1 FROM person WHERE id = $1 AND disabled_at IS NULL FOR NO KEY UPDATE`, args: []any{k.Person}, rows: 1, conflict: ErrNotFound},
				{sql: `INSERT INTO passkey (id, person, name, credential_id, public_key, flags, sign_count)
					SELECT $1, $2, $3, $4, $5, $6, $7 WHERE (SELECT count(*) FROM passkey WHERE person = $2) < $8`,
					args: []any{k.ID, k.Person, k.Name, k.Credential, k.PublicKey, int16(k.Flags), int64(k.SignCount), maxPasskeys}, rows: 1,
					conflict: refuse("an account has at most 20 passkeys", "remove one that is no longer used")}},
			entries: []draft{{kind: logbook.PasskeyAdded, actor: actor, subjects: []logbook.Subject{about("passkey", k.ID), about("person", k.Person)}}},
		}, nil
	})
	if err != nil {
		return Passkey{}, err
	}
	return s.passkey(ctx, `id = $1`, k.ID)
}

// RemovePasskey takes one of the actor's own passkeys away. Errors: ErrNotFound, *Refused for the last way to
// sign in.
func (s *Store) RemovePasskey(ctx context.Context, actor Actor, id uuid.UUID) error {
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		if _, err := s.passkey(ctx, `id = $1 AND person = $2`, id, actor.Person); err != nil {
			return write{}, err
		}
		return write{
			statements: []statement{
				{sql: `SELECT 1 FROM person WHERE id = $1 FOR NO KEY UPDATE`, args: []any{actor.Person}, rows: 1},
				{sql: `DELETE FROM passkey WHERE id = $1 AND (EXISTS (SELECT 1 FROM person WHERE id = $2 AND password_hash <> '')
						OR EXISTS (SELECT 1 FROM passkey WHERE person = $2 AND id <> $1))`, args: []any{id, actor.Person}, rows: 1,
					conflict: refuse("this is your last way to sign in", "add another passkey or ask an admin for a password link first")}},
			entries: []draft{{kind: logbook.PasskeyRemoved, actor: actor, subjects: []logbook.Subject{about("passkey", id), about("person", actor.Person)}}},
		}, nil
	})
	return err
}

const selectPasskey = `SELECT id, person, name, credential_id, public_key, flags, sign_count, added_at, used_at FROM passkey WHERE `

func scanPasskey(row pgx.CollectableRow) (k Passkey, err error) {
	var flags int16
	var count int64
	err = row.Scan(&k.ID, &k.Person, &k.Name, &k.Credential, &k.PublicKey, &flags, &count, &k.AddedAt, &k.UsedAt)
	k.Flags, k.SignCount = byte(flags), uint32(count)
	return k, err
}

func (s *Store) passkey(ctx context.Context, where string, args ...any) (Passkey, error) {
	return readOne(ctx, s.pool, scanPasskey, selectPasskey+where, args...)
}

// Passkeys lists a person's passkeys, oldest first.
func (s *Store) Passkeys(ctx context.Context, person uuid.UUID) ([]Passkey, error) {
	return readAll(ctx, s.pool, scanPasskey, selectPasskey+`person = $1 ORDER BY added_at, id`, person)
}

// PasskeyByCredential finds a passkey by the authenticator's id of it, and whose it is. Errors: ErrNotFound,
// also for a closed account's.
func (s *Store) PasskeyByCredential(ctx context.Context, credential []byte) (Passkey, Person, error) {
	k, err := s.passkey(ctx, `credential_id = $1`, credential)
	if err != nil {
		return Passkey{}, Person{}, err
	}
	var p Person
	err = s.pool.QueryRow(ctx, `SELECT id, sign_in_name, name, role, rev FROM person WHERE id = $1 AND disabled_at IS NULL`, k.Person).
		Scan(&p.ID, &p.SignInName, &p.Name, &p.Role, &p.Rev)
	return k, p, meaning(err)
}

// UsePasskey says that a passkey was used and opens the session that it signs in to: at a station, or in a
// browser where station is the zero one. count is the authenticator's count of its signatures; one that is
// not beyond the last known (0 twice: it does not count) is refused as a copy's would be, with an entry.
// Errors: ErrPasskeyCopied, ErrNotFound.
func (s *Store) UsePasskey(ctx context.Context, k Passkey, count uint32, station Station, tokenHash []byte, lasts time.Duration) (Session, error) {
	session := Session{ID: newID(), Person: k.Person, Kind: SessionBrowser, Station: station.ID}
	if station.ID != uuid.Nil {
		session.Kind = SessionStation
	}
	w := openedSession(session, tokenHash, lasts)
	w.statements = append([]statement{{sql: `UPDATE passkey SET sign_count = $2, used_at = now() WHERE id = $1 AND (sign_count < $2 OR sign_count = 0 AND $2 = 0)`,
		args: []any{k.ID, int64(count)}, rows: 1, conflict: ErrPasskeyCopied}}, w.statements...)
	w.entries[0].subjects = append(w.entries[0].subjects, about("passkey", k.ID))
	made, err := s.writeSession(ctx, session, w)
	if !errors.Is(err, ErrPasskeyCopied) {
		return made, err
	}
	_, logged := s.commit(ctx, func(context.Context) (write, error) {
		return write{entries: []draft{{kind: logbook.PasskeyRefused, actor: Actor{Station: station.ID},
			subjects: []logbook.Subject{about("passkey", k.ID), about("person", k.Person)}, body: logbook.Body{"count": int64(count)}}}}, nil
	})
	return Session{}, errors.Join(err, logged)
}
