package db

import (
	"context"
	"errors"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/checklist"
	"kerfgate/db/logbook"
	"kerfgate/plan/canon"
	"kerfgate/plan/machine"
)

// View is the machine that stands in one view with another, as the safety officer named them.
type View struct {
	Other   uuid.UUID
	Name    string // of the other machine
	NamedBy string
	NamedAt time.Time
}

// View reads with which machine another stands in one view; nil for none.
func (s *Store) View(ctx context.Context, machine uuid.UUID) (*View, error) {
	var v View
	err := s.pool.QueryRow(ctx, `SELECT v.other, m.name, p.name, v.named_at FROM machine_view v
		JOIN machine m ON m.id = v.other JOIN person p ON p.id = v.named_by WHERE v.machine = $1`, machine).Scan(&v.Other, &v.Name, &v.NamedBy, &v.NamedAt)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, nil
	}
	return &v, err
}

// NameView says that two machines stand in one view, so that one operator may attend a run with a beam on
// each. Errors: ErrNotFound, *Refused where one of them is in another view already.
func (s *Store) NameView(ctx context.Context, actor Actor, one, other uuid.UUID) error {
	if one == other {
		return refuse("a machine is in one view with another, not with itself", "choose the other machine")
	}
	_, err := s.commit(ctx, func(context.Context) (write, error) {
		return write{
			statements: []statement{
				{sql: `SELECT 1 FROM machine WHERE id IN ($1, $2)`, args: []any{one, other}, rows: 2, conflict: ErrNotFound},
				{sql: `INSERT INTO machine_view (machine, other, named_by) VALUES ($1, $2, $3), ($2, $1, $3)`, args: []any{one, other, person(actor)}, rows: 2},
			},
			entries: []draft{{kind: logbook.MachineViewNamed, actor: actor,
				subjects: []logbook.Subject{about(logbook.RoleMachine, one), about("other", other)}}},
		}, nil
	})
	return err
}

// EndView takes back what NameView said; runs that are attended already go on. Errors: *Refused where the
// machine is in no view.
func (s *Store) EndView(ctx context.Context, actor Actor, one uuid.UUID) error {
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		v, err := s.View(ctx, one)
		if err != nil {
			return write{}, err
		}
		if v == nil {
			return write{}, refuse("this machine is in no view with another", "nothing is to be taken back")
		}
		return write{
			statements: []statement{{sql: `DELETE FROM machine_view WHERE machine = $1 AND other = $2 OR machine = $2 AND other = $1`, args: []any{one, v.Other}, rows: 2}},
			entries: []draft{{kind: logbook.MachineViewEnded, actor: actor,
				subjects: []logbook.Subject{about(logbook.RoleMachine, one), about("other", v.Other)}}},
		}, nil
	})
	return err
}

// attendedRuns are the runs that a person attends beside one.
type attendedRuns struct {
	runs []uuid.UUID // in the order of the database
	list []checklist.Attended
}

// attending is where a run is attended: until the purge is over.
const attending = `phase IN ('permitted', 'starting', 'running', 'paused', 'purging')`

func readAttended(b *pgx.Batch, person, run uuid.UUID, all *attendedRuns) {
	b.Queue(`SELECT r.id, r.number, m.name, j.tool, p.data,
			EXISTS (SELECT FROM machine_view v JOIN run this ON this.id = $2 AND v.machine = this.machine WHERE v.other = r.machine)
		FROM run r JOIN job j ON j.id = r.job JOIN machine m ON m.id = r.machine JOIN profile p ON p.digest = m.profile
		WHERE r.operator = $1 AND r.id <> $2 AND r.`+attending+` ORDER BY r.id`, person, run).Query(func(rows pgx.Rows) error {
		var id uuid.UUID
		var one checklist.Attended
		var tool string
		var profile []byte
		_, err := pgx.ForEachRow(rows, []any{&id, &one.Number, &one.Machine, &tool, &profile, &one.InView}, func() error {
			var p machine.Profile
			if err := canon.Unmarshal(profile, &p); err != nil {
				return err
			}
			t, _ := p.Tool(tool)
			one.Beam = t.Kind == machine.ToolBeam
			all.runs, all.list = append(all.runs, id), append(all.list, one)
			return nil
		})
		return err
	})
}

// guard holds that a person still attends these runs and no other, until the end of the change: of two
// signatures at a time the second waits for the first, and looks again.
func (a attendedRuns) guard(person, run uuid.UUID) []statement {
	runs := a.runs
	if runs == nil {
		runs = []uuid.UUID{}
	}
	return []statement{
		{sql: `SELECT 1 FROM person WHERE id = $1 FOR NO KEY UPDATE`, args: []any{person}, rows: 1},
		{sql: `SELECT 1 WHERE ARRAY(SELECT id FROM run WHERE operator = $1 AND id <> $2 AND ` + attending + ` ORDER BY id) = $3::uuid[]`, args: []any{person, run, runs}, rows: 1},
	}
}
