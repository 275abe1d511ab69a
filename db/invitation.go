package db

import (
	"context"
	"errors"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/db/logbook"
)

// invitationLasts is how long a link waits for the person that it was made for.
const invitationLasts = 7 * 24 * time.Hour

// ErrInvitation is the error of a link that was never made, is used, was withdrawn or has expired;
// which of them is not told.
var ErrInvitation = errors.New("this invitation does not hold")

// Invitation is a link by which one person chooses sign-in name and password, once. With a person it
// is for that account's new password. Its secret is kept nowhere.
type Invitation struct {
	ID        uuid.UUID
	Name      string
	Role      Role
	Person    uuid.UUID // zero for a new account
	MadeAt    time.Time
	ExpiresAt time.Time
}

// Invite makes an invitation for a new account, or for a new password of the person named. hash is the
// SHA-256 of its secret. Errors: ErrNotFound, *Refused.
func (s *Store) Invite(ctx context.Context, actor Actor, i Invitation, hash [32]byte) (Invitation, error) {
	i.ID, i.Name = newID(), strings.TrimSpace(i.Name)
	if i.Person != uuid.Nil {
		p, _, err := s.personToChange(ctx, i.Person, 0)
		if err != nil {
			return Invitation{}, err
		}
		if p.Disabled {
			return Invitation{}, refuse("this account is closed", "open it again first")
		}
		i.Name, i.Role = p.Name, p.Role
	}
	if n := utf8.RuneCountInString(i.Name); n == 0 || n > maxName {
		return Invitation{}, refuse("an invitation names whom it is for, in at most 100 letters", "give the name")
	}
	if err := s.roleFits(ctx, i.Role); err != nil {
		return Invitation{}, err
	}
	whom := orNull(i.Person)
	subjects := []logbook.Subject{about("invitation", i.ID)}
	if i.Person != uuid.Nil {
		subjects = append(subjects, about("person", i.Person))
	}
	_, err := s.commit(ctx, func(context.Context) (write, error) {
		return write{
			statements: []statement{
				// A newer link for the same account, or of the same name from the command line, ends the older.
				{sql: `UPDATE invitation SET ended_at = now() WHERE ended_at IS NULL AND (person = $1 OR $1::uuid IS NULL AND $2::uuid IS NULL AND made_by IS NULL AND person IS NULL AND name = $3)`,
					args: []any{whom, person(actor), i.Name}, rows: anyRows},
				{sql: `INSERT INTO invitation (id, secret_hash, role, name, person, made_by, expires_at) VALUES ($1, $2, $3, $4, $5, $6, now() + $7::interval)`,
					args: []any{i.ID, hash[:], i.Role, i.Name, whom, person(actor), invitationLasts}, rows: 1}},
			entries: []draft{{kind: logbook.PersonInvited, actor: actor, subjects: subjects, body: logbook.Body{"role": string(i.Role)}}},
		}, nil
	})
	if err != nil {
		return Invitation{}, err
	}
	return s.invitation(ctx, `id = $1`, i.ID)
}

const (
	selectInvitation = `SELECT id, name, role, coalesce(person, '00000000-0000-0000-0000-000000000000'), made_at, expires_at FROM invitation WHERE `
	invitationHolds  = `ended_at IS NULL AND expires_at > now()`
)

func (s *Store) invitation(ctx context.Context, where string, args ...any) (Invitation, error) {
	return readOne(ctx, s.pool, pgx.RowToStructByPos[Invitation], selectInvitation+where, args...)
}

// Invitations lists the links that still wait, newest first.
func (s *Store) Invitations(ctx context.Context) ([]Invitation, error) {
	return readAll(ctx, s.pool, pgx.RowToStructByPos[Invitation], selectInvitation+invitationHolds+` ORDER BY made_at DESC`)
}

// InvitationBySecret finds an invitation that holds. Errors: ErrInvitation.
func (s *Store) InvitationBySecret(ctx context.Context, hash [32]byte) (Invitation, error) {
	i, err := s.invitation(ctx, `secret_hash = $1 AND `+invitationHolds, hash[:])
	if errors.Is(err, ErrNotFound) {
		err = ErrInvitation
	}
	return i, err
}

// WithdrawInvitation ends a link. Errors: ErrNotFound.
func (s *Store) WithdrawInvitation(ctx context.Context, actor Actor, id uuid.UUID) error {
	_, err := s.commit(ctx, func(context.Context) (write, error) {
		return write{
			statements: []statement{{sql: `UPDATE invitation SET ended_at = now() WHERE id = $1 AND ended_at IS NULL`, args: []any{id}, rows: 1, conflict: ErrNotFound}},
			entries:    []draft{{kind: logbook.InvitationWithdrawn, actor: actor, subjects: []logbook.Subject{about("invitation", id)}}},
		}, nil
	})
	return err
}

// AcceptInvitation makes the account that an invitation is for, with the sign-in name, the argon2id
// hash and, where it is not empty, the name that its holder chose; the role is the invitation's. For an
// account that exists it sets the password alone. Errors: ErrInvitation, ErrSignInTaken, *Refused.
func (s *Store) AcceptInvitation(ctx context.Context, hash [32]byte, chosen NewPerson) (Person, error) {
	var accepted Person
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		i, err := s.InvitationBySecret(ctx, hash)
		if err != nil {
			return write{}, err
		}
		var w write
		if i.Person == uuid.Nil {
			p := chosen
			if p.Role = i.Role; strings.TrimSpace(p.Name) == "" {
				p.Name = i.Name
			}
			w, accepted, err = addPerson(System, p)
		} else {
			accepted, _, err = s.personToChange(ctx, i.Person, 0)
			w = newPassword(Actor{Person: i.Person}, i.Person, uuid.Nil, chosen.PasswordHash)
		}
		if err != nil {
			return write{}, err
		}
		w.statements = append(w.statements, statement{sql: `UPDATE invitation SET ended_at = now(), person = coalesce(person, $2) WHERE id = $1 AND ` + invitationHolds,
			args: []any{i.ID, accepted.ID}, rows: 1, conflict: ErrInvitation})
		w.entries[0].subjects = append(w.entries[0].subjects, about("invitation", i.ID))
		return w, nil
	})
	return accepted, err
}

// HasAdmin says whether anybody can administer the site.
func (s *Store) HasAdmin(ctx context.Context) (has bool, err error) {
	err = s.pool.QueryRow(ctx, `SELECT EXISTS (SELECT 1 FROM person WHERE role IN ('admin', 'all') AND disabled_at IS NULL)`).Scan(&has)
	return has, err
}
