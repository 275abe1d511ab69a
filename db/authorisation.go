package db

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/checklist"
	"kerfgate/db/logbook"
	"kerfgate/plan/material"
)

// Authorisation lets a member operate a machine until it expires, is withdrawn, or lies idle for so
// many months that a refresher is due.
type Authorisation struct {
	ID          uuid.UUID
	Person      uuid.UUID
	Machine     uuid.UUID
	MachineName string
	GrantedAt   time.Time
	GrantedBy   string // name; empty for the command line
	Evidence    string // what showed that the person can: a course, a supervised run
	// ExpiresAt is when it ends: by date, or earlier where it would lie idle too long.
	ExpiresAt  time.Time
	IdleMonths int64            // 0 for none
	Groups     []material.Group // of materials that it covers; none: every material
}

// NewAuthorisation is an authorisation to be granted.
type NewAuthorisation struct {
	Person, Machine uuid.UUID
	Until           time.Time
	Evidence        string
	IdleMonths      int64 // months without a run after which it needs a refresher; 0 for none
	Groups          []material.Group
}

// maxEvidence bounds the words of an authorisation's evidence, in characters.
const maxEvidence = 300

// Authorise lets a person operate a machine. Nobody authorises themselves where there is somebody else
// who could. Errors: ErrNotFound, *Refused.
func (s *Store) Authorise(ctx context.Context, actor Actor, n NewAuthorisation) (Authorisation, error) {
	n.Evidence = strings.TrimSpace(n.Evidence)
	switch length := utf8.RuneCountInString(n.Evidence); {
	case length == 0 || length > maxEvidence:
		return Authorisation{}, refuse("what shows that the person can run this machine is not said", "name the course or the supervised run, in at most 300 letters")
	case n.IdleMonths < 0 || n.IdleMonths > 60:
		return Authorisation{}, refuse("a refresher can be asked after 1 to 60 months without a run", "give a number between, or none")
	}
	groups := []material.Group{} // in their own order, each once
	for _, g := range material.Groups() {
		if slices.Contains(n.Groups, g) {
			groups = append(groups, g)
		}
	}
	if i := slices.IndexFunc(n.Groups, func(g material.Group) bool { return !g.Known() }); i >= 0 {
		return Authorisation{}, refuse(fmt.Sprintf("there is no group of materials %.40q", n.Groups[i]), "choose of the list, or none for every material")
	}
	site, err := s.Site(ctx)
	if err != nil {
		return Authorisation{}, err
	}
	if actor.Person != uuid.Nil && actor.Person == n.Person && site.Kind != SiteAlone {
		return Authorisation{}, refuse("nobody authorises themselves", "let another officer or admin see you run the machine and grant it")
	}
	id := newID()
	_, err = s.commit(ctx, func(context.Context) (write, error) {
		return write{
			statements: []statement{{sql: `INSERT INTO authorisation (id, person, machine, expires_at, granted_by, evidence, idle_months, groups)
				SELECT $1, p.id, m.id, $4, $5, $6, $7, $8 FROM person p, machine m
				WHERE p.id = $2 AND p.disabled_at IS NULL AND m.id = $3 AND $4 > now()`,
				args: []any{id, n.Person, n.Machine, n.Until, person(actor), n.Evidence, orNull(n.IdleMonths), groups}, rows: 1,
				conflict: refuse("no such active account or machine, or a date that is over", "read both again and give a date to come")}},
			entries: []draft{{kind: logbook.AuthorisationGranted, actor: actor,
				subjects: []logbook.Subject{about("person", n.Person), about("machine", n.Machine), about("authorisation", id)},
				body:     logbook.Body{"until": n.Until.UTC().Format(time.RFC3339), "idle_months": n.IdleMonths, "groups": checklist.GroupWords(groups)}}},
		}, nil
	})
	if err != nil {
		return Authorisation{}, err
	}
	return readOne(ctx, s.pool, pgx.RowToStructByPos[Authorisation], selectAuthorisation+`a.id = $1`, id)
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

const selectAuthorisation = `SELECT a.id, a.person, a.machine, m.name, a.granted_at, coalesce(by.name, ''), a.evidence,
		least(a.expires_at, greatest(a.granted_at, a.used_at) + make_interval(months => a.idle_months)), coalesce(a.idle_months, 0), a.groups
	FROM authorisation a JOIN machine m ON m.id = a.machine LEFT JOIN person by ON by.id = a.granted_by WHERE `

// Authorisations lists what a person may operate now.
func (s *Store) Authorisations(ctx context.Context, person uuid.UUID) ([]Authorisation, error) {
	return s.authorisationsOf(ctx, []uuid.UUID{person})
}

// authorisationsOf lists what people may operate now, in one query.
func (s *Store) authorisationsOf(ctx context.Context, people []uuid.UUID) ([]Authorisation, error) {
	return readAll(ctx, s.pool, pgx.RowToStructByPos[Authorisation], selectAuthorisation+`a.person = ANY($1) AND a.withdrawn_at IS NULL AND authorisation_holds(a) ORDER BY a.granted_at`, people)
}

// ranMachine notes that the operator of a run that burned used their authorisations that cover its material,
// which puts a refresher off.
func ranMachine(run uuid.UUID, group material.Group) statement {
	return statement{sql: `UPDATE authorisation a SET used_at = now() FROM run r
		WHERE r.id = $1 AND NOT r.never_moved AND a.person = r.operator AND a.machine = r.machine AND (a.groups = '{}' OR $2 = ANY(a.groups)) AND authorisation_holds(a)`,
		args: []any{run, string(group)}, rows: anyRows}
}
