package db

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/db/logbook"
	"kerfgate/plan/canon"
	"kerfgate/plan/geom"
	"kerfgate/queue"
)

// Run is one execution of one plan on one machine.
type Run struct {
	ID            uuid.UUID
	Number        int64 // short number for people, counted over the site
	Job           uuid.UUID
	JobTitle      string
	Copy          int64 // 1..Copies
	Copies        int64
	Member        uuid.UUID
	MemberName    string
	Machine       uuid.UUID
	MachineName   string
	MachineBay    string
	Plan          canon.Digest
	PlanTotalMS   int64
	Stock         uuid.UUID
	MaterialName  string
	StockLot      string
	Tool          string
	Phase         queue.Phase
	Outcome       queue.Outcome
	Reason        string // a fixed phrase: why it was stopped, failed, voided
	Ready         bool   // the worker has the plan and the machine answers
	UnreadyReason string
	Operator      uuid.UUID // who opened the checklist or signed; zero before
	OperatorName  string
	Placement     *Placement
	FocusUM       int64       // height of the tool above the bed, as read; 0 before
	Fitted        string      // tool on the carriage, as said; empty before
	Traced        *geom.Point // origin around which the outline was traced
	SupplyOffAt   *time.Time  // the beam's supply was said to be off
	NeverMoved    bool
	Flame         bool
	SheetFate     SheetFate
	PauseToken    []byte // of the newest pause, while paused
	RealMS        int64
	Taps, Misses  int64 // attendance, as far as the worker has told
	HasPicture    bool
	ProposedAt    time.Time
	PhaseAt       time.Time // when it came into its phase
	StartedAt     *time.Time
	EndedAt       *time.Time
	Rev           int64
}

// Placement is where the plan lies on the bed.
type Placement struct {
	Origin   geom.Point
	Homed    bool
	PlacedBy uuid.UUID
	PlacedAt time.Time
}

// SheetFate is what became of the sheet, said at inspection.
type SheetFate string

// What can become of a sheet.
const (
	SheetKept     SheetFate = "kept"
	SheetScrapped SheetFate = "scrapped"
	SheetRepeat   SheetFate = "repeat" // a new run of the same plan is proposed
)

// expression is SQL in place of a value.
type expression string

// databaseNow is the database's clock, the only one that instants come from.
const databaseNow expression = "now()"

// moveRun adds one move of the phase table to a change: the guarded update and its entry. set names
// further columns with their values, body further fields of the entry. Why a run ended stays with it
// through purge and inspection, which have no reason of their own.
func moveRun(w *write, actor Actor, r Run, move queue.Move, reason string, set map[string]any, body ...logbook.Body) {
	sql := `UPDATE run SET phase = $3, last_event = $4, outcome = CASE WHEN $5 = '' THEN outcome ELSE $5 END,
		reason = CASE WHEN $6 = '' AND outcome <> '' THEN reason ELSE $6 END`
	args := []any{r.ID, r.Rev, move.To, move.Event, move.Outcome, reason}
	columns := make([]string, 0, len(set))
	for column := range set {
		columns = append(columns, column)
	}
	slices.Sort(columns) // one text a shape, so that it is prepared once
	for _, column := range columns {
		if sqlText, ok := set[column].(expression); ok {
			sql += fmt.Sprintf(", %s = %s", column, sqlText)
			continue
		}
		args = append(args, set[column])
		sql += fmt.Sprintf(", %s = $%d", column, len(args))
	}
	if move.To == queue.Closed {
		sql += ", ended_at = now()"
	}
	w.statements = append(w.statements, statement{sql: sql + ` WHERE id = $1 AND rev = $2`, args: args, rows: 1})
	fields := logbook.Body{logbook.FieldFrom: string(r.Phase), logbook.FieldTo: string(move.To)}
	if reason != "" {
		fields[logbook.FieldReason] = reason
	}
	if move.Outcome != queue.NoOutcome {
		fields[logbook.FieldOutcome] = string(move.Outcome)
	}
	for _, b := range body {
		maps.Copy(fields, b)
	}
	w.entries = append(w.entries, draft{kind: logbook.Kind("run." + string(move.Event)), actor: actor,
		subjects: runSubjects(r.ID, r.Machine, r.Job), body: fields})
}

// selectRun begins at the runs and looks up the job and plan of each: LIMIT 1 keeps the database from
// reading all jobs there ever were for the few hundred runs of a board.
const selectRun = runColumns + `FROM run r ` + runJoins + `WHERE `

const runColumns = `SELECT r.id, r.number, r.job, j.title, r.copy, j.copies, j.member, p.name, r.machine, r.plan, coalesce(pl.total_ms, 0), r.stock,
		ma.name, st.lot, j.tool, r.phase, r.outcome, r.reason, r.ready, r.unready_reason, r.operator, coalesce(op.name, ''),
		r.origin_x_um, r.origin_y_um, r.homed, r.placed_by, r.placed_at,
		coalesce(r.focus_um, 0), r.fitted, r.traced_x_um, r.traced_y_um, r.supply_off_at, r.never_moved, r.flame, r.sheet_fate, r.pause_token, r.real_ms, r.taps, r.misses,
		r.picture IS NOT NULL, r.proposed_at, r.phase_at, r.started_at, r.ended_at, r.rev, m.name, m.bay
	`

