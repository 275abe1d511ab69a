package db

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/db/logbook"
)

// IncidentKind says what an incident is.
type IncidentKind string

// The kinds.
const (
	IncidentInjury    IncidentKind = "injury"
	IncidentFire      IncidentKind = "fire" // any flame that outlasts the beam
	IncidentDamage    IncidentKind = "damage"
	IncidentExposure  IncidentKind = "exposure"           // to beam or fume
	IncidentNearMiss  IncidentKind = "near miss"          // no harm, though it clearly could have harmed
	IncidentHazard    IncidentKind = "hazard observation" // nothing happened yet
	IncidentInterlock IncidentKind = "interlock defeat"
)

// IncidentKinds are all kinds.
func IncidentKinds() []IncidentKind {
	return []IncidentKind{IncidentInjury, IncidentFire, IncidentExposure, IncidentDamage, IncidentNearMiss, IncidentInterlock, IncidentHazard}
}

// Harms are how bad an incident was, or could have been, mildest first.
func Harms() []string { return []string{"none", "first aid", "treatment", "lasting harm", "death"} }

// Particulars are what only officers and admins read.
type Particulars struct {
	Hurt          string `json:"hurt,omitempty"`      // who
	Visitor       bool   `json:"visitor,omitempty"`   // who is no worker of the site
	Witnesses     string `json:"witnesses,omitempty"` //
	Doing         string `json:"doing,omitempty"`     // just before
	HarmedBy      string `json:"harmed_by,omitempty"` // object or substance
	Injury        string `json:"injury,omitempty"`    // and the part of the body
	Treatment     string `json:"treatment,omitempty"` //
	Hospital      bool   `json:"hospital,omitempty"`  // taken there for treatment
	AdmittedStay  bool   `json:"admitted,omitempty"`  // as an in-patient
	LostPart      bool   `json:"lost_part,omitempty"` // amputation, or loss of an eye
	DaysOff       int64  `json:"days_off,omitempty"`  // normal work
	Damage        string `json:"damage,omitempty"`    //
	PutOutWith    string `json:"put_out_with,omitempty"`
	Interlock     string `json:"interlock,omitempty"` // its state
	Airflow       string `json:"airflow,omitempty"`
	EmergencyStop string `json:"emergency_stop,omitempty"`
	Measures      string `json:"measures,omitempty"` // taken at once
}

// Incident is one report with what was added to it.
type Incident struct {
	ID           uuid.UUID
	Kind         IncidentKind
	Machine      uuid.UUID
	MachineName  string
	Run          uuid.UUID // zero for none
	RunNumber    int64
	ReportedBy   uuid.UUID // zero for somebody at a station who was not signed in
	ReporterName string
	Station      string // name, empty for none
	At           time.Time
	HappenedAt   time.Time
	What         string
	Severity     string // of Harms, as it was known last
	Potential    string
	Particulars  Particulars
	ToldSeverity string // as it was reported
	ToldWorst    string // that it could have been, as it was reported
	ClosedAt     *time.Time
	ClosedBy     string
	Closing      string
	Rev          int64
	Open         int64 // follow-ups that are not done
	Photos       int64
}

// NewIncident is a report. The machine is locked out in the same step where that is wanted.
type NewIncident struct {
	Kind       IncidentKind
	Machine    uuid.UUID
	Run        uuid.UUID // zero: the run that is active on the machine, if there is one
	HappenedAt time.Time // zero for now
	What       string
	Known      // at once
	LockOut    bool
	Photo      []byte // JPEG that the server wrote itself; nil for none
}

// maxWhat bounds what people write about an incident, in characters.
const maxWhat = 2000

