package db

import (
	"context"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/db/logbook"
	"kerfgate/plan/canon"
)

// IncidentNote is what somebody added to an incident: facts before causes.
type IncidentNote struct {
	Incident uuid.UUID // zero in one that is to be added
	About    string    // of NoteSubjects
	Text     string
	By       string
	At       time.Time
}

// NoteSubjects are what a note can be about, in the order in which an incident is looked into.
func NoteSubjects() []string {
	return []string{"fact", "immediate cause", "underlying cause", "root cause"}
}

// Remedies are how strong a follow-up is, strongest first.
func Remedies() []string {
	return []string{"elimination", "engineering", "administrative", "protective equipment"}
}

// FollowUp is one thing to be done about an incident.
type FollowUp struct {
	ID        uuid.UUID
	Incident  uuid.UUID
	What      string
	Remedy    string // of Remedies
	Owner     uuid.UUID
	OwnerName string
	Due       time.Time // a day
	DoneAt    *time.Time
	DoneBy    string
	Result    string
}

// openIncident reads an incident that is not closed, for a change of it.
func (s *Store) openIncident(ctx context.Context, id uuid.UUID) (Incident, error) {
	i, err := s.Incident(ctx, id)
	if err == nil && i.ClosedAt != nil {
		err = refuse("this incident is closed", "report what came up since as an incident of its own, and name this one")
	}
	return i, err
}

// changeIncident is one addition to an incident that is open.
func (s *Store) changeIncident(ctx context.Context, actor Actor, id uuid.UUID, change func(ctx context.Context, i Incident, w *write) (logbook.Kind, logbook.Body, error)) error {
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		i, err := s.openIncident(ctx, id)
		if err != nil {
			return write{}, err
		}
		w := write{statements: []statement{{sql: `UPDATE incident SET rev = rev + 1 WHERE id = $1 AND rev = $2 AND closed_at IS NULL`, args: []any{id, i.Rev}, rows: 1}}}
		kind, body, err := change(ctx, i, &w)
		w.entries = append(w.entries, draft{kind: kind, actor: actor,
			subjects: []logbook.Subject{about("incident", id), about(logbook.RoleMachine, i.Machine)}, body: body})
		return w, err
	})
	return err
}

// AddIncidentNote adds what came to be known. Errors: ErrNotFound, *Refused.
func (s *Store) AddIncidentNote(ctx context.Context, actor Actor, id uuid.UUID, n IncidentNote) error {
	n.Text = strings.TrimSpace(n.Text)
	if length := utf8.RuneCountInString(n.Text); length == 0 || length > maxWhat || !slices.Contains(NoteSubjects(), n.About) {
		return refuse("a note says in at most 2000 letters a fact or a cause", "choose which it is and write it")
	}
	note, salt := newID(), newSalt()
	return s.changeIncident(ctx, actor, id, func(_ context.Context, _ Incident, w *write) (logbook.Kind, logbook.Body, error) {
		w.statements = append(w.statements, statement{sql: `INSERT INTO incident_note (id, incident, about, text, by_person) VALUES ($1, $2, $3, $4, $5)`,
			args: []any{note, id, n.About, n.Text, actor.Person}, rows: 1})
		digest := logbook.SaltedDigest(salt, []byte(n.Text))
		return logbook.IncidentAdded, logbook.Body{"about": n.About, "text_digest": digest[:]}, nil
	})
}

