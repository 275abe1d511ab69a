package db

import (
	"context"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/db/logbook"
)

// Role is what a person may do besides handing in; operators are members with an authorisation.
type Role string

// The roles.
const (
	RoleMember  Role = "member"
	RoleOfficer Role = "officer" // safety officer
	RoleAdmin   Role = "admin"
)

// Person is an account.
type Person struct {
	ID         uuid.UUID
	SignInName string
	Name       string
	Role       Role
	Disabled   bool
	Rev        int64
}

// Authorisation lets a member operate a machine until it expires or is withdrawn.
type Authorisation struct {
	ID        uuid.UUID
	Person    uuid.UUID
	Machine   uuid.UUID
	GrantedAt time.Time
	ExpiresAt time.Time
}

// NewPerson is an account to be made. PasswordHash is argon2id in its text form.
type NewPerson struct {
	SignInName   string
	Name         string
	Role         Role
	PasswordHash string
}

// AddPerson makes an account. Errors: ErrSignInTaken, *Refused.
func (s *Store) AddPerson(ctx context.Context, actor Actor, p NewPerson) (Person, error) {
	if strings.TrimSpace(p.SignInName) == "" || strings.TrimSpace(p.Name) == "" || p.PasswordHash == "" {
		return Person{}, refuse("an account needs a sign-in name, a name and a password", "give all three")
	}
	salt := newSalt()
	person := Person{ID: newID(), SignInName: p.SignInName, Name: p.Name, Role: p.Role, Rev: 1}
	digest := logbook.SaltedDigest(salt, []byte(p.Name))
	_, err := s.commit(ctx, func(context.Context) (write, error) {
		return write{
			statements: []statement{{sql: `INSERT INTO person (id, sign_in_name, name, role, password_hash, salt) VALUES ($1, $2, $3, $4, $5, $6)`,
				args: []any{person.ID, p.SignInName, p.Name, p.Role, p.PasswordHash, salt}, rows: 1}},
			entries: []draft{{kind: logbook.PersonAdded, actor: actor, subjects: []logbook.Subject{about("person", person.ID)},
				body: logbook.Body{"role": string(p.Role), "name_digest": digest[:]}}},
		}, nil
	})
	return person, err
}

// PersonBySignIn finds an account and its password hash by sign-in name, in any case. Errors:
// ErrNotFound, also for a disabled account.
func (s *Store) PersonBySignIn(ctx context.Context, name string) (Person, string, error) {
	var p Person
	var hash string
	err := s.pool.QueryRow(ctx, `SELECT id, sign_in_name, name, role, rev, password_hash FROM person
		WHERE lower(sign_in_name) = lower($1) AND disabled_at IS NULL`, name).
		Scan(&p.ID, &p.SignInName, &p.Name, &p.Role, &p.Rev, &hash)
	return p, hash, meaning(err)
}

// Authorise lets a person operate a machine until the instant given.
func (s *Store) Authorise(ctx context.Context, actor Actor, person, machine uuid.UUID, until time.Time) (Authorisation, error) {
	a := Authorisation{ID: newID(), Person: person, Machine: machine, ExpiresAt: until}
	_, err := s.commit(ctx, func(context.Context) (write, error) {
		return write{
			statements: []statement{{sql: `INSERT INTO authorisation (id, person, machine, expires_at) VALUES ($1, $2, $3, $4)`,
				args: []any{a.ID, person, machine, until}, rows: 1}},
			entries: []draft{{kind: logbook.AuthorisationGranted, actor: actor,
				subjects: []logbook.Subject{about("person", person), about("machine", machine), about("authorisation", a.ID)},
				body:     logbook.Body{"until": until.UTC().Format(time.RFC3339)}}},
		}, nil
	})
	return a, err
}

// WithdrawAuthorisation ends an authorisation at once; sign-offs that bind it are voided (I10).
func (s *Store) WithdrawAuthorisation(ctx context.Context, actor Actor, id uuid.UUID) error {
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		var person, machine uuid.UUID
		if err := s.pool.QueryRow(ctx, `SELECT person, machine FROM authorisation WHERE id = $1 AND withdrawn_at IS NULL`, id).Scan(&person, &machine); err != nil {
			return write{}, err
		}
		w := write{
			statements: []statement{{sql: `UPDATE authorisation SET withdrawn_at = now() WHERE id = $1 AND withdrawn_at IS NULL`, args: []any{id}, rows: 1}},
			entries: []draft{{kind: logbook.AuthorisationWithdrawn, actor: actor,
				subjects: []logbook.Subject{about("person", person), about("machine", machine), about("authorisation", id)}}},
		}
		err := s.voidOpen(ctx, &w, actor, "authorisation withdrawn", `r.machine = $1 AND r.operator = $2`, machine, person)
		return w, err
	})
	return err
}

// Authorisations lists what a person may operate now.
func (s *Store) Authorisations(ctx context.Context, person uuid.UUID) ([]Authorisation, error) {
	rows, err := s.pool.Query(ctx, `SELECT id, person, machine, granted_at, expires_at FROM authorisation
		WHERE person = $1 AND withdrawn_at IS NULL AND expires_at > now() ORDER BY granted_at`, person)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByPos[Authorisation])
}
