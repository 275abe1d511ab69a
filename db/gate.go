package db

import (
	"context"
	"maps"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/checklist"
	"kerfgate/db/logbook"
	"kerfgate/plan"
	"kerfgate/plan/canon"
	"kerfgate/plan/geom"
	"kerfgate/queue"
)

// Gate is everything that stands between a run and its permit, for the station and the record.
type Gate struct {
	Run       Run
	Machine   Machine
	Checklist checklist.Checklist
	Facts     checklist.Facts
	Bars      []checklist.Bar    // one an item, in order
	Reasons   []checklist.Reason // what else says no: not ready, locked out, not authorised, not placed
}

// authorised is the SQL for the valid authorisations of $1 for $2, what covers every material first.
const authorised = `SELECT id, groups FROM authorisation a WHERE person = $1 AND machine = $2 AND authorisation_holds(a)
	ORDER BY groups <> '{}', expires_at DESC, id`

// authorised says whether a person operates a machine at all, whatever lies on it.
func (s *Store) authorised(ctx context.Context, person, machine uuid.UUID) (bool, error) {
	var b pgx.Batch
	var held []checklist.Authorisation
	readAuthorisations(&b, person, machine, &held)
	err := s.read(ctx, &b)
	return len(held) > 0, err
}

// operating is the authorisation by which the actor works a run's sheet on its machine, who stands at the
// machine's own station or at none; next says what to do without one. Errors: *Refused.
func (s *Store) operating(ctx context.Context, actor Actor, r Run, next string) (uuid.UUID, error) {
	if err := s.atStation(ctx, actor, r.Machine); err != nil {
		return uuid.Nil, err
	}
	var b pgx.Batch
	var held []checklist.Authorisation
	var st Stock
	var m Material
	readAuthorisations(&b, actor.Person, r.Machine, &held)
	readStock(&b, r.Stock, &st, &m)
	if err := s.read(ctx, &b); err != nil {
		return uuid.Nil, err
	}
	id, no, ok := checklist.Authority(held, m.Material)
	if !ok {
		return uuid.Nil, refuse(no.What, next)
	}
	return id, nil
}

func readAuthorisations(b *pgx.Batch, person, machine uuid.UUID, held *[]checklist.Authorisation) {
	b.Queue(authorised, person, machine).Query(func(rows pgx.Rows) (err error) {
		*held, err = pgx.CollectRows(rows, pgx.RowToStructByPos[checklist.Authorisation])
		return err
	})
}

// Gate is what stands between a run and its permit, as the actor would meet it. Errors: ErrNotFound.
func (s *Store) Gate(ctx context.Context, actor Actor, id uuid.UUID) (Gate, error) {
	r, err := s.Run(ctx, actor, id)
	if err != nil {
		return Gate{}, err
	}
	g, _, err := s.gate(ctx, actor, r)
	return g, err
}

// Signed is a sign-off as it was signed.
type Signed struct {
	checklist.SignOff
	At time.Time
}

// SignOffs reads the newest sign-off of each run, whoever asks, in one query; what was never signed is
// left out.
func (s *Store) SignOffs(ctx context.Context, runs ...uuid.UUID) (map[uuid.UUID]Signed, error) {
	signed, err := readAll(ctx, s.pool, func(row pgx.CollectableRow) (one Signed, err error) {
		var data []byte
		if err = row.Scan(&data, &one.At); err == nil {
			err = canon.Unmarshal(data, &one.SignOff)
		}
		return one, err
	}, `SELECT DISTINCT ON (run) data, signed_at FROM sign_off WHERE run = ANY($1) ORDER BY run, signed_at DESC`, runs)
	all := make(map[uuid.UUID]Signed, len(signed))
	for _, so := range signed {
		all[so.Run] = so
	}
	return all, err
}

// bound is what else a sign-off binds, with the revs that its transaction guards.
type bound struct {
	authorisation uuid.UUID
	stock         Stock
	material      Material
	checklist     canon.Digest
	pairs         []checklist.Pair
	around        checklist.Circumstances
	pairsRev      int64
	attended      attendedRuns // by who asks
	at            time.Time
}

