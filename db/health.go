package db

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"kerfgate/checklist"
	"kerfgate/db/logbook"
)

// Health is what the database knows of how the site stands.
type Health struct {
	Site      Site
	Limits    Limits
	Version   string // of Postgres
	Bytes     int64  // of the database on its disk
	LogSize   int64
	HeadSize  int64      // of the newest signed head
	HeadAt    *time.Time // when it was signed, nil before the first
	Cared     map[LookedAfter]CareTaken
	Officers  int64 // people who hold the role and may sign in
	Stocks    int64 // lots with a sheet left
	Returning int64 // machines whose journal is awaited after a restore
	ReadAt    time.Time
}

// LookedAfter says how a site was looked after.
type LookedAfter string

// The ways.
const (
	BackupWritten  LookedAfter = "backup"
	BackupTried    LookedAfter = "restore test"
	LogbookChecked LookedAfter = "logbook check"
)

// CareTaken is the newest time at which it was.
type CareTaken struct {
	At      time.Time
	Good    bool
	Said    string
	LogSize int64 // of the logbook that was looked at
}

// Health reads how the site stands. Errors: ErrNotFound before OpenSite.
func (s *Store) Health(ctx context.Context) (Health, error) {
	h := Health{Cared: map[LookedAfter]CareTaken{}}
	var err error
	if h.Site, err = s.Site(ctx); err != nil {
		return h, err
	}
	if err := s.pool.QueryRow(ctx, `SELECT s.member_files, s.member_mib, s.member_runs,
			current_setting('server_version'), pg_database_size(current_database()), l.size, coalesce(h.size, 0), h.at,
			(SELECT count(*) FROM person WHERE role IN ('officer', 'all') AND disabled_at IS NULL),
			(SELECT count(*) FROM stock WHERE count > 0), (SELECT count(*) FROM awaited_journal WHERE ended = ''), now()
		FROM site s CROSS JOIN log_head l LEFT JOIN LATERAL (SELECT size, at FROM log_signed_head ORDER BY size DESC LIMIT 1) h ON true`).
		Scan(&h.Limits.Files, &h.Limits.MiB, &h.Limits.Runs, &h.Version, &h.Bytes, &h.LogSize, &h.HeadSize, &h.HeadAt,
			&h.Officers, &h.Stocks, &h.Returning, &h.ReadAt); err != nil {
		return h, err
	}
	type taken struct {
		What LookedAfter
		CareTaken
	}
	cared, err := readAll(ctx, s.pool, pgx.RowToStructByPos[taken], `SELECT w.what, l.at, l.good, l.said, l.log_size FROM unnest($1::text[]) w (what)
		CROSS JOIN LATERAL (SELECT * FROM looked_after WHERE what = w.what ORDER BY at DESC LIMIT 1) l`,
		[]string{string(BackupWritten), string(BackupTried), string(LogbookChecked)})
	for _, c := range cared {
		h.Cared[c.What] = c.CareTaken
	}
	return h, err
}

// KeepCare writes down that the site was looked after. It is no change of state and has no entry.
func (s *Store) KeepCare(ctx context.Context, what LookedAfter, l CareTaken) error {
	_, err := s.pool.Exec(ctx, KeepCareSQL, what, l.Good, l.Said, l.LogSize)
	return err
}

// KeepCareSQL is the statement behind KeepCare, for whoever has the owner's connection alone, as a backup does.
const KeepCareSQL = `INSERT INTO looked_after (what, good, said, log_size) VALUES ($1, $2, left($3, 500), $4)`

