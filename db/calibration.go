package db

import (
	"context"
	"encoding/json"
	"errors"
	"math"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/db/logbook"
	"kerfgate/plan"
	"kerfgate/plan/calibration"
	"kerfgate/plan/canon"
	"kerfgate/plan/machine"
	"kerfgate/queue"
)

// Calibration is one pattern that a machine drew, what was measured on it, and what a person made of it.
type Calibration struct {
	ID           uuid.UUID
	Machine      uuid.UUID
	Job          uuid.UUID
	Profile      canon.Digest // that drew it
	Pattern      calibration.Pattern
	StartedBy    uuid.UUID
	StartedName  string
	StartedAt    time.Time
	Run          uuid.UUID // the newest of the job
	RunNumber    int64
	RunPhase     queue.Phase
	RunOutcome   queue.Outcome
	Readings     []calibration.Reading
	Result       *calibration.Result // nil until measured
	Proposal     *Proposal           // nil until measured
	MeasuredName string
	MeasuredAt   *time.Time
	Decision     CalibrationDecision
	DecidedName  string
	DecidedAt    *time.Time
	Reason       string
	After        canon.Digest // in force since it was accepted
	Rev          int64
}

// Proposal is what a calibration would change in the profile.
type Proposal struct {
	Changes []calibration.Change `json:"changes"`
	Bed     calibration.Estimate `json:"bed_um"` // error at the far corner of the bed, and its uncertainty
	Profile machine.Profile      `json:"profile"`
}

// CalibrationDecision is what a person made of a calibration.
type CalibrationDecision string

// Decisions.
const (
	Undecided           CalibrationDecision = ""
	CalibrationAccepted CalibrationDecision = "accepted"
	CalibrationRefused  CalibrationDecision = "refused"
)

// NewCalibration is a pattern to be drawn: with which tool, on which lot, how large.
type NewCalibration struct {
	Machine  uuid.UUID
	Tool     string
	Stock    uuid.UUID
	WidthUM  int64
	HeightUM int64
}

// StartCalibration plans the pattern and queues its run, which passes the gate as any other: drawn by a
// pen, marked by a beam with its proven setting. Errors: ErrNotFound, *Refused, *plan.Refusal.
func (s *Store) StartCalibration(ctx context.Context, actor Actor, n NewCalibration) (Calibration, error) {
	m, err := s.Machine(ctx, n.Machine)
	if err != nil {
		return Calibration{}, err
	}
	if err := s.mayHandle(ctx, actor, m.ID); err != nil {
		return Calibration{}, err
	}
	tool, ok := m.Profile.Tool(n.Tool)
	if !ok {
		return Calibration{}, refuse("the machine has no such tool", "choose one of its tools")
	}
	pattern, err := calibration.New(n.WidthUM, n.HeightUM)
	if err != nil {
		return Calibration{}, refuse(err.Error(), "measure the room on the sheet and choose sides within it")
	}
	operation := plan.Mark
	if tool.Kind == machine.ToolPen {
		operation = plan.Draw
	}
	d, err := s.ReceiveDrawing(ctx, actor, "calibration pattern.svg", pattern.SVG())
	if err != nil {
		return Calibration{}, err
	}
	row, err := s.MakePlan(ctx, actor, PlanChoice{Drawing: d.ID, Machine: m.ID, Tool: n.Tool, Stock: n.Stock, Default: operation,
		Choices: plan.Choices{AsDrawn: true, Uncorrected: true}})
	if err != nil {
		return Calibration{}, err
	}
	id := newID()
	drawn, err := json.Marshal(pattern)
	if err != nil {
		return Calibration{}, err
	}
	_, err = s.submit(ctx, actor, NewJob{Title: "Calibration of " + m.Name, Plan: row.Digest, Machine: m.ID, Stock: n.Stock, Copies: 1},
		func(w *write, job uuid.UUID) {
			w.statements = append(w.statements, statement{sql: `INSERT INTO calibration (id, machine, job, profile, pattern, started_by, salt) VALUES ($1, $2, $3, $4, $5, $6, $7)`,
				args: []any{id, m.ID, job, row.Plan.Profile[:], drawn, actor.Person, newSalt()}, rows: 1})
			w.entries = append(w.entries, draft{kind: logbook.CalibrationStarted, actor: actor,
				subjects: []logbook.Subject{about("calibration", id), about(logbook.RoleMachine, m.ID), about(logbook.RoleJob, job)},
				body:     logbook.Body{"pattern_x_um": pattern.WidthUM, "pattern_y_um": pattern.HeightUM}})
		})
	if err != nil {
		return Calibration{}, err
	}
	return s.Calibration(ctx, id)
}