// gate loads one run's gate and judges its answers, in two round trips: an operator waits for this between two
// presses. also reads what else its caller needs.
func (s *Store) gate(ctx context.Context, actor Actor, r Run, also ...func(*pgx.Batch)) (Gate, bound, error) {
	var b bound
	holder := r.Operator
	if holder == uuid.Nil {
		holder = actor.Person
	}
	var m Machine
	var busy bool
	var edition string
	var held []checklist.Authorisation
	given, standing := allAnswers{}, allStanding{}
	var reads pgx.Batch
	readMachine(&reads, r.Machine, &m)
	readStock(&reads, r.Stock, &b.stock, &b.material)
	readAuthorisations(&reads, actor.Person, r.Machine, &held)
	readAnswers(&reads, []uuid.UUID{r.ID}, given)
	readStanding(&reads, []uuid.UUID{r.Machine}, []uuid.UUID{holder}, standing)
	// The rev is read before the register: one that changes in between then fails the guard.
	reads.Queue(`SELECT clock_timestamp(), coalesce((SELECT pairs_rev FROM site), 0), coalesce((SELECT fire_edition FROM site), ''), EXISTS (SELECT 1 FROM run WHERE machine = $1 AND id <> $2
		AND phase IN ('permitted', 'starting', 'running', 'paused', 'purging', 'inspecting'))`, r.Machine, r.ID).QueryRow(func(row pgx.Row) error {
		return row.Scan(&b.at, &b.pairsRev, &edition, &busy)
	})
	readRegister(&reads, &b.pairs)
	readAttended(&reads, actor.Person, r.ID, &b.attended)
	if err := s.read(ctx, &reads); err != nil {
		return Gate{}, b, err
	}
	// What surrounds the run depends on machine and lot.
	around := allCircumstances{}
	tool, _ := m.Profile.Tool(r.Tool)
	shown := checklist.Facts{Tool: tool}
	reads = pgx.Batch{}
	s.readCircumstances(&reads, []atMachine{{r.ID, m.Profile}}, around)
	readWork(&reads, r.Plan, r.Member, r.Machine, &shown)
	readProofs(&reads, &shown, m, b.stock)
	for _, read := range also {
		read(&reads)
	}
	if err := s.read(ctx, &reads); err != nil {
		return Gate{}, b, err
	}
	b.at, b.around = b.at.In(s.cfg.Location), around[r.ID]
	g := drawGate(r, m, b, given[r.ID], standing[standingKey{r.Machine, holder}])
	g.Facts.Work, g.Facts.Size, g.Facts.Tried = shown.Work, shown.Size, shown.Tried
	var err error
	if b.checklist, err = canon.DigestOf(g.Checklist); err != nil {
		return Gate{}, b, err
	}
	b.authorisation, _, _ = checklist.Authority(held, b.material.Material)
	st := checklist.Standing{Ready: r.Ready, UnreadyReason: r.UnreadyReason, Held: held,
		Placed: r.Placed(),
		Opener: r.Operator == uuid.Nil || r.Operator == actor.Person, Busy: busy, NoEdition: edition == ""}
	if m.Lockout != nil {
		st.LockedOut = m.Lockout.Reason
	}
	g.Reasons = st.Refuse(g.Facts)
	if no, ok := checklist.AttendedElsewhere(g.Facts.Tool, b.attended.list); !ok {
		g.Reasons = append(g.Reasons, no)
	}
	return g, b, nil
}

// drawGate judges the answers of one run; it reads nothing.
func drawGate(r Run, m Machine, b bound, given, standing map[string]checklist.Values) Gate {
	tool, _ := m.Profile.Tool(r.Tool)
	g := Gate{Run: r, Machine: m,
		Facts: checklist.Facts{Profile: m.Profile, Tool: tool, Material: b.material.Material, Stock: b.stock.Stock,
			Pairs: b.pairs, Today: b.at, Circumstances: b.around}}
	g.Checklist = m.Checklist.ForRun(m.Profile, tool).ForMaterial(tool, b.material.Material).ForFacts(g.Facts)
	for _, item := range g.Checklist.Items {
		g.Bars = append(g.Bars, checklist.Judge(item, given[item.Key], standing[item.Key], g.Facts))
	}
	return g
}

// allAnswers are those of several runs, by run and item.
type allAnswers map[uuid.UUID]map[string]checklist.Values

func readAnswers(b *pgx.Batch, runs []uuid.UUID, all allAnswers) {
	b.Queue(`SELECT run, item, given FROM answer WHERE run = ANY($1)`, runs).Query(func(rows pgx.Rows) error {
		var run uuid.UUID
		var item string
		var given checklist.Values
		_, err := pgx.ForEachRow(rows, []any{&run, &item, &given}, func() error {
			if all[run] == nil {
				all[run] = make(map[string]checklist.Values)
			}
			all[run][item] = given
			given = nil // the next row gets a map of its own
			return nil
		})
		return err
	})
}

// lockedOutSince says that the machine was locked out since a standing answer was given: then it is given
// anew, with the whole checklist.
const lockedOutSince = `EXISTS (SELECT 1 FROM lockout l WHERE l.machine = standing_answer.machine AND coalesce(l.lifted_at, 'infinity') > standing_answer.at)`

type standingKey struct{ machine, operator uuid.UUID }

// allStanding are the standing answers that still hold, by item.
type allStanding map[standingKey]map[string]checklist.Values

