package db

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"

	"kerfgate/checklist"
	"kerfgate/db/logbook"
	"kerfgate/plan/machine"
	"kerfgate/queue"
)

// Inspection is what a person saw after a run.
type Inspection struct {
	Fate        SheetFate
	FlameOrGlow bool
	SupplyOff   bool
}

// Inspect records what a person saw of sheet and bed and closes the run. A flame or glow locks the
// machine out, opens an incident and a watch of an hour, all in the same step. A beam run opens the
// machine's fire watch, which the inspecting person has until they hand it over. Errors:
// ErrNotFound, ErrMoved, *Refused.
func (s *Store) Inspect(ctx context.Context, actor Actor, id uuid.UUID, in Inspection) (Run, error) {
	site, err := s.Site(ctx)
	if err != nil {
		return Run{}, err
	}
	return s.movedBy(ctx, actor, id, func(ctx context.Context, g Gate, w *write) error {
		r := g.Run
		move, err := r.Phase.After(queue.Inspected)
		if err != nil {
			return err
		}
		if ok, err := s.authorised(ctx, actor.Person, r.Machine); err != nil {
			return err
		} else if !ok && !actor.Role.Officer() {
			return refuse("you hold no valid authorisation for this machine", "an operator of this machine or the safety officer inspects")
		}
		switch in.Fate {
		case SheetKept, SheetScrapped, SheetRepeat:
		default:
			return refuse("what became of the sheet is not said", "choose kept, scrapped or repeat")
		}
		if g.Facts.Tool.Kind == machine.ToolBeam && !in.SupplyOff {
			return refuse("the beam supply is not said to be off", "switch it off before the sheet is touched, then answer again")
		}
		sheetBack, err := s.sheetFate(ctx, w, r, in.Fate)
		if err != nil {
			return err
		}
		w.statements = append(w.statements, ranMachine(r.ID, g.Facts.Material.Group()))
		if in.FlameOrGlow {
			if err := s.reportFire(ctx, w, actor, g, "the inspection"); err != nil {
				return err
			}
		}
		if in.Fate == SheetRepeat {
			w.statements = append(w.statements, jobGoesOn(r.Job))
		}
		moveRun(w, actor, r, move, "", map[string]any{"sheet_fate": string(in.Fate), "flame": in.FlameOrGlow},
			logbook.Body{"sheet": string(in.Fate), "sheet_back": sheetBack, "flame_or_glow": in.FlameOrGlow, logbook.FieldOutcome: string(r.Outcome)})
		if in.Fate == SheetRepeat {
			proposeRun(w, actor, newID(), r.Job, r.Machine, r.Stock, r.Plan, r.Copy)
		}
		switch {
		case in.FlameOrGlow:
			openWatch(w, actor, g, g.Facts.Today, checklist.FlameWatch)
		case g.Facts.Tool.Kind == machine.ToolBeam && !r.NeverMoved:
			openWatch(w, actor, g, g.Facts.Today, time.Duration(site.FireWatchMinutes)*time.Minute)
		case g.Machine.Watch != nil: // whoever inspects looks at the machine
			_, err = s.look(ctx, w, actor, g.Machine, g.Facts.Today, false)
			return err
		}
		return nil
	})
}

// sheetFate books what becomes of the sheet. A sheet that was taken at the start but lay under a run
// that never moved is whole and goes back on the shelf unless it was scrapped; a repeat reserves one.
func (s *Store) sheetFate(ctx context.Context, w *write, r Run, fate SheetFate) (back bool, err error) {
	var taken, withdrawn bool
	if err := s.pool.QueryRow(ctx, `SELECT r.stock_taken, j.withdrawn_at IS NOT NULL FROM run r JOIN job j ON j.id = r.job WHERE r.id = $1`,
		r.ID).Scan(&taken, &withdrawn); err != nil {
		return false, err
	}
	back = taken && r.NeverMoved && fate != SheetScrapped
	if fate == SheetRepeat && withdrawn {
		return false, refuse("the job was withdrawn, so nothing of it is repeated", "say kept or scrapped; submit the job anew if it is wanted after all")
	}
	var count, reserve int64
	if back {
		count = 1
	}
	if fate == SheetRepeat {
		reserve = 1
	}
	if count+reserve > 0 {
		w.statements = append(w.statements, statement{sql: `UPDATE stock SET count = count + $2, reserved = reserved + $3, rev = rev + 1
			WHERE id = $1 AND count + $2 >= reserved + $3`, args: []any{r.Stock, count, reserve}, rows: 1,
			conflict: refuse("no sheet of lot "+r.StockLot+" is left to repeat it with", "say scrapped, then submit it again on another lot")})
	}
	return back, nil
}

// reportFire adds lockout and incident to a look that saw a flame or glow; where says which look.
func (s *Store) reportFire(ctx context.Context, w *write, actor Actor, g Gate, where string) error {
	incident := newID()
	w.statements = append(w.statements, statement{sql: `INSERT INTO incident (id, kind, machine, run, reported_by, what) VALUES ($1, 'fire', $2, $3, $4, $5)`,
		args: []any{incident, g.Run.Machine, g.Run.ID, actor.Person, "flame or glow seen at " + where}, rows: 1})
	w.entries = append(w.entries, draft{kind: logbook.IncidentOpened, actor: actor,
		subjects: append(runSubjects(g.Run.ID, g.Run.Machine, g.Run.Job), about("incident", incident)), body: logbook.Body{"kind": "fire"}})
	// A flame never leaves a machine in use.
	return s.lockOutAnyway(ctx, w, actor, g.Machine, fmt.Sprintf("flame or glow seen at %s of run %d", where, g.Run.Number))
}