// ReportIncident keeps a report: of somebody signed in, or of anybody at a station. Errors: ErrNotFound,
// *Refused.
func (s *Store) ReportIncident(ctx context.Context, actor Actor, n NewIncident) (Incident, error) {
	n.What = strings.TrimSpace(n.What)
	switch length := utf8.RuneCountInString(n.What); {
	case actor.Person == uuid.Nil && actor.Station == uuid.Nil:
		return Incident{}, ErrNotAllowed
	case !slices.Contains(IncidentKinds(), n.Kind):
		return Incident{}, refuse("what kind of incident it is is not said", "choose one of the kinds")
	case length == 0 || length > maxWhat:
		return Incident{}, refuse("what happened is not said, or in more than 2000 letters", "say it in a sentence; more can be added later")
	}
	if err := n.fit(); err != nil {
		return Incident{}, err
	}
	id, salt := newID(), newSalt()
	particulars, err := json.Marshal(n.Particulars)
	if err != nil {
		return Incident{}, err
	}
	_, err = s.commit(ctx, func(ctx context.Context) (write, error) {
		run := n.Run
		if run == uuid.Nil {
			if err := s.pool.QueryRow(ctx, `SELECT coalesce((SELECT id FROM run WHERE machine = $1 AND phase NOT IN ('proposed', 'checking', 'closed')),
				'00000000-0000-0000-0000-000000000000')`, n.Machine).Scan(&run); err != nil {
				return write{}, err
			}
		}
		m, err := s.Machine(ctx, n.Machine)
		if err != nil {
			return write{}, err
		}
		w := write{}
		subjects := []logbook.Subject{about(logbook.RoleMachine, n.Machine), about("incident", id)}
		if run != uuid.Nil {
			subjects = append(subjects, about(logbook.RoleRun, run))
		}
		what := logbook.SaltedDigest(salt, []byte(n.What))
		w.entries = []draft{{kind: logbook.IncidentOpened, actor: actor, subjects: subjects,
			body: logbook.Body{"kind": string(n.Kind), "severity": n.Severity, "potential": n.Potential, "what_digest": what[:]}}}
		w.statements = []statement{{sql: `INSERT INTO incident (id, kind, machine, run, reported_by, station, happened_at, what, severity, potential, salt, particulars)
			SELECT $1, $2, $3, r.id, $5, $6, coalesce($7, now()), $8, $9, $10, $11, $12 FROM (SELECT 1) one LEFT JOIN run r ON r.id = $4 AND r.machine = $3
			WHERE $4 = '00000000-0000-0000-0000-000000000000'::uuid OR r.id IS NOT NULL`,
			args: []any{id, n.Kind, n.Machine, run, person(actor), orNull(actor.Station), orNull(n.HappenedAt), n.What, n.Severity, n.Potential, salt, particulars}, rows: 1,
			conflict: refuse("that run was not on this machine", "leave the run out, or name the machine that it ran on")}}
		if n.Photo != nil {
			w.addPhoto(id, 1, n.Photo)
		}
		if n.LockOut {
			err = s.lockOutAnyway(ctx, &w, actor, m, fmt.Sprintf("%s reported: %s", n.Kind, shortened(n.What, 400)))
		}
		return w, err
	})
	if err != nil {
		return Incident{}, err
	}
	return s.Incident(ctx, id)
}

func (w *write) addPhoto(incident uuid.UUID, n int, jpeg []byte) {
	digest, statements := putBlob(jpeg)
	w.statements = append(w.statements, statements...)
	w.statements = append(w.statements, statement{sql: `INSERT INTO incident_photo (incident, n, digest) VALUES ($1, $2, $3)`, args: []any{incident, n, digest[:]}, rows: 1})
}

func shortened(text string, most int) string {
	if runes := []rune(text); len(runes) > most {
		return string(runes[:most]) + "…"
	}
	return text
}

const selectIncident = `SELECT i.id, i.kind, i.machine, m.bay || ', ' || m.name, coalesce(i.run, '00000000-0000-0000-0000-000000000000'), coalesce(r.number, 0),
		coalesce(i.reported_by, '00000000-0000-0000-0000-000000000000'), coalesce(p.name, ''), coalesce(st.name, ''), i.at, i.happened_at, i.what, coalesce(k.severity, i.severity), coalesce(k.potential, i.potential),
		coalesce(k.data, i.particulars), i.severity, i.potential, i.closed_at, coalesce(c.name, ''), i.closing, i.rev,
		(SELECT count(*) FROM follow_up f WHERE f.incident = i.id AND f.done_at IS NULL), (SELECT count(*) FROM incident_photo ph WHERE ph.incident = i.id)
	FROM incident i JOIN machine m ON m.id = i.machine LEFT JOIN run r ON r.id = i.run LEFT JOIN person p ON p.id = i.reported_by
	LEFT JOIN station st ON st.id = i.station LEFT JOIN person c ON c.id = i.closed_by
	LEFT JOIN LATERAL (SELECT severity, potential, data FROM incident_particulars WHERE incident = i.id ORDER BY n DESC LIMIT 1) k ON true WHERE `

func (s *Store) incidents(ctx context.Context, where string, args ...any) ([]Incident, error) {
	return readAll(ctx, s.pool, pgx.RowToStructByPos[Incident], selectIncident+where, args...)
}

// Incident reads one. Errors: ErrNotFound.
func (s *Store) Incident(ctx context.Context, id uuid.UUID) (Incident, error) {
	return only(s.incidents(ctx, `i.id = $1`, id))
}

// Incidents lists incidents, newest first, at most limit, those reported before the given one (zero:
// from the newest). Errors: ErrNotFound where before is none.
func (s *Store) Incidents(ctx context.Context, before uuid.UUID, limit int) ([]Incident, error) {
	if before == uuid.Nil {
		return s.incidents(ctx, `true ORDER BY i.at DESC, i.id DESC LIMIT $1`, limit)
	}
	var at time.Time
	if err := s.pool.QueryRow(ctx, `SELECT at FROM incident WHERE id = $1`, before).Scan(&at); err != nil {
		return nil, meaning(err)
	}
	return s.incidents(ctx, `(i.at, i.id) < ($1, $2) ORDER BY i.at DESC, i.id DESC LIMIT $3`, at, before, limit)
}

// IncidentsOfRun lists the incidents that were reported with a run or tied to it since.
func (s *Store) IncidentsOfRun(ctx context.Context, run uuid.UUID) ([]Incident, error) {
	return s.incidents(ctx, `i.id IN (SELECT id FROM incident WHERE run = $1 UNION ALL SELECT incident FROM incident_about_run WHERE run = $1) ORDER BY i.at, i.id`, run)
}