func readStanding(b *pgx.Batch, machines, operators []uuid.UUID, all allStanding) {
	b.Queue(`SELECT machine, operator, item, given FROM standing_answer
		WHERE machine = ANY($1) AND operator = ANY($2) AND at > now() - $3::interval AND NOT `+lockedOutSince, machines, operators, checklist.StandingFor).Query(func(rows pgx.Rows) error {
		var key standingKey
		var item string
		var given checklist.Values
		_, err := pgx.ForEachRow(rows, []any{&key.machine, &key.operator, &item, &given}, func() error {
			if all[key] == nil {
				all[key] = make(map[string]checklist.Values)
			}
			all[key][item] = given
			given = nil
			return nil
		})
		return err
	})
}

// forbidden refuses for what no answer at the gate can cure. What the operator still does there, or
// the worker meanwhile, is no reason yet.
func (g Gate) forbidden() error {
	var no []checklist.Reason
	for _, reason := range g.Reasons {
		if reason.Kind == checklist.BecauseForbidden {
			no = append(no, reason)
		}
	}
	if len(no) > 0 {
		return &Refused{Reasons: no}
	}
	return nil
}

// OpenChecklist takes a run to the gate whose turn it is, or that was taken ahead: it waits for this operator's
// answers. Errors: ErrNotFound, ErrMoved, *Refused.
func (s *Store) OpenChecklist(ctx context.Context, actor Actor, id uuid.UUID) (Run, error) {
	return s.movedBy(ctx, actor, id, func(ctx context.Context, g Gate, w *write) error {
		move, err := g.Run.Phase.After(queue.Opened)
		if err != nil {
			return err
		}
		if err := g.forbidden(); err != nil {
			return err
		}
		if err := s.inTurn(ctx, g); err != nil {
			return err
		}
		moveRun(w, actor, g.Run, move, "", map[string]any{"operator": actor.Person, "opened_at": databaseNow, "taken_up_at": databaseNow, "origin_x_um": nil, "origin_y_um": nil,
			"homed": false, "placed_by": nil, "placed_at": nil, "focus_um": nil, "fitted": "", "traced_x_um": nil, "traced_y_um": nil, "supply_off_at": nil})
		return nil
	})
}

// ReleaseChecklist gives a run back to the queue; its answers are gone. Errors: ErrNotFound,
// ErrMoved, ErrNotAllowed for anybody but the operator who opened it or an officer.
func (s *Store) ReleaseChecklist(ctx context.Context, actor Actor, id uuid.UUID) (Run, error) {
	return s.movedBy(ctx, actor, id, func(ctx context.Context, g Gate, w *write) error {
		move, err := g.Run.Phase.After(queue.Released)
		if err != nil {
			return err
		}
		if g.Run.Operator != actor.Person && !actor.Role.Officer() && !actor.Role.Admin() {
			return ErrNotAllowed
		}
		release(w, actor, g.Run, move, "released by a person")
		return nil
	})
}

func release(w *write, actor Actor, r Run, move queue.Move, reason string) {
	moveRun(w, actor, r, move, reason, map[string]any{"operator": nil, "opened_at": nil})
	w.statements = append(w.statements, statement{sql: `DELETE FROM answer WHERE run = $1`, args: []any{r.ID}, rows: anyRows})
}

// movedBy is a change of one run that a person makes, decided from its gate.
func (s *Store) movedBy(ctx context.Context, actor Actor, id uuid.UUID, decide func(ctx context.Context, g Gate, w *write) error) (Run, error) {
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		g, err := s.Gate(ctx, actor, id)
		if err != nil {
			return write{}, err
		}
		var w write
		err = decide(ctx, g, &w)
		return w, err
	})
	if err != nil {
		return Run{}, err
	}
	return s.run(ctx, id)
}

// atGate says whether the actor is the operator who has this run at the gate.
func atGate(actor Actor, g Gate) error {
	if g.Run.Phase != queue.Checking {
		return refuse("the run is not at the gate but "+string(g.Run.Phase), "open its checklist first")
	}
	if g.Run.Operator != actor.Person {
		return refuse("another operator has this checklist open", "wait, or ask them to release it")
	}
	return nil
}

// sheetAt is the sheet on the bed: its lower left corner lies at the origin, which is how sheets
// are placed until the machine side lets an operator trace a sheet that lies elsewhere.
func sheetAt(f checklist.Facts, origin geom.Point) geom.Box {
	return geom.Box{Min: origin, Max: origin.Add(geom.Pt(f.Stock.SheetWidthUM, f.Stock.SheetHeightUM))}
}

