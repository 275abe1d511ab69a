package db

import (
	"context"
	"encoding/json"
	"errors"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/db/logbook"
	"kerfgate/plan"
	"kerfgate/plan/canon"
	"kerfgate/plan/geom"
	"kerfgate/plan/material"
)

// PlanChoice is what a member chose for a drawing; with the drawing it decides the plan.
type PlanChoice struct {
	Drawing    uuid.UUID
	Machine    uuid.UUID
	Tool       string
	Material   uuid.UUID
	Stock      uuid.UUID
	Operations map[string]plan.Operation // by group letter
	Default    plan.Operation
	Choices    plan.Choices
}

// PlanRow is a stored plan.
type PlanRow struct {
	Digest canon.Digest
	PlanChoice
	Member  uuid.UUID
	Plan    *plan.Plan
	Profile canon.Digest // of the machine, when it was made
	MadeAt  time.Time
}

// MakePlan plans a drawing for a machine and keeps the result. The same choice gives the same plan
// again. It takes processor time and memory: the caller bounds how many run at once. Errors:
// ErrNotFound, *Refused, *plan.Refusal with all reasons.
func (s *Store) MakePlan(ctx context.Context, actor Actor, choice PlanChoice) (PlanRow, error) {
	return s.makePlanFor(ctx, actor, actor, choice)
}

// makePlanFor is MakePlan for the plan of somebody else: an operator swaps the lot of a member's run.
func (s *Store) makePlanFor(ctx context.Context, actor, member Actor, choice PlanChoice) (PlanRow, error) {
	drawing, err := s.DrawingData(ctx, actor, choice.Drawing)
	if err != nil {
		return PlanRow{}, err
	}
	m, err := s.Machine(ctx, choice.Machine)
	if err != nil {
		return PlanRow{}, err
	}
	stock, kind, err := s.stockWithMaterial(ctx, choice.Stock)
	if err != nil {
		return PlanRow{}, err
	}
	if choice.Material != uuid.Nil && choice.Material != kind.ID {
		return PlanRow{}, refuse("the lot is not of that material", "name the lot's own material, or another lot")
	}
	if kind.Retired {
		return PlanRow{}, refuse(kind.Name+" was taken off the list of materials", "choose another material")
	}
	choice.Material = kind.ID
	var settings []material.Setting
	var reads pgx.Batch
	readProven(&reads, choice.Machine, choice.Tool, stock, &settings)
	if err := s.read(ctx, &reads); err != nil {
		return PlanRow{}, err
	}
	made, err := plan.Make(plan.Request{Drawing: drawing, Operations: choice.Operations, Default: choice.Default, Tool: choice.Tool,
		Profile: m.Profile, Material: kind.Material, Stock: stock.Stock, Settings: settings,
		Choices: choice.Choices})
	if err != nil {
		return PlanRow{}, err
	}
	return s.keepPlan(ctx, actor, member, choice, made, settings)
}

// samePlaces says whether two choices that lead to one plan for one machine also mean the same drawing
// and lot. The choice made last is the one that holds.
func (c PlanChoice) samePlaces(other PlanChoice) bool {
	return c.Drawing == other.Drawing && c.Machine == other.Machine && c.Tool == other.Tool &&
		c.Material == other.Material && c.Stock == other.Stock
}