// AddFollowUp says what is to be done, by whom, until when. Errors: ErrNotFound, *Refused.
func (s *Store) AddFollowUp(ctx context.Context, actor Actor, f FollowUp) (uuid.UUID, error) {
	f.What = strings.TrimSpace(f.What)
	if length := utf8.RuneCountInString(f.What); length == 0 || length > 500 || !slices.Contains(Remedies(), f.Remedy) || f.Due.IsZero() {
		return uuid.Nil, refuse("a follow-up says in at most 500 letters what is done, how strong a remedy it is, and until when", "give all three")
	}
	f.ID = newID()
	return f.ID, s.changeIncident(ctx, actor, f.Incident, func(_ context.Context, _ Incident, w *write) (logbook.Kind, logbook.Body, error) {
		w.statements = append(w.statements, statement{sql: `INSERT INTO follow_up (id, incident, what, remedy, owner, due)
			SELECT $1, $2, $3, $4, id, $6::date FROM person WHERE id = $5 AND disabled_at IS NULL`,
			args: []any{f.ID, f.Incident, f.What, f.Remedy, f.Owner, f.Due}, rows: 1,
			conflict: refuse("there is no such active account", "choose somebody who is here to do it")})
		return logbook.FollowUpSet, logbook.Body{"remedy": f.Remedy, "due": f.Due.Format(time.DateOnly)}, nil
	})
}

// FinishFollowUp says what was done: its owner, an officer or an admin. Errors: ErrNotFound, *Refused.
func (s *Store) FinishFollowUp(ctx context.Context, actor Actor, id uuid.UUID, result string) error {
	result = strings.TrimSpace(result)
	if length := utf8.RuneCountInString(result); length == 0 || length > 500 {
		return refuse("what was done is not said, or in more than 500 letters", "say what was done and whether it helps")
	}
	var incident, owner uuid.UUID
	if err := s.pool.QueryRow(ctx, `SELECT incident, owner FROM follow_up WHERE id = $1`, id).Scan(&incident, &owner); err != nil {
		return meaning(err)
	}
	if owner != actor.Person && !actor.Role.Officer() && !actor.Role.Admin() {
		return ErrNotFound // somebody else's
	}
	return s.changeIncident(ctx, actor, incident, func(_ context.Context, _ Incident, w *write) (logbook.Kind, logbook.Body, error) {
		w.statements = append(w.statements, statement{sql: `UPDATE follow_up SET done_at = now(), done_by = $2, result = $3 WHERE id = $1 AND done_at IS NULL`,
			args: []any{id, actor.Person, result}, rows: 1, conflict: refuse("this follow-up is done already", "add a note where more was done")})
		return logbook.FollowUpDone, nil, nil
	})
}

// CloseIncident ends an incident; officers alone, and only when everything that was to be done is done.
// Errors: ErrNotFound, *Refused.
func (s *Store) CloseIncident(ctx context.Context, actor Actor, id uuid.UUID, closing string) error {
	closing = strings.TrimSpace(closing)
	if length := utf8.RuneCountInString(closing); length == 0 || length > maxWhat {
		return refuse("what was learned is not said, or in more than 2000 letters", "say what was found and what is different now")
	}
	salt := newSalt()
	return s.changeIncident(ctx, actor, id, func(_ context.Context, i Incident, w *write) (logbook.Kind, logbook.Body, error) {
		if i.Open > 0 {
			return "", nil, refuse("a follow-up is not done yet", "finish every follow-up first, or say in its result why it is not needed")
		}
		w.statements[0] = statement{sql: `UPDATE incident SET rev = rev + 1, closed_at = now(), closed_by = $3, closing = $4 WHERE id = $1 AND rev = $2 AND closed_at IS NULL`,
			args: []any{id, i.Rev, actor.Person, closing}, rows: 1}
		digest := logbook.SaltedDigest(salt, []byte(closing))
		return logbook.IncidentClosed, logbook.Body{"closing_digest": digest[:]}, nil
	})
}

// maxPhotos is how many photos an incident may have.
const maxPhotos = 20

// AddIncidentPhoto keeps a JPEG that the server wrote itself. Errors: ErrNotFound, *Refused.
func (s *Store) AddIncidentPhoto(ctx context.Context, actor Actor, id uuid.UUID, jpeg []byte) error {
	return s.changeIncident(ctx, actor, id, func(_ context.Context, i Incident, w *write) (logbook.Kind, logbook.Body, error) {
		if i.Photos >= maxPhotos {
			return "", nil, refuse("an incident has at most 20 photos", "keep the others elsewhere and say where in a note")
		}
		w.addPhoto(id, int(i.Photos)+1, jpeg)
		digest := canon.Sum(jpeg)
		return logbook.PhotoKept, logbook.Body{"photo": digest[:]}, nil
	})
}