const runJoins = `CROSS JOIN LATERAL (SELECT title, copies, member, tool FROM job WHERE id = r.job LIMIT 1) j
	JOIN person p ON p.id = j.member
	JOIN stock st ON st.id = r.stock JOIN material ma ON ma.id = st.material
	LEFT JOIN LATERAL (SELECT total_ms FROM plan WHERE digest = r.plan AND member = j.member AND machine = r.machine LIMIT 1) pl ON true
	LEFT JOIN person op ON op.id = r.operator JOIN machine m ON m.id = r.machine
	`

func scanRun(row pgx.CollectableRow) (r Run, err error) {
	var digest []byte
	var operator, placedBy *uuid.UUID
	var x, y, tracedX, tracedY *int64
	var homed bool
	var placedAt *time.Time
	err = row.Scan(&r.ID, &r.Number, &r.Job, &r.JobTitle, &r.Copy, &r.Copies, &r.Member, &r.MemberName, &r.Machine, &digest, &r.PlanTotalMS,
		&r.Stock, &r.MaterialName, &r.StockLot, &r.Tool, &r.Phase, &r.Outcome, &r.Reason, &r.Ready, &r.UnreadyReason, &operator, &r.OperatorName,
		&x, &y, &homed, &placedBy, &placedAt, &r.FocusUM, &r.Fitted, &tracedX, &tracedY, &r.SupplyOffAt, &r.NeverMoved, &r.Flame, &r.SheetFate, &r.PauseToken, &r.RealMS, &r.Taps, &r.Misses, &r.HasPicture,
		&r.ProposedAt, &r.PhaseAt, &r.StartedAt, &r.EndedAt, &r.Rev, &r.MachineName, &r.MachineBay)
	if err != nil {
		return r, err
	}
	copy(r.Plan[:], digest)
	if operator != nil {
		r.Operator = *operator
	}
	if x != nil && placedBy != nil && placedAt != nil {
		r.Placement = &Placement{Origin: geom.Pt(*x, *y), Homed: homed, PlacedBy: *placedBy, PlacedAt: *placedAt}
	}
	if tracedX != nil && tracedY != nil {
		traced := geom.Pt(*tracedX, *tracedY)
		r.Traced = &traced
	}
	return r, nil
}

// runs reads all runs that the condition picks: one query.
func (s *Store) runs(ctx context.Context, where string, args ...any) ([]Run, error) {
	return readAll(ctx, s.pool, scanRun, selectRun+where, args...)
}

// run reads one run whoever asks. Errors: ErrNotFound.
func (s *Store) run(ctx context.Context, id uuid.UUID) (r Run, err error) {
	var reads pgx.Batch
	readRun(&reads, id, &r)
	return r, s.read(ctx, &reads)
}

func readRun(b *pgx.Batch, id uuid.UUID, r *Run) {
	b.Queue(selectRun+`r.id = $1`, id).Query(func(rows pgx.Rows) (err error) {
		*r, err = pgx.CollectExactlyOneRow(rows, scanRun)
		return meaning(err)
	})
}

// Run reads a run that the actor may see. Errors: ErrNotFound.
func (s *Store) Run(ctx context.Context, actor Actor, id uuid.UUID) (Run, error) {
	list, err := s.runs(ctx, `r.id = $1 AND (j.member = $2 OR `+seesAll("$2", "$3")+`)`, id, actor.Person, actor.Role)
	if err != nil {
		return Run{}, err
	}
	if len(list) == 0 {
		return Run{}, ErrNotFound
	}
	return list[0], nil
}

// RunMachine says on which machine an open run is, whoever asks: a stop needs no sign-in. Errors:
// ErrNotFound, also for a run that is closed.
func (s *Store) RunMachine(ctx context.Context, id uuid.UUID) (machine uuid.UUID, err error) {
	err = s.pool.QueryRow(ctx, `SELECT machine FROM run WHERE id = $1 AND phase <> 'closed'`, id).Scan(&machine)
	return machine, meaning(err)
}

// RunNumbered finds a run by the number that people use. Errors: ErrNotFound.
func (s *Store) RunNumbered(ctx context.Context, number int64) (id uuid.UUID, err error) {
	err = s.pool.QueryRow(ctx, `SELECT id FROM run WHERE number = $1`, number).Scan(&id)
	return id, meaning(err)
}

// RunPicture is what the machine's sheet looked like after the run, as PNG. Errors: ErrNotFound.
func (s *Store) RunPicture(ctx context.Context, actor Actor, id uuid.UUID) ([]byte, error) {
	if _, err := s.Run(ctx, actor, id); err != nil {
		return nil, err
	}
	var digest []byte
	if err := s.pool.QueryRow(ctx, `SELECT picture FROM run WHERE id = $1 AND picture IS NOT NULL`, id).Scan(&digest); err != nil {
		return nil, meaning(err)
	}
	return s.blob(ctx, canon.Digest(digest))
}