func (s *Store) keepPlan(ctx context.Context, actor, member Actor, choice PlanChoice, made *plan.Plan, settings []material.Setting) (PlanRow, error) {
	data, digest, err := made.Encode()
	if err != nil {
		return PlanRow{}, err
	}
	chosen, err := json.Marshal(choice)
	if err != nil {
		return PlanRow{}, err
	}
	worked, size := workOf(made, settings)
	if found, err := s.PlanFor(ctx, member, digest, choice.Machine); err == nil && found.Member == member.Person && found.samePlaces(choice) {
		found.PlanChoice = choice
		return found, s.chooseAgain(ctx, member, digest, choice.Machine, chosen, worked, size)
	} else if err != nil && !errors.Is(err, ErrNotFound) {
		return PlanRow{}, err
	}
	if err := s.withinFiles(ctx, actor.Person, 0); err != nil {
		return PlanRow{}, err
	}
	_, statements := putBlob(data)
	_, err = s.commit(ctx, func(context.Context) (write, error) {
		return write{
			statements: append(statements, statement{sql: `INSERT INTO plan (digest, member, drawing, machine, tool, material, stock, choice, profile, total_ms,
					hot_spots, cut_um, mark_um, engrave_um, settings, width_um, height_um)
				VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17) ON CONFLICT (digest, member, machine)
				DO UPDATE SET drawing = $3, tool = $5, material = $6, stock = $7, choice = $8, made_at = now(), chosen_at = now(),
					hot_spots = $11, cut_um = $12, mark_um = $13, engrave_um = $14, settings = $15, width_um = $16, height_um = $17`,
				args: []any{digest[:], member.Person, choice.Drawing, choice.Machine, choice.Tool, choice.Material, choice.Stock, chosen,
					made.Profile[:], made.Numbers.TotalMS, made.Numbers.HotSpots, made.Numbers.CutUM, made.Numbers.MarkUM, made.Numbers.EngraveUM,
					worked, size.X, size.Y}, rows: 1}),
			entries: []draft{{kind: logbook.PlanMade, actor: actor,
				subjects: []logbook.Subject{about("drawing", choice.Drawing), about(logbook.RoleMachine, choice.Machine)},
				body:     logbook.Body{"plan": digest[:], "drawing": made.Drawing[:], "planner": made.Planner}}},
		}, nil
	})
	if err != nil {
		return PlanRow{}, err
	}
	return s.PlanFor(ctx, member, digest, choice.Machine)
}

// chooseAgain remembers that a choice is the member's last one for its drawing. The plan is the same,
// so nothing is logged.
func (s *Store) chooseAgain(ctx context.Context, actor Actor, digest canon.Digest, machine uuid.UUID, choice []byte, worked []material.Setting, size geom.Point) error {
	_, err := s.pool.Exec(ctx, `UPDATE plan SET choice = $4, chosen_at = now(), settings = $5, width_um = $6, height_um = $7 WHERE digest = $1 AND member = $2 AND machine = $3`,
		digest[:], actor.Person, machine, choice, worked, size.X, size.Y)
	return err
}

// LastChoice is what the actor chose last for the same drawing, however often it was handed in, on
// one machine. Choices are remembered for that drawing's bytes alone. Errors: ErrNotFound.
func (s *Store) LastChoice(ctx context.Context, actor Actor, drawing canon.Digest, machine uuid.UUID) (PlanChoice, error) {
	var choice PlanChoice
	err := s.pool.QueryRow(ctx, `SELECT p.choice FROM plan p JOIN drawing d ON d.id = p.drawing
		WHERE p.member = $1 AND p.machine = $2 AND d.digest = $3 ORDER BY p.chosen_at DESC, p.digest LIMIT 1`,
		actor.Person, machine, drawing[:]).Scan(&choice)
	return choice, meaning(err)
}

// Plan reads a plan that the actor may see, with the choice that was made for it last. Errors:
// ErrNotFound.
func (s *Store) Plan(ctx context.Context, actor Actor, digest canon.Digest) (PlanRow, error) {
	return s.PlanFor(ctx, actor, digest, uuid.Nil)
}

// PlanFor reads a plan as it was chosen for a machine: two machines of one profile get the same bytes,
// and each keeps its own choice. Zero stands for the machine that was chosen last. Errors: ErrNotFound.
func (s *Store) PlanFor(ctx context.Context, actor Actor, digest canon.Digest, machine uuid.UUID) (PlanRow, error) {
	var row PlanRow
	var data []byte
	var reads pgx.Batch
	readChoice(&reads, actor, digest, machine, &row)
	readBlob(&reads, digest, &data)
	err := s.read(ctx, &reads)
	if err != nil {
		return PlanRow{}, err
	}
	row.Plan, err = plan.Decode(data)
	return row, err
}

// readChoice reads what PlanFor does but the plan itself.
func readChoice(b *pgx.Batch, actor Actor, digest canon.Digest, machine uuid.UUID, row *PlanRow) {
	b.Queue(`SELECT choice, member, made_at, profile FROM plan
		WHERE digest = $1 AND ($4 = '00000000-0000-0000-0000-000000000000'::uuid OR machine = $4) AND (member = $2 OR `+seesAll("$2", "$3")+`)
		ORDER BY (member = $2) DESC, chosen_at DESC LIMIT 1`, digest[:], actor.Person, actor.Role, machine).QueryRow(func(r pgx.Row) error {
		var profile []byte
		if err := r.Scan(&row.PlanChoice, &row.Member, &row.MadeAt, &profile); err != nil {
			return meaning(err)
		}
		row.Digest, row.Profile = digest, canon.Digest(profile)
		return nil
	})
}