// IncidentPhoto reads one photo, counted from 1, as JPEG. Errors: ErrNotFound.
func (s *Store) IncidentPhoto(ctx context.Context, id uuid.UUID, n int64) ([]byte, error) {
	var digest []byte
	if err := s.pool.QueryRow(ctx, `SELECT digest FROM incident_photo WHERE incident = $1 AND n = $2`, id, n).Scan(&digest); err != nil {
		return nil, meaning(err)
	}
	return s.blob(ctx, canon.Digest(digest))
}

// IncidentNotes lists what was added to an incident, oldest first.
func (s *Store) IncidentNotes(ctx context.Context, id uuid.UUID) ([]IncidentNote, error) {
	return s.notesOf(ctx, []uuid.UUID{id})
}

func (s *Store) notesOf(ctx context.Context, incidents []uuid.UUID) ([]IncidentNote, error) {
	return readAll(ctx, s.pool, pgx.RowToStructByPos[IncidentNote], `SELECT n.incident, n.about, n.text, p.name, n.at FROM incident_note n JOIN person p ON p.id = n.by_person
		WHERE n.incident = ANY($1) ORDER BY n.at, n.id`, incidents)
}

// FollowUps lists what is to be done about an incident, by due day.
func (s *Store) FollowUps(ctx context.Context, incident uuid.UUID) ([]FollowUp, error) {
	return s.followUpsOf(ctx, []uuid.UUID{incident})
}

func (s *Store) followUpsOf(ctx context.Context, incidents []uuid.UUID) ([]FollowUp, error) {
	return readAll(ctx, s.pool, pgx.RowToStructByPos[FollowUp], `SELECT f.id, f.incident, f.what, f.remedy, f.owner, p.name, f.due, f.done_at, coalesce(d.name, ''), f.result
		FROM follow_up f JOIN person p ON p.id = f.owner LEFT JOIN person d ON d.id = f.done_by WHERE f.incident = ANY($1) ORDER BY f.due, f.id`, incidents)
}

// MonthOfIncidents counts one month: incidents by kind, and the hours that machines ran.
type MonthOfIncidents struct {
	Month time.Time // its first day, in the site's zone
	Kind  IncidentKind
	Count int64
	// MachineMS is the machine time of the whole month, of every kind's row the same.
	MachineMS int64
}

// IncidentRates counts incidents by month of the site's zone and kind, newest month first, for as many
// months back as are asked.
func (s *Store) IncidentRates(ctx context.Context, now time.Time, months int) ([]MonthOfIncidents, error) {
	zone := s.Location()
	if zone == nil {
		zone = time.UTC
	}
	now = now.In(zone)
	first, next := make([]time.Time, months), make([]time.Time, months)
	for i := range months {
		first[i] = time.Date(now.Year(), now.Month()-time.Month(i), 1, 0, 0, 0, 0, zone)
		next[i] = first[i].AddDate(0, 1, 0)
	}
	list, err := readAll(ctx, s.pool, pgx.RowToStructByPos[MonthOfIncidents], `WITH month AS (SELECT * FROM unnest($1::timestamptz[], $2::timestamptz[]) AS month (first, next)),
		ran AS (SELECT first, sum(real_ms)::bigint AS ms FROM month JOIN run ON phase = 'closed' AND ended_at >= first AND ended_at < next GROUP BY 1),
		told AS (SELECT first, kind, count(*) AS n FROM month JOIN incident ON happened_at >= first AND happened_at < next GROUP BY 1, 2)
		SELECT month.first, coalesce(told.kind, ''), coalesce(told.n, 0), coalesce(ran.ms, 0)
		FROM month LEFT JOIN ran USING (first) LEFT JOIN told USING (first) WHERE told.n > 0 OR ran.ms > 0 ORDER BY 1 DESC, 2`, first, next)
	for i := range list {
		list[i].Month = list[i].Month.In(zone)
	}
	return list, err
}
