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

// Account is a person with what they may operate.
type Account struct {
	Person
	AddedAt        time.Time
	ErasedAt       *time.Time
	Authorisations []Authorisation
}

const selectAccount = `SELECT p.id, p.sign_in_name, p.name, p.role, p.disabled_at IS NOT NULL, p.rev, p.added_at, p.erased_at FROM person p WHERE `

func scanAccount(row pgx.CollectableRow) (a Account, err error) {
	return a, row.Scan(&a.ID, &a.SignInName, &a.Name, &a.Role, &a.Disabled, &a.Rev, &a.AddedAt, &a.ErasedAt)
}

// Accounts lists people by name, at most limit, those after the given one (zero: from the first),
// with their authorisations. Erased ones are not listed.
func (s *Store) Accounts(ctx context.Context, after uuid.UUID, limit int) ([]Account, error) {
	return s.accounts(ctx, `p.erased_at IS NULL AND ($1 = '00000000-0000-0000-0000-000000000000'::uuid
		OR (lower(p.name), p.id) > (SELECT lower(name), id FROM person WHERE id = $1)) ORDER BY lower(p.name), p.id LIMIT $2`, after, limit)
}

// Account reads one person. Errors: ErrNotFound.
func (s *Store) Account(ctx context.Context, id uuid.UUID) (Account, error) {
	return only(s.accounts(ctx, `p.id = $1`, id))
}

func (s *Store) accounts(ctx context.Context, where string, args ...any) ([]Account, error) {
	list, err := readAll(ctx, s.pool, scanAccount, selectAccount+where, args...)
	if err != nil {
		return nil, err
	}
	ids, place := make([]uuid.UUID, len(list)), make(map[uuid.UUID]int, len(list))
	for i, a := range list {
		ids[i], place[a.ID] = a.ID, i
	}
	held, err := s.authorisationsOf(ctx, ids)
	for _, a := range held {
		at := &list[place[a.Person]]
		at.Authorisations = append(at.Authorisations, a)
	}
	return list, err
}

// PersonChange is what an account is to become.
type PersonChange struct {
	Name     string
	Role     Role
	Disabled bool
}

// ChangePerson changes an account. Who is disabled is signed out everywhere at once, and open sign-offs
// of theirs are voided (I10). rev is the one that was read, 0 for any. Errors: ErrNotFound, ErrConflict,
// *Refused, also for the last admin.
func (s *Store) ChangePerson(ctx context.Context, actor Actor, id uuid.UUID, rev int64, to PersonChange) (Account, error) {
	to.Name = strings.TrimSpace(to.Name)
	if n := utf8.RuneCountInString(to.Name); n == 0 || n > maxName {
		return Account{}, refuse("a name has 1 to 100 letters", "give one")
	}
	if err := s.roleFits(ctx, to.Role); err != nil {
		return Account{}, err
	}
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		p, salt, err := s.personToChange(ctx, id, rev)
		if err != nil {
			return write{}, err
		}
		if to.Disabled && actor.Person == id {
			return write{}, refuse("nobody closes their own account", "let another admin do it")
		}
		w := write{statements: []statement{
			{sql: `UPDATE person SET name = $3, role = $4, disabled_at = CASE WHEN $5 THEN coalesce(disabled_at, now()) END, rev = rev + 1 WHERE id = $1 AND rev = $2`,
				args: []any{id, p.Rev, to.Name, to.Role, to.Disabled}, rows: 1}}}
		if p.Role.Admin() && !p.Disabled && (to.Disabled || !to.Role.Admin()) {
			w.statements = append(w.statements, otherAdmin(id))
		}
		digest := logbook.SaltedDigest(salt, []byte(to.Name))
		w.entries = []draft{{kind: logbook.PersonChanged, actor: actor, subjects: []logbook.Subject{about("person", id)},
			body: logbook.Body{"role": string(to.Role), "disabled": to.Disabled, "name_digest": digest[:]}}}
		if to.Disabled {
			w.statements = append(w.statements, endSessions(id, uuid.Nil))
			err = s.voidOpen(ctx, &w, actor, "account closed", `r.operator = $1`, id)
		}
		return w, err
	})
	if err != nil {
		return Account{}, err
	}
	return s.Account(ctx, id)
}

// personToChange reads an account that was not erased, at the rev that the caller read.
func (s *Store) personToChange(ctx context.Context, id uuid.UUID, rev int64) (p Person, salt []byte, err error) {
	err = meaning(s.pool.QueryRow(ctx, `SELECT id, sign_in_name, name, role, disabled_at IS NOT NULL, rev, salt FROM person WHERE id = $1 AND erased_at IS NULL`, id).
		Scan(&p.ID, &p.SignInName, &p.Name, &p.Role, &p.Disabled, &p.Rev, &salt))
	if err == nil && rev != 0 && rev != p.Rev {
		err = errStaleRev
	}
	return p, salt, err
}