// mayHandle refuses who is neither an operator of the machine nor a safety officer. Errors: ErrNotAllowed.
func (s *Store) mayHandle(ctx context.Context, actor Actor, machine uuid.UUID) error {
	if actor.Role.Officer() {
		return nil
	}
	ok, err := s.authorised(ctx, actor.Person, machine)
	if err == nil && !ok {
		err = ErrNotAllowed
	}
	return err
}

// MeasureCalibration takes the distances that a person measured on the pattern, fits them, and keeps what
// that proposes; until it is decided they may be corrected. Errors: ErrNotFound, ErrNotAllowed, ErrConflict,
// *Refused.
func (s *Store) MeasureCalibration(ctx context.Context, actor Actor, id uuid.UUID, rev int64, readings []calibration.Reading, uncertainUM int64) (Calibration, error) {
	if uncertainUM < 5 || uncertainUM > 1000 {
		return Calibration{}, refuse("how far a reading may be off is out of range", "choose 0.005 to 1 mm; a caliper laid to a thin line by eye comes to 0.06 mm")
	}
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		c, m, err := s.openCalibration(ctx, actor, id, rev)
		if err != nil {
			return write{}, err
		}
		if c.RunOutcome != queue.OutcomeCompleted {
			return write{}, refuse("the pattern is not drawn to its end", "run it, or withdraw it and start another calibration")
		}
		result, err := calibration.Fit(c.Pattern, readings, calibration.Instrument{UncertainUM: uncertainUM, StepUM: m.Profile.SmallestStepUM})
		if err != nil {
			return write{}, refuse(err.Error(), "measure again, from the same edge of both lines")
		}
		next, changes := result.Propose(m.Profile)
		proposal := Proposal{Changes: changes, Bed: result.Bed(m.Profile.TravelUM.Width(), m.Profile.TravelUM.Height()), Profile: next}
		var texts [3][]byte
		for i, v := range []any{readings, result, proposal} {
			if texts[i], err = json.Marshal(v); err != nil {
				return write{}, err
			}
		}
		body := logbook.Body{"outlier": result.Outlier, "spare": int64(result.Spare)}
		for name, e := range map[string]calibration.Estimate{"scale_x_ppm": result.ScaleX, "scale_y_ppm": result.ScaleY, "squareness_urad": result.Squareness,
			"backlash_x_um": result.BacklashX, "backlash_y_um": result.BacklashY, "bed_um": proposal.Bed} {
			body[name], body[name+"_uncertain"] = int64(math.Round(e.Value)), int64(math.Ceil(e.Uncertain))
		}
		return write{
			statements: []statement{{sql: `UPDATE calibration SET readings = $3, result = $4, proposal = $5, measured_by = $6, measured_at = now(), rev = rev + 1
				WHERE id = $1 AND rev = $2 AND decision = ''`, args: []any{id, c.Rev, texts[0], texts[1], texts[2], actor.Person}, rows: 1}},
			entries: []draft{{kind: logbook.CalibrationMeasured, actor: actor, subjects: calibrationSubjects(c), body: body}},
		}, nil
	})
	if err != nil {
		return Calibration{}, err
	}
	return s.Calibration(ctx, id)
}

func calibrationSubjects(c Calibration) []logbook.Subject {
	return []logbook.Subject{about("calibration", c.ID), about(logbook.RoleMachine, c.Machine), about(logbook.RoleRun, c.Run)}
}

// openCalibration reads a calibration that is to be changed and its machine, whose profile must still be
// the one that drew the pattern.
func (s *Store) openCalibration(ctx context.Context, actor Actor, id uuid.UUID, rev int64) (Calibration, Machine, error) {
	c, err := s.Calibration(ctx, id)
	if err != nil {
		return c, Machine{}, err
	}
	if err := s.mayHandle(ctx, actor, c.Machine); err != nil {
		return c, Machine{}, err
	}
	m, err := s.Machine(ctx, c.Machine)
	switch {
	case err != nil:
		return c, m, err
	case rev != 0 && rev != c.Rev:
		return c, m, errStaleRev
	case c.Decision != Undecided:
		return c, m, refuse("this calibration was "+string(c.Decision)+" already", "start another one")
	case m.ProfileDigest != c.Profile:
		return c, m, refuse("the machine's profile changed since the pattern was drawn, so it tells nothing about it", "refuse this one and draw the pattern again")
	}
	return c, m, nil
}

