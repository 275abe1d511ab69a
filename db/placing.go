package db

import (
	"context"

	"github.com/google/uuid"

	"kerfgate/checklist"
	"kerfgate/db/logbook"
	"kerfgate/plan/geom"
)

// Placed is how the run's sheet was placed, for the rules.
func (r Run) Placed() checklist.Placed {
	p := checklist.Placed{FocusUM: r.FocusUM, Fitted: r.Fitted, Traced: r.Traced, SupplyOff: r.SupplyOffAt != nil}
	if r.Placement != nil {
		p.Origin, p.Homed = &r.Placement.Origin, r.Placement.Homed
	}
	return p
}

// placing is a change of how a sheet is placed: columns of the run and what the entry says of it. The
// supply is the last answer, so whatever is placed anew asks for it again.
func (s *Store) placing(ctx context.Context, actor Actor, id uuid.UUID, decide func(ctx context.Context, g Gate) (set string, args []any, body logbook.Body, err error)) (Run, error) {
	return s.movedBy(ctx, actor, id, func(ctx context.Context, g Gate, w *write) error {
		if err := atGate(actor, g); err != nil {
			return err
		}
		set, args, body, err := decide(ctx, g)
		if err != nil {
			return err
		}
		w.statements = append(w.statements,
			statement{sql: `UPDATE run SET opened_at = now(), ` + set + ` WHERE id = $1 AND rev = $2 AND phase = 'checking'`,
				args: append([]any{id, g.Run.Rev}, args...), rows: 1},
			statement{sql: `DELETE FROM answer WHERE run = $1 AND item = $2`, args: []any{id, checklist.ItemSupply}, rows: anyRows})
		w.entries = append(w.entries, draft{kind: logbook.LeaveUsed, actor: actor, subjects: runSubjects(id, g.Run.Machine, g.Run.Job), body: body})
		return nil
	})
}

// Place keeps where the sheet lies, checked against sheet, bed and hard stops. Errors: ErrNotFound,
// *Refused.
func (s *Store) Place(ctx context.Context, actor Actor, id uuid.UUID, p Placement) (Run, error) {
	return s.placing(ctx, actor, id, func(ctx context.Context, g Gate) (string, []any, logbook.Body, error) {
		made, err := s.planData(ctx, g.Run.Plan)
		if err != nil {
			return "", nil, nil, err
		}
		if reasons := made.CheckPlacement(g.Machine.Profile, p.Origin, sheetAt(g.Facts, p.Origin)); len(reasons) > 0 {
			return "", nil, nil, refusedPlacement(reasons)
		}
		return `origin_x_um = $3, origin_y_um = $4, homed = $5, placed_by = $6, placed_at = now()`,
			[]any{p.Origin.X, p.Origin.Y, p.Homed, actor.Person},
			logbook.Body{"origin_x_um": p.Origin.X, "origin_y_um": p.Origin.Y, "homed": p.Homed}, nil
	})
}

// SetFocus keeps the height of the tool above the bed that a person read, in micrometres, held against
// the sheet and the tool where the profile knows its focal distance. Errors: ErrNotFound, *Refused.
func (s *Store) SetFocus(ctx context.Context, actor Actor, id uuid.UUID, heightUM int64) (Run, error) {
	return s.placing(ctx, actor, id, func(_ context.Context, g Gate) (string, []any, logbook.Body, error) {
		if heightUM <= 0 {
			return "", nil, nil, refuse("a focus lies above the bed", "type the height that you read, in mm")
		}
		if reason, ok := checklist.FocusReason(heightUM, g.Facts); !ok {
			return "", nil, nil, &Refused{Reasons: []checklist.Reason{reason}}
		}
		return `focus_um = $3`, []any{heightUM}, logbook.Body{"focus_um": heightUM}, nil
	})
}

// Fitted keeps which tool a person said hangs on the carriage. Another one lies elsewhere and at another
// height, so that origin, trace and focus have to be set again. Errors: ErrNotFound, *Refused.
func (s *Store) Fitted(ctx context.Context, actor Actor, id uuid.UUID, tool string) (Run, error) {
	return s.placing(ctx, actor, id, func(_ context.Context, g Gate) (string, []any, logbook.Body, error) {
		if _, ok := g.Machine.Profile.Tool(tool); !ok {
			return "", nil, nil, refuse("the machine has no tool of that name", "choose one of its tools")
		}
		set := `fitted = $3`
		if g.Run.Fitted != "" && g.Run.Fitted != tool {
			set += `, focus_um = NULL, origin_x_um = NULL, origin_y_um = NULL, homed = false, placed_by = NULL, placed_at = NULL,
				traced_x_um = NULL, traced_y_um = NULL`
		}
		return set, []any{tool}, logbook.Body{"fitted": tool}, nil
	})
}

// Traced keeps the origin around which the machine has traced the outline. Errors: ErrNotFound, *Refused.
func (s *Store) Traced(ctx context.Context, actor Actor, id uuid.UUID, origin geom.Point) (Run, error) {
	return s.placing(ctx, actor, id, func(context.Context, Gate) (string, []any, logbook.Body, error) {
		return `traced_x_um = $3, traced_y_um = $4`, []any{origin.X, origin.Y}, logbook.Body{"traced_x_um": origin.X, "traced_y_um": origin.Y}, nil
	})
}

// SupplyOff keeps that the beam's supply was said to be off: before that nothing moves at the bed. Errors:
// ErrNotFound, *Refused.
func (s *Store) SupplyOff(ctx context.Context, actor Actor, id uuid.UUID) (Run, error) {
	return s.placing(ctx, actor, id, func(context.Context, Gate) (string, []any, logbook.Body, error) {
		return `supply_off_at = now()`, nil, logbook.Body{"supply": "off"}, nil
	})
}