// otherAdmin refuses what would leave the site without an admin. It locks all of them, so that two
// who close each other's account do not both succeed.
func otherAdmin(id uuid.UUID) statement {
	return statement{sql: `WITH admins AS (SELECT id FROM person WHERE role IN ('admin', 'all') AND disabled_at IS NULL ORDER BY id FOR NO KEY UPDATE)
		SELECT 1 FROM admins WHERE id <> $1 LIMIT 1`, args: []any{id}, rows: 1,
		conflict: refuse("this is the site's last admin", "make somebody else an admin first")}
}

// endSessions signs a person out everywhere but in one session.
func endSessions(person, but uuid.UUID) statement {
	return statement{sql: `UPDATE session SET ended_at = now() WHERE person = $1 AND id <> $2 AND ended_at IS NULL`, args: []any{person, but}, rows: anyRows}
}

// ErasePerson forgets who somebody was: name, sign-in name, password, PIN, passkeys and the salt of the name's
// digest in the logbook go, sessions, tokens and authorisations end. What they did stays in the tree,
// whose proofs hold as before, without a name. Errors: ErrNotFound, *Refused while a run of theirs is
// active, and for the last admin.
func (s *Store) ErasePerson(ctx context.Context, actor Actor, id uuid.UUID) error {
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		p, _, err := s.personToChange(ctx, id, 0)
		if err != nil {
			return write{}, err
		}
		var active bool
		if err := s.pool.QueryRow(ctx, `SELECT EXISTS (SELECT 1 FROM run WHERE operator = $1 AND phase NOT IN ('proposed', 'checking', 'closed'))
			OR EXISTS (SELECT 1 FROM watch WHERE watcher = $1 AND closed_at IS NULL)`, id).Scan(&active); err != nil {
			return write{}, err
		}
		if active {
			return write{}, refuse("this person attends a run or keeps a fire watch", "wait until it is over, or let somebody take over")
		}
		w := write{statements: []statement{
			{sql: `UPDATE person SET name = 'erased', sign_in_name = 'erased ' || id::text, password_hash = '', salt = NULL, role = 'member',
				disabled_at = coalesce(disabled_at, now()), erased_at = now(), rev = rev + 1 WHERE id = $1 AND rev = $2`, args: []any{id, p.Rev}, rows: 1},
			endSessions(id, uuid.Nil),
			{sql: `UPDATE session SET name = '' WHERE person = $1 AND name <> ''`, args: []any{id}, rows: anyRows},
			{sql: `UPDATE invitation SET name = 'erased', ended_at = coalesce(ended_at, now()) WHERE person = $1`, args: []any{id}, rows: anyRows},
			{sql: `DELETE FROM pin WHERE person = $1`, args: []any{id}, rows: anyRows},
			{sql: `DELETE FROM passkey WHERE person = $1`, args: []any{id}, rows: anyRows},
			{sql: `DELETE FROM passkey_challenge WHERE session IN (SELECT id FROM session WHERE person = $1)`, args: []any{id}, rows: anyRows},
			{sql: `DELETE FROM refusal WHERE person = $1`, args: []any{id}, rows: anyRows},
			{sql: `DELETE FROM idempotency WHERE person = $1`, args: []any{id}, rows: anyRows},
			{sql: `UPDATE authorisation SET withdrawn_at = coalesce(withdrawn_at, now()), evidence = '' WHERE person = $1`, args: []any{id}, rows: anyRows},
		}, entries: []draft{{kind: logbook.PersonErased, actor: actor, subjects: []logbook.Subject{about("person", id)}}}}
		if p.Role.Admin() && !p.Disabled {
			w.statements = append(w.statements, otherAdmin(id))
		}
		return w, s.voidOpen(ctx, &w, actor, "account erased", `r.operator = $1`, id)
	})
	return err
}

// ChangePassword keeps a person's new password, an argon2id hash, and signs them out everywhere but
// where they changed it.
func (s *Store) ChangePassword(ctx context.Context, actor Actor, session uuid.UUID, hash string) error {
	if hash == "" {
		return errors.New("db: an empty password hash")
	}
	_, err := s.commit(ctx, func(context.Context) (write, error) {
		return newPassword(actor, actor.Person, session, hash), nil
	})
	return err
}

func newPassword(actor Actor, person, session uuid.UUID, hash string) write {
	return write{
		statements: []statement{
			{sql: `UPDATE person SET password_hash = $2, rev = rev + 1 WHERE id = $1 AND disabled_at IS NULL`, args: []any{person, hash}, rows: 1, conflict: ErrNotFound},
			endSessions(person, session)},
		entries: []draft{{kind: logbook.PasswordChanged, actor: actor, subjects: []logbook.Subject{about("person", person)}}},
	}
}