// SettleSite chooses once what kind of site this is. Where one person is to hold every role, the account of whoever
// chooses gets them; it has to be the only one. Errors: ErrNotAllowed, *Refused.
func (s *Store) SettleSite(ctx context.Context, actor Actor, kind string) error {
	if !actor.Role.Admin() {
		return ErrNotAllowed
	}
	role := RoleAdmin
	switch kind {
	case SiteAlone:
		role = RoleAll
	case SiteWorkshop:
	default:
		return refuse("a site is a workshop, or one person alone", "choose one of the two")
	}
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		p, salt, err := s.personToChange(ctx, actor.Person, 0)
		if err != nil {
			return write{}, err
		}
		var settled bool
		var others int64
		if err := s.pool.QueryRow(ctx, `SELECT settled_at IS NOT NULL, (SELECT count(*) FROM person WHERE disabled_at IS NULL AND id <> $1) FROM site`, actor.Person).
			Scan(&settled, &others); err != nil {
			return write{}, err
		}
		if settled {
			return write{}, refuse("what kind of site this is was chosen already", "nothing is to be done")
		}
		if kind == SiteAlone && others > 0 {
			return write{}, refuse("a site of one has one account, and others can sign in here", "choose a workshop, or close the other accounts first")
		}
		digest := logbook.SaltedDigest(salt, []byte(p.Name))
		w := write{
			statements: []statement{{sql: `UPDATE site SET kind = $1, settled_at = now() WHERE settled_at IS NULL`, args: []any{kind}, rows: 1}},
			entries:    []draft{{kind: logbook.SiteSettled, actor: actor, body: logbook.Body{"kind": kind}}}}
		if p.Role != role {
			w.statements = append(w.statements, statement{sql: `UPDATE person SET role = $3, rev = rev + 1 WHERE id = $1 AND rev = $2`, args: []any{p.ID, p.Rev, role}, rows: 1})
			w.entries = append(w.entries, draft{kind: logbook.PersonChanged, actor: actor, subjects: []logbook.Subject{about("person", p.ID)},
				body: logbook.Body{"role": string(role), "disabled": false, "name_digest": digest[:]}})
		}
		return w, nil
	})
	return err
}

// SetLimits says how much one member may hand in. Errors: ErrNotAllowed, *Refused.
func (s *Store) SetLimits(ctx context.Context, actor Actor, l Limits) error {
	if !actor.Role.Admin() {
		return ErrNotAllowed
	}
	var no []checklist.Reason
	for _, x := range []struct {
		what      string
		is, limit int64
	}{{"drawings a day", l.Files, 100_000}, {"MiB a day", l.MiB, 1_000_000}, {"runs at a time", l.Runs, 100_000}} {
		if x.is < 1 || x.is > x.limit {
			no = append(no, checklist.Reason{What: fmt.Sprintf("%s: %d is not between 1 and %d", x.what, x.is, x.limit), Next: "give a number between"})
		}
	}
	if len(no) > 0 {
		return &Refused{Reasons: no}
	}
	_, err := s.commit(ctx, func(context.Context) (write, error) {
		return write{
			statements: []statement{{sql: `UPDATE site SET member_files = $1, member_mib = $2, member_runs = $3`, args: []any{l.Files, l.MiB, l.Runs}, rows: 1}},
			entries:    []draft{{kind: logbook.SiteLimitsSet, actor: actor, body: logbook.Body{"files": l.Files, "mib": l.MiB, "runs": l.Runs}}},
		}, nil
	})
	return err
}

// CheckAndKeep checks the whole logbook and writes down that it was done and what was found. The error is that of
// the check, see CheckLog.
func (s *Store) CheckAndKeep(ctx context.Context) (logbook.Report, error) {
	report, err := s.CheckLog(ctx)
	l := CareTaken{Good: err == nil, Said: "root " + hex.EncodeToString(report.Root[:4]), LogSize: report.Entries}
	if err != nil {
		var finding *logbook.CheckError
		if !errors.As(err, &finding) {
			return report, err
		}
		l.Said = strings.ToValidUTF8(err.Error(), "")
	}
	if keepErr := s.KeepCare(ctx, LogbookChecked, l); keepErr != nil {
		return report, keepErr
	}
	return report, err
}
