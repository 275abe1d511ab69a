package db

import (
	"context"
	"encoding/json"
	"slices"
	"time"
	"unicode/utf8"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/db/logbook"
)

// maxParticular bounds one text of the particulars, in characters.
const maxParticular = 500

// texts are the particulars that are texts.
func (p *Particulars) texts() []*string {
	return []*string{&p.Hurt, &p.Witnesses, &p.Doing, &p.HarmedBy, &p.Injury, &p.Treatment, &p.Damage, &p.PutOutWith, &p.Interlock, &p.Airflow, &p.EmergencyStop, &p.Measures}
}

// Known is what is known of an incident beside what happened, when it is reported or later.
type Known struct {
	Severity, Potential string // of Harms
	Particulars         Particulars
}

// fit checks what is known. What could have been is no milder than what was: what happened could have happened.
func (k *Known) fit() error {
	was, worst := slices.Index(Harms(), k.Severity), slices.Index(Harms(), k.Potential)
	if was < 0 || worst < 0 {
		return refuse("how bad it was, or could have been, is not said", "choose one of the words")
	}
	k.Potential = Harms()[max(was, worst)]
	for _, text := range k.Particulars.texts() {
		if utf8.RuneCountInString(*text) > maxParticular {
			return refuse("one of the particulars is longer than 500 letters", "say it shorter, and add the rest as a fact")
		}
	}
	if k.Particulars.DaysOff < 0 || k.Particulars.DaysOff > 10_000 {
		return refuse("days off are a number from 0 on", "count whole days off normal work")
	}
	return nil
}

// FillIn keeps what came to be known of an incident, beside the report and whatever was filled in before. rev is
// that of the incident as it was read. Errors: ErrNotFound, ErrConflict, *Refused.
func (s *Store) FillIn(ctx context.Context, actor Actor, id uuid.UUID, rev int64, k Known) error {
	if err := k.fit(); err != nil {
		return err
	}
	data, err := json.Marshal(k.Particulars)
	if err != nil {
		return err
	}
	salt := newSalt()
	return s.changeIncident(ctx, actor, id, func(_ context.Context, i Incident, w *write) (logbook.Kind, logbook.Body, error) {
		if i.Rev != rev {
			return "", nil, errStaleRev
		}
		w.statements = append(w.statements, statement{sql: `INSERT INTO incident_particulars (incident, n, by_person, severity, potential, data, salt)
			SELECT $1, coalesce(max(n), 0) + 1, $2, $3, $4, $5, $6 FROM incident_particulars WHERE incident = $1`,
			args: []any{id, actor.Person, k.Severity, k.Potential, data, salt}, rows: 1})
		digest := logbook.SaltedDigest(salt, data)
		return logbook.IncidentAdded, logbook.Body{"about": "particulars", "severity": k.Severity, "potential": k.Potential, "text_digest": digest[:]}, nil
	})
}

// FilledIn is who filled particulars in, and when.
type FilledIn struct {
	By        string
	At        time.Time
	Severity  string
	Potential string
}

// FillingsIn lists who filled particulars in, oldest first.
func (s *Store) FillingsIn(ctx context.Context, incident uuid.UUID) ([]FilledIn, error) {
	return readAll(ctx, s.pool, pgx.RowToStructByPos[FilledIn], `SELECT p.name, f.at, f.severity, f.potential FROM incident_particulars f JOIN person p ON p.id = f.by_person
		WHERE f.incident = $1 ORDER BY f.n`, incident)
}

// LinkRun ties a further run to an incident: one of any machine, since a cause may lie elsewhere. Errors:
// ErrNotFound, *Refused.
func (s *Store) LinkRun(ctx context.Context, actor Actor, id, run uuid.UUID) error {
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		i, err := s.openIncident(ctx, id)
		if err != nil {
			return write{}, err
		}
		if i.Run == run {
			return write{}, refuse("the incident was reported with this run", "nothing is to be done")
		}
		return write{
			statements: []statement{
				{sql: `UPDATE incident SET rev = rev + 1 WHERE id = $1 AND rev = $2 AND closed_at IS NULL`, args: []any{id, i.Rev}, rows: 1},
				{sql: `INSERT INTO incident_about_run (incident, run, by_person) SELECT $1, id, $3 FROM run WHERE id = $2 ON CONFLICT DO NOTHING`, args: []any{id, run, actor.Person}, rows: 1,
					conflict: refuse("this run is tied to the incident already", "look at the list of runs")}},
			entries: []draft{{kind: logbook.IncidentAdded, actor: actor, subjects: []logbook.Subject{about("incident", id), about(logbook.RoleMachine, i.Machine), about(logbook.RoleRun, run)},
				body: logbook.Body{"about": "run"}}},
		}, nil
	})
	return err
}

// LinkedRun is a run that an incident is about.
type LinkedRun struct {
	ID     uuid.UUID
	Number int64
	Title  string // of its job
}

// LinkedRuns lists the runs that were tied to an incident after it was reported.
func (s *Store) LinkedRuns(ctx context.Context, incident uuid.UUID) ([]LinkedRun, error) {
	return readAll(ctx, s.pool, pgx.RowToStructByPos[LinkedRun], `SELECT r.id, r.number, j.title FROM incident_about_run l JOIN run r ON r.id = l.run JOIN job j ON j.id = r.job WHERE l.incident = $1 ORDER BY r.number`, incident)
}

// OpenFollowUps lists what is still to be done about incidents, by due day: of everybody, or of one person. At
// most limit.
func (s *Store) OpenFollowUps(ctx context.Context, owner uuid.UUID, limit int) ([]FollowUp, error) {
	return readAll(ctx, s.pool, pgx.RowToStructByPos[FollowUp], `SELECT f.id, f.incident, f.what, f.remedy, f.owner, p.name, f.due, f.done_at, '', f.result FROM follow_up f JOIN person p ON p.id = f.owner
		JOIN incident i ON i.id = f.incident AND i.closed_at IS NULL
		WHERE f.done_at IS NULL AND ($1 = '00000000-0000-0000-0000-000000000000'::uuid OR f.owner = $1) ORDER BY f.due, f.id LIMIT $2`, owner, limit)
}