// AcceptCalibration makes the proposed profile the one in force; open sign-offs of the machine are voided
// (I10). Where nothing is proposed the profile stays and the machine counts as calibrated. Errors:
// ErrNotFound, ErrNotAllowed, ErrConflict, *Refused while a distance is doubted.
func (s *Store) AcceptCalibration(ctx context.Context, actor Actor, id uuid.UUID, rev int64) (Calibration, error) {
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		c, m, err := s.openCalibration(ctx, actor, id, rev)
		if err != nil {
			return write{}, err
		}
		switch {
		case c.Result == nil:
			return write{}, refuse("nothing is measured yet", "enter the distances first")
		case c.Result.Outlier != "":
			return write{}, refuse("distance "+c.Result.Outlier+" does not fit the others", "measure it again, or leave it out if enough others remain")
		}
		var w write
		after := m.ProfileDigest
		if len(c.Proposal.Changes) > 0 {
			if w, after, err = s.publishing(ctx, actor, m, c.Proposal.Profile); err != nil {
				return write{}, err
			}
		} else {
			w.statements = append(w.statements, statement{sql: `SELECT 1 FROM machine WHERE id = $1 AND rev = $2 FOR SHARE`, args: []any{m.ID, m.Rev}, rows: 1})
		}
		w.statements = append(w.statements, statement{sql: `UPDATE calibration SET decision = 'accepted', decided_by = $3, decided_at = now(), after = $4, rev = rev + 1
			WHERE id = $1 AND rev = $2`, args: []any{id, c.Rev, actor.Person, after[:]}, rows: 1})
		w.entries = append(w.entries, draft{kind: logbook.CalibrationAccepted, actor: actor, subjects: calibrationSubjects(c),
			body: logbook.Body{"profile": after[:], "before": m.ProfileDigest[:]}})
		return w, nil
	})
	if err != nil {
		return Calibration{}, err
	}
	return s.Calibration(ctx, id)
}

// RefuseCalibration ends a calibration without effect, with a reason. Errors: ErrNotFound, ErrNotAllowed,
// ErrConflict, *Refused.
func (s *Store) RefuseCalibration(ctx context.Context, actor Actor, id uuid.UUID, rev int64, reason string) (Calibration, error) {
	if !reasonFits(reason) {
		return Calibration{}, refuse("refusing a calibration needs a reason of at most 500 letters", "say why its numbers are not taken")
	}
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		c, _, err := s.openCalibration(ctx, actor, id, rev)
		var refused *Refused
		if errors.As(err, &refused) && c.Decision == Undecided {
			err = nil // a changed profile is a reason to refuse
		}
		if err != nil {
			return write{}, err
		}
		var salt []byte
		if err := s.pool.QueryRow(ctx, `SELECT salt FROM calibration WHERE id = $1`, id).Scan(&salt); err != nil {
			return write{}, err
		}
		digest := logbook.SaltedDigest(salt, []byte(reason))
		return write{
			statements: []statement{{sql: `UPDATE calibration SET decision = 'refused', decided_by = $3, decided_at = now(), reason = $4, rev = rev + 1
				WHERE id = $1 AND rev = $2`, args: []any{id, c.Rev, actor.Person, reason}, rows: 1}},
			entries: []draft{{kind: logbook.CalibrationRefused, actor: actor, subjects: calibrationSubjects(c), body: logbook.Body{"reason_digest": digest[:]}}},
		}, nil
	})
	if err != nil {
		return Calibration{}, err
	}
	return s.Calibration(ctx, id)
}

const selectCalibration = `SELECT c.id, c.machine, c.job, c.profile, c.pattern, c.started_by, sp.name, c.started_at, r.id, r.number, r.phase, r.outcome,
		c.readings, c.result, c.proposal, coalesce(mp.name, ''), c.measured_at, c.decision, coalesce(dp.name, ''), c.decided_at, c.reason, c.after, c.rev
	FROM calibration c JOIN person sp ON sp.id = c.started_by
	JOIN LATERAL (SELECT id, number, phase, outcome FROM run WHERE job = c.job ORDER BY number DESC LIMIT 1) r ON true
	LEFT JOIN person mp ON mp.id = c.measured_by LEFT JOIN person dp ON dp.id = c.decided_by WHERE `

func scanCalibration(row pgx.CollectableRow) (c Calibration, err error) {
	var profile, after []byte
	err = row.Scan(&c.ID, &c.Machine, &c.Job, &profile, &c.Pattern, &c.StartedBy, &c.StartedName, &c.StartedAt, &c.Run, &c.RunNumber, &c.RunPhase, &c.RunOutcome,
		&c.Readings, &c.Result, &c.Proposal, &c.MeasuredName, &c.MeasuredAt, &c.Decision, &c.DecidedName, &c.DecidedAt, &c.Reason, &after, &c.Rev)
	copy(c.Profile[:], profile)
	copy(c.After[:], after)
	return c, err
}

// Calibration reads one. Errors: ErrNotFound.
func (s *Store) Calibration(ctx context.Context, id uuid.UUID) (Calibration, error) {
	return readOne(ctx, s.pool, scanCalibration, selectCalibration+`c.id = $1`, id)
}

// Calibrations lists a machine's, newest first, at most limit.
func (s *Store) Calibrations(ctx context.Context, machine uuid.UUID, limit int) ([]Calibration, error) {
	return readAll(ctx, s.pool, scanCalibration, selectCalibration+`c.machine = $1 ORDER BY c.id DESC LIMIT $2`, machine, limit)
}