func refusedPlacement(reasons []plan.Reason) error {
	no := make([]checklist.Reason, len(reasons))
	for i, r := range reasons {
		no[i] = checklist.Reason{What: r.What + ": " + r.Value + " is outside " + r.Limit, Next: r.Next}
	}
	return &Refused{Reasons: no}
}

// planData reads a plan whoever asks.
func (s *Store) planData(ctx context.Context, digest canon.Digest) (*plan.Plan, error) {
	data, err := s.blob(ctx, digest)
	if err != nil {
		return nil, err
	}
	return plan.Decode(data)
}

// Answer keeps the answer to one item and says how its bar stands now. A standing field's value
// also holds for this operator on this machine for four hours. An answer whose bar asks for it locks
// the machine out in the same change, which gives the run back to the queue. Errors: ErrNotFound,
// *Refused.
func (s *Store) Answer(ctx context.Context, actor Actor, id uuid.UUID, key string, values checklist.Values) (Gate, error) {
	lockout := newID()
	_, err := s.movedBy(ctx, actor, id, func(ctx context.Context, g Gate, w *write) error {
		if err := atGate(actor, g); err != nil {
			return err
		}
		item, ok := g.Checklist.Item(key)
		if !ok {
			return refuse("this checklist has no item "+key, "answer one of its items")
		}
		if key == checklist.ItemSecond {
			return refuse("nobody answers for the second person", "they sign in for it themselves, at this machine")
		}
		if reason, ok := checklist.Order(g.Bars, key); !ok {
			return &Refused{Reasons: []checklist.Reason{reason}}
		}
		given, standing, err := checklist.Take(item, values)
		if err != nil {
			return refuse(err.Error(), "give each value as it is read")
		}
		held := holding(g.Bars, key, standing)
		bar := checklist.Judge(item, given, held, g.Facts)
		w.entries = append(w.entries, draft{kind: logbook.AnswerGiven, actor: actor, subjects: runSubjects(id, g.Run.Machine, g.Run.Job),
			body: logbook.Body{"item": key, "up": bar.Up}})
		if bar.Hint == checklist.HintLockOut {
			return s.lockOut(ctx, w, actor, lockout, g.Run.Machine, item.Title+": "+bar.Problem)
		}
		w.statements = append(w.statements,
			statement{sql: `UPDATE run SET opened_at = now(), supply_off_at = CASE WHEN $3 THEN NULL ELSE supply_off_at END
				WHERE id = $1 AND rev = $2 AND phase = 'checking'`, args: []any{id, g.Run.Rev, key == checklist.ItemSupply}, rows: 1},
			statement{sql: `INSERT INTO answer (run, item, given, by_person) VALUES ($1, $2, $3, $4)
				ON CONFLICT (run, item) DO UPDATE SET given = $3, by_person = $4, at = now()`, args: []any{id, key, given, actor.Person}, rows: 1})
		if len(standing) > 0 {
			// The same values again, which a page may send back by itself, do not make the four
			// hours longer: they count from when somebody looked. So do those of which only some are new.
			w.statements = append(w.statements, statement{sql: `INSERT INTO standing_answer (machine, operator, item, given) VALUES ($1, $2, $3, $4)
				ON CONFLICT (machine, operator, item) DO UPDATE SET given = $4,
					at = CASE WHEN (standing_answer.given = $4 OR $6) AND standing_answer.at > now() - $5::interval AND NOT ` + lockedOutSince + ` THEN standing_answer.at ELSE now() END`,
				args: []any{g.Run.Machine, actor.Person, key, held, checklist.StandingFor, len(held) > len(standing)}, rows: 1})
		}
		if key != checklist.ItemSupply {
			// Whatever is answered anew asks for the supply again, which is the last answer.
			w.statements = append(w.statements, statement{sql: `DELETE FROM answer WHERE run = $1 AND item = $2`,
				args: []any{id, checklist.ItemSupply}, rows: anyRows})
		}
		return nil
	})
	if err != nil {
		return Gate{}, err
	}
	return s.Gate(ctx, actor, id)
}

// holding is what stands for an item's standing fields: what was given now, and besides it what still holds of
// the fields that are asked. A pair's marking takes the place of a label, so neither then stands beside the other.
func holding(bars []checklist.Bar, key string, now checklist.Values) checklist.Values {
	at := slices.IndexFunc(bars, func(b checklist.Bar) bool { return b.Item.Key == key && b.Standing })
	if at < 0 {
		return now
	}
	held := checklist.Values{}
	for _, f := range bars[at].Item.Fields {
		if value := bars[at].Values[f.Key]; f.Standing && value != "" {
			held[f.Key] = value
		}
	}
	for field := range now {
		if !slices.ContainsFunc(bars[at].Item.Fields, func(f checklist.Field) bool { return f.Key == field }) {
			return now
		}
	}
	maps.Copy(held, now)
	return held
}
