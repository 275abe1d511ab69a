package db

import (
	"context"
	"encoding/json"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/checklist"
	"kerfgate/db/logbook"
	"kerfgate/plan/canon"
	"kerfgate/plan/machine"
	"kerfgate/queue"
)

// Machine is one piece of equipment with the profile in force.
type Machine struct {
	ID            uuid.UUID
	Name          string
	Bay           string
	Profile       machine.Profile
	ProfileDigest canon.Digest
	WorkerKey     string // public nkey; empty while no worker is enrolled
	WorkerURL     string // the worker's own listener: stop, attendance, status
	Tool          string // name of the tool on the carriage
	Checklist     checklist.Checklist
	Rev           int64
	Lockout       *Lockout // nil where in use
	Watch         *Watch   // nil where no fire watch runs
}

// NewMachine is a machine to be added with the first version of its profile.
type NewMachine struct {
	Name      string
	Bay       string
	Profile   machine.Profile
	Tool      string
	WorkerKey string // empty: its worker is enrolled later
	WorkerURL string
}

// AddMachine adds a machine with its standard checklist. Errors: *Refused.
func (s *Store) AddMachine(ctx context.Context, actor Actor, m NewMachine) (Machine, error) {
	if _, ok := m.Profile.Tool(m.Tool); !ok {
		return Machine{}, refuse("the profile has no tool "+m.Tool, "name one of the profile's tools")
	}
	profile, digest, err := encodeProfile(m.Profile)
	if err != nil {
		return Machine{}, err
	}
	list := checklist.Standard(m.Profile)
	listJSON, listDigest, err := encodeChecklist(list)
	if err != nil {
		return Machine{}, err
	}
	id := newID()
	_, err = s.commit(ctx, func(context.Context) (write, error) {
		return write{
			statements: []statement{
				{sql: `INSERT INTO profile (digest, data) VALUES ($1, $2) ON CONFLICT DO NOTHING`, args: []any{digest[:], profile}, rows: anyRows},
				{sql: `INSERT INTO machine (id, name, bay, profile, tool, worker_key, worker_url, checklist, checklist_digest)
					VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
					args: []any{id, m.Name, m.Bay, digest[:], m.Tool, m.WorkerKey, m.WorkerURL, listJSON, listDigest[:]}, rows: 1},
				{sql: `INSERT INTO worker_key (public, machine) SELECT $1, $2 WHERE $1 <> ''`, args: []any{m.WorkerKey, id}, rows: anyRows},
			},
			entries: []draft{
				{kind: logbook.MachineAdded, actor: actor, subjects: []logbook.Subject{about(logbook.RoleMachine, id)},
					body: logbook.Body{"profile": digest[:], "worker_key": m.WorkerKey}},
				{kind: logbook.ChecklistPublished, actor: actor, subjects: []logbook.Subject{about(logbook.RoleMachine, id)},
					body: logbook.Body{"version": list.Version, "checklist": listDigest[:]}},
			},
		}, nil
	})
	if err != nil {
		return Machine{}, err
	}
	return s.Machine(ctx, id)
}

// PublishProfile makes another version of the profile the one in force. Open sign-offs of the
// machine are voided (I10) and its waiting runs are offered anew.
func (s *Store) PublishProfile(ctx context.Context, actor Actor, id uuid.UUID, p machine.Profile) (Machine, error) {
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		m, err := s.Machine(ctx, id)
		if err != nil {
			return write{}, err
		}
		w, _, err := s.publishing(ctx, actor, m, p)
		return w, err
	})
	if err != nil {
		return Machine{}, err
	}
	return s.Machine(ctx, id)
}

// publishing is the change that puts a profile in force.
func (s *Store) publishing(ctx context.Context, actor Actor, m Machine, p machine.Profile) (w write, digest canon.Digest, err error) {
	profile, digest, err := encodeProfile(p)
	if err != nil {
		return w, digest, err
	}
	if err := m.Checklist.Validate(p); err != nil {
		return w, digest, refuse(err.Error(), "publish a checklist that fits the profile first")
	}
	w = write{
		statements: []statement{
			{sql: `INSERT INTO profile (digest, data) VALUES ($1, $2) ON CONFLICT DO NOTHING`, args: []any{digest[:], profile}, rows: anyRows},
			{sql: `UPDATE machine SET profile = $1, rev = rev + 1 WHERE id = $2 AND rev = $3`, args: []any{digest[:], m.ID, m.Rev}, rows: 1},
		},
		entries: []draft{{kind: logbook.ProfileChanged, actor: actor, subjects: []logbook.Subject{about(logbook.RoleMachine, m.ID)},
			body: logbook.Body{"profile": digest[:], "before": m.ProfileDigest[:]}}},
	}
	if err := s.voidOpen(ctx, &w, actor, "profile changed", `r.machine = $1`, m.ID); err != nil {
		return w, digest, err
	}
	w.statements = append(w.statements, statement{sql: `UPDATE run SET ready = false, unready_reason = 'profile changed', revision = revision + 1
		WHERE machine = $1 AND phase IN ('proposed', 'checking')`, args: []any{m.ID}, rows: anyRows})
	return w, digest, nil
}

func encodeProfile(p machine.Profile) ([]byte, canon.Digest, error) {
	data, err := canon.Marshal(p)
	if err != nil {
		return nil, canon.Digest{}, err
	}
	return data, canon.Sum(data), nil
}

func encodeChecklist(c checklist.Checklist) (text []byte, digest canon.Digest, err error) {
	if text, err = json.Marshal(c); err != nil {
		return nil, digest, err
	}
	digest, err = canon.DigestOf(c)
	return text, digest, err
}

const selectMachine = `SELECT m.id, m.name, m.bay, p.data, m.profile, m.worker_key, m.worker_url, m.tool, m.checklist, m.rev,
		l.id, l.reason, l.set_by, coalesce(lp.name, 'the system'), l.set_at,
		w.id, w.run, w.watcher, wp.name, w.until, w.seen_at, w.every, ar.started_at, ar.phase, ar.phase_at, clock_timestamp()
	FROM machine m JOIN profile p ON p.digest = m.profile
	LEFT JOIN lockout l ON l.machine = m.id AND l.lifted_at IS NULL
	LEFT JOIN person lp ON lp.id = l.set_by
	LEFT JOIN watch w ON w.machine = m.id AND w.closed_at IS NULL
	LEFT JOIN person wp ON wp.id = w.watcher
	LEFT JOIN run ar ON ar.machine = w.machine AND ar.phase IN ('permitted', 'starting', 'running', 'paused', 'purging', 'inspecting')`

func scanMachine(row pgx.CollectableRow) (Machine, error) {
	var m Machine
	var profile, digest []byte
	var lockout struct {
		id, by       *uuid.UUID
		reason, name *string
		at           *time.Time
	}
	var watch struct {
		id, run, watcher     *uuid.UUID
		name, phase          *string
		until, seen          *time.Time
		startedAt, inPhaseAt *time.Time
		every                *time.Duration
	}
	var now time.Time
	if err := row.Scan(&m.ID, &m.Name, &m.Bay, &profile, &digest, &m.WorkerKey, &m.WorkerURL, &m.Tool, &m.Checklist, &m.Rev,
		&lockout.id, &lockout.reason, &lockout.by, &lockout.name, &lockout.at,
		&watch.id, &watch.run, &watch.watcher, &watch.name, &watch.until, &watch.seen, &watch.every, &watch.startedAt, &watch.phase, &watch.inPhaseAt, &now); err != nil {
		return Machine{}, err
	}
	copy(m.ProfileDigest[:], digest)
	if err := canon.Unmarshal(profile, &m.Profile); err != nil {
		return Machine{}, err
	}
	if lockout.id != nil {
		m.Lockout = &Lockout{ID: *lockout.id, Machine: m.ID, Reason: *lockout.reason, SetName: *lockout.name, SetAt: *lockout.at}
		if lockout.by != nil {
			m.Lockout.SetBy = *lockout.by
		}
	}
	if watch.id != nil {
		m.Watch = &Watch{ID: *watch.id, Machine: m.ID, Run: *watch.run, Watcher: *watch.watcher, WatcherName: *watch.name,
			WatchTime: checklist.WatchTime{Until: *watch.until, Seen: *watch.seen, Every: *watch.every}, seen: *watch.seen}
		if watch.startedAt != nil {
			m.Watch.attended(*watch.startedAt, queue.Phase(*watch.phase), *watch.inPhaseAt, now)
		}
	}
	return m, nil
}

// Machines lists all machines by bay.
func (s *Store) Machines(ctx context.Context) ([]Machine, error) {
	return readAll(ctx, s.pool, scanMachine, selectMachine+` ORDER BY m.bay`)
}

// Machine reads one machine. Errors: ErrNotFound.
func (s *Store) Machine(ctx context.Context, id uuid.UUID) (m Machine, err error) {
	var b pgx.Batch
	readMachine(&b, id, &m)
	return m, s.read(ctx, &b)
}

func readMachine(b *pgx.Batch, id uuid.UUID, m *Machine) {
	b.Queue(selectMachine+` WHERE m.id = $1`, id).Query(func(rows pgx.Rows) (err error) {
		*m, err = pgx.CollectExactlyOneRow(rows, scanMachine)
		return meaning(err)
	})
}
