package db

import (
	"context"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// Dossier is everything that is kept about one run, as it stood then; what was added later stands beside
// it and changes nothing of it.
type Dossier struct {
	Run           Run
	Signed        *Signed        // nil where it was never signed
	Authorisation *Authorisation // that the sign-off binds, as it was granted
	Upkeep        []UpkeepThen
	Lockouts      []LockoutThen
	Watches       []WatchThen
	Incidents     []Incident
	Entries       []LogEntry // of the logbook about this run, oldest first
	Proofs        [][]byte   // one an entry, C2SP tlog-proof
}

// UpkeepThen is work on the machine and when it had been done last before the run began.
type UpkeepThen struct {
	What     string
	Critical bool
	DoneAt   *time.Time // nil for never
	By       string
	Note     string
}

// LockoutThen is a lockout of the machine that began or ended while the run was open, or that day.
type LockoutThen struct {
	Reason, SetBy string
	SetAt         time.Time
	LiftedAt      *time.Time
	LiftedBy      string
	LiftedReason  string
}

// WatchThen is a fire watch that the run began or carried on.
type WatchThen struct {
	Watcher  string
	OpenedAt time.Time
	Until    time.Time
	ClosedAt *time.Time
}

// maxDossierEntries bounds how many entries a dossier proves; a run has some dozens.
const maxDossierEntries = 2000

// Dossier gathers what is kept about a run, in a fixed number of queries and one proof an entry. Errors:
// ErrNotFound.
func (s *Store) Dossier(ctx context.Context, actor Actor, id uuid.UUID) (Dossier, error) {
	r, err := s.Run(ctx, actor, id)
	if err != nil {
		return Dossier{}, err
	}
	d := Dossier{Run: r}
	signed, err := s.SignOffs(ctx, id)
	if err != nil {
		return d, err
	}
	if so, ok := signed[id]; ok {
		d.Signed = &so
		list, err := read[Authorisation](ctx, s, selectAuthorisation+`a.id = $1`, so.Authorisation)
		if err != nil {
			return d, err
		}
		d.Authorisation = &list[0] // the sign-off's row is never deleted
	}
	began := r.ProposedAt
	if r.StartedAt != nil {
		began = *r.StartedAt
	}
	if d.Upkeep, err = read[UpkeepThen](ctx, s, `SELECT t.what, t.critical, d.at, coalesce(p.name, ''), coalesce(d.note, '')
		FROM upkeep_task t LEFT JOIN LATERAL (SELECT at, by_person, note FROM upkeep_done WHERE task = t.id AND at <= $2 ORDER BY at DESC LIMIT 1) d ON true
		LEFT JOIN person p ON p.id = d.by_person WHERE t.machine = $1 AND (t.retired_at IS NULL OR t.retired_at > $2) ORDER BY t.what`, r.Machine, began); err != nil {
		return d, err
	}
	if d.Lockouts, err = read[LockoutThen](ctx, s, `SELECT l.reason, coalesce(a.name, ''), l.set_at, l.lifted_at, coalesce(b.name, ''), coalesce(l.lifted_reason, '')
		FROM lockout l LEFT JOIN person a ON a.id = l.set_by LEFT JOIN person b ON b.id = l.lifted_by
		WHERE l.machine = $1 AND l.set_at < coalesce($3, now()) + interval '1 day' AND coalesce(l.lifted_at, 'infinity') > $2::timestamptz - interval '1 day' ORDER BY l.set_at`,
		r.Machine, began, r.EndedAt); err != nil {
		return d, err
	}
	if d.Watches, err = read[WatchThen](ctx, s, `SELECT p.name, w.opened_at, w.until, w.closed_at FROM watch w JOIN person p ON p.id = w.watcher WHERE w.run = $1 ORDER BY w.opened_at`, id); err != nil {
		return d, err
	}
	if d.Incidents, err = s.IncidentsOfRun(ctx, id); err != nil {
		return d, err
	}
	if d.Entries, err = s.LogEntries(ctx, LogFilter{Before: -1, Limit: maxDossierEntries, Subject: id}); err != nil {
		return d, err
	}
	slices.Reverse(d.Entries)
	d.Proofs, err = s.proofsOf(ctx, d.Entries)
	return d, err
}

func read[T any](ctx context.Context, s *Store, sql string, args ...any) ([]T, error) {
	rows, err := s.pool.Query(ctx, sql, args...)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByPos[T])
}

// proofsOf proves entries under one head.
func (s *Store) proofsOf(ctx context.Context, entries []LogEntry) ([][]byte, error) {
	head, size, err := s.LogHead(ctx)
	if err != nil {
		return nil, err
	}
	proofs := make([][]byte, len(entries))
	for i, e := range entries {
		if proofs[i], err = s.proofUnder(ctx, head, size, e.Index); err != nil {
			return nil, err
		}
	}
	return proofs, nil
}
