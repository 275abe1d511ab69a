package db

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/plan/canon"
)

// AuthorisationThen is an authorisation with ExpiresAt as it stood when the run was signed: a later run puts
// a refresher off and is no part of it.
type AuthorisationThen struct {
	Authorisation
	WithdrawnAt *time.Time // since
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
	ID       uuid.UUID
	Watcher  string
	OpenedAt time.Time
	Until    time.Time
	ClosedAt *time.Time
	Looks    []Look // oldest first
}

// IncidentThen is an incident of the run with what was added to it.
type IncidentThen struct {
	Incident
	Notes     []IncidentNote
	FollowUps []FollowUp
}

// PhotoThen is a photo that belongs to the run.
type PhotoThen struct {
	Incident uuid.UUID
	N        int64
	At       time.Time
	Digest   canon.Digest
}

// authorisationThen reads the authorisation that a sign-off binds.
func (s *Store) authorisationThen(ctx context.Context, so Signed) (*AuthorisationThen, error) {
	list, err := readAll(ctx, s.pool, pgx.RowToStructByPos[Authorisation], selectAuthorisation+`a.id = $1`, so.Authorisation)
	if err != nil {
		return nil, err
	}
	if len(list) == 0 {
		return nil, fmt.Errorf("authorisation %s that a sign-off binds is gone", so.Authorisation)
	}
	then := AuthorisationThen{Authorisation: list[0]}
	err = s.pool.QueryRow(ctx, `SELECT least(a.expires_at, greatest(a.granted_at, (SELECT max(r.ended_at) FROM run r
			WHERE r.operator = a.person AND r.machine = a.machine AND r.phase = 'closed' AND NOT r.never_moved AND r.ended_at <= $2)) + make_interval(months => a.idle_months)), a.withdrawn_at
		FROM authorisation a WHERE a.id = $1`, so.Authorisation, so.At).Scan(&then.ExpiresAt, &then.WithdrawnAt)
	return &then, err
}

// surroundings reads what befell machine and run, each kind in one query.
func (s *Store) surroundings(ctx context.Context, d *Dossier) (err error) {
	r := d.Run
	began := r.ProposedAt
	if r.StartedAt != nil {
		began = *r.StartedAt
	}
	if d.Upkeep, err = readAll(ctx, s.pool, pgx.RowToStructByPos[UpkeepThen], `SELECT t.what, t.critical, d.at, coalesce(p.name, ''), coalesce(d.note, '')
		FROM upkeep_task t LEFT JOIN LATERAL (SELECT at, by_person, note FROM upkeep_done WHERE task = t.id AND at <= $2 ORDER BY at DESC LIMIT 1) d ON true
		LEFT JOIN person p ON p.id = d.by_person WHERE t.machine = $1 AND (t.retired_at IS NULL OR t.retired_at > $2) ORDER BY t.what, t.id`, r.Machine, began); err != nil {
		return err
	}
	if d.Lockouts, err = readAll(ctx, s.pool, pgx.RowToStructByPos[LockoutThen], `SELECT l.reason, coalesce(a.name, ''), l.set_at, l.lifted_at, coalesce(b.name, ''), coalesce(l.lifted_reason, '')
		FROM lockout l LEFT JOIN person a ON a.id = l.set_by LEFT JOIN person b ON b.id = l.lifted_by
		WHERE l.machine = $1 AND l.set_at < coalesce($3, now()) + interval '1 day' AND coalesce(l.lifted_at, 'infinity') > $2::timestamptz - interval '1 day' ORDER BY l.set_at`,
		r.Machine, began, r.EndedAt); err != nil {
		return err
	}
	if err := s.watchesThen(ctx, d); err != nil {
		return err
	}
	return s.incidentsThen(ctx, d)
}

func (s *Store) watchesThen(ctx context.Context, d *Dossier) (err error) {
	if d.Watches, err = readAll(ctx, s.pool, func(row pgx.CollectableRow) (w WatchThen, err error) {
		return w, row.Scan(&w.ID, &w.Watcher, &w.OpenedAt, &w.Until, &w.ClosedAt)
	}, `SELECT w.id, p.name, w.opened_at, w.until, w.closed_at FROM watch w JOIN person p ON p.id = w.watcher
		WHERE w.run = $1 ORDER BY w.opened_at`, d.Run.ID); err != nil || len(d.Watches) == 0 {
		return err
	}
	of := make(map[uuid.UUID]*WatchThen, len(d.Watches))
	ids := make([]uuid.UUID, len(d.Watches))
	for i := range d.Watches {
		ids[i] = d.Watches[i].ID
		of[ids[i]] = &d.Watches[i]
	}
	type lookOf struct {
		Watch uuid.UUID
		Look
	}
	looks, err := readAll(ctx, s.pool, pgx.RowToStructByPos[lookOf], `SELECT l.watch, l.at, p.name, l.saw = 'fire' FROM watch_look l JOIN person p ON p.id = l.by_person
		WHERE l.watch = ANY($1) ORDER BY l.at`, ids)
	for _, l := range looks {
		of[l.Watch].Looks = append(of[l.Watch].Looks, l.Look)
	}
	return err
}

func (s *Store) incidentsThen(ctx context.Context, d *Dossier) error {
	list, err := s.IncidentsOfRun(ctx, d.Run.ID)
	if err != nil || len(list) == 0 {
		return err
	}
	of := make(map[uuid.UUID]*IncidentThen, len(list))
	ids := make([]uuid.UUID, len(list))
	d.Incidents = make([]IncidentThen, len(list))
	for i := range list {
		ids[i], d.Incidents[i].Incident = list[i].ID, list[i]
		of[ids[i]] = &d.Incidents[i]
	}
	notes, err := s.notesOf(ctx, ids)
	if err != nil {
		return err
	}
	for _, n := range notes {
		of[n.Incident].Notes = append(of[n.Incident].Notes, n)
	}
	tasks, err := s.followUpsOf(ctx, ids)
	if err != nil {
		return err
	}
	for _, f := range tasks {
		of[f.Incident].FollowUps = append(of[f.Incident].FollowUps, f)
	}
	d.Photos, err = readAll(ctx, s.pool, func(row pgx.CollectableRow) (p PhotoThen, err error) {
		var digest []byte
		err = row.Scan(&p.Incident, &p.N, &p.At, &digest)
		copy(p.Digest[:], digest)
		return p, err
	}, `SELECT incident, n, at, digest FROM incident_photo WHERE incident = ANY($1) ORDER BY at, incident, n`, ids)
	return err
}
