package db

import (
	"context"
	"strings"
	"unicode/utf8"

	"github.com/google/uuid"

	"kerfgate/db/logbook"
)

// Role is what a person may do besides handing in; operators are members with an authorisation.
type Role string

// The roles.
const (
	RoleMember  Role = "member"
	RoleOfficer Role = "officer" // safety officer
	RoleAdmin   Role = "admin"
	RoleAll     Role = "all" // every role in one person, only on a site of one
)

// Officer says whether the role is a safety officer's.
func (r Role) Officer() bool { return r == RoleOfficer || r == RoleAll }

// Admin says whether the role is an admin's.
func (r Role) Admin() bool { return r == RoleAdmin || r == RoleAll }

// Person is an account.
type Person struct {
	ID         uuid.UUID
	SignInName string
	Name       string
	Role       Role
	Disabled   bool
	Rev        int64
}

// NewPerson is an account to be made. PasswordHash is argon2id in its text form.
type NewPerson struct {
	SignInName   string
	Name         string
	Role         Role
	PasswordHash string
}

// maxName bounds what people call themselves, in characters.
const maxName = 100

// AddPerson makes an account. Errors: ErrSignInTaken, *Refused.
func (s *Store) AddPerson(ctx context.Context, actor Actor, p NewPerson) (Person, error) {
	w, person, err := addPerson(actor, p)
	if err != nil {
		return Person{}, err
	}
	_, err = s.commit(ctx, func(ctx context.Context) (write, error) {
		return w, s.roleFits(ctx, p.Role)
	})
	return person, err
}

// addPerson is the change that makes an account.
func addPerson(actor Actor, p NewPerson) (write, Person, error) {
	signIn, name := strings.TrimSpace(p.SignInName), strings.TrimSpace(p.Name)
	if signIn == "" || name == "" || p.PasswordHash == "" {
		return write{}, Person{}, refuse("an account needs a sign-in name, a name and a password", "give all three")
	}
	if utf8.RuneCountInString(signIn) > maxName || utf8.RuneCountInString(name) > maxName || strings.ContainsAny(signIn, " \t\r\n") {
		return write{}, Person{}, refuse("a sign-in name has at most 100 letters and no space, a name at most 100 letters", "choose a shorter one")
	}
	salt := newSalt()
	person := Person{ID: newID(), SignInName: signIn, Name: name, Role: p.Role, Rev: 1}
	digest := logbook.SaltedDigest(salt, []byte(name))
	return write{
		statements: []statement{{sql: `INSERT INTO person (id, sign_in_name, name, role, password_hash, salt) VALUES ($1, $2, $3, $4, $5, $6)`,
			args: []any{person.ID, signIn, name, p.Role, p.PasswordHash, salt}, rows: 1}},
		entries: []draft{{kind: logbook.PersonAdded, actor: actor, subjects: []logbook.Subject{about("person", person.ID)},
			body: logbook.Body{"role": string(p.Role), "name_digest": digest[:]}}},
	}, person, nil
}

// roleFits refuses every role in one person where others could hold them.
func (s *Store) roleFits(ctx context.Context, r Role) error {
	if r != RoleAll {
		return nil
	}
	if site, err := s.Site(ctx); err != nil {
		return err
	} else if site.Kind != SiteAlone {
		return refuse("all roles in one person are for a site of one", "give each role to somebody of its own")
	}
	return nil
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

// PersonNamed finds who has a sign-in name, in any case, a closed account too. Errors: ErrNotFound.
func (s *Store) PersonNamed(ctx context.Context, signIn string) (id uuid.UUID, err error) {
	err = meaning(s.pool.QueryRow(ctx, `SELECT id FROM person WHERE lower(sign_in_name) = lower($1) AND erased_at IS NULL`, signIn).Scan(&id))
	return id, err
}
