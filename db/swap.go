package db

import (
	"context"
	"fmt"

	"github.com/google/uuid"

	"kerfgate/checklist"
	"kerfgate/db/logbook"
	"kerfgate/queue"
)

// SwapStock gives a waiting run another lot or offcut of the same material and makes its plan anew for it, with
// what its member chose. An open checklist of it is released: its answers were for another sheet. It takes time
// and memory as MakePlan does. Errors: ErrNotFound, ErrMoved once it is signed, *Refused, *plan.Refusal where the
// drawing does not fit the sheet.
func (s *Store) SwapStock(ctx context.Context, actor Actor, id, to uuid.UUID, reason string) (Run, error) {
	reason, ok := reasonWithin(reason, mostTakeReason)
	if !ok {
		return Run{}, refuse("to swap the lot needs a reason", fmt.Sprintf("say in 1 to %d letters what is wrong with the sheet that was chosen", mostTakeReason))
	}
	r, err := s.run(ctx, id)
	if err != nil {
		return Run{}, err
	}
	if err := s.swapRefusals(ctx, actor, r, to); err != nil {
		return Run{}, err
	}
	// What its member chose holds, whoever else chose the same plan.
	member := Actor{Person: r.Member, Role: RoleMember}
	was, err := s.PlanFor(ctx, member, r.Plan, r.Machine)
	if err != nil {
		return Run{}, err
	}
	choice := was.PlanChoice
	choice.Stock = to
	row, err := s.makePlanFor(ctx, actor, member, choice)
	if err != nil {
		return Run{}, err
	}
	_, err = s.commit(ctx, func(ctx context.Context) (write, error) { return s.swap(ctx, actor, r.ID, row, reason) })
	if err != nil {
		return Run{}, err
	}
	return s.run(ctx, id)
}

// swapRefusals refuses what no plan can cure.
func (s *Store) swapRefusals(ctx context.Context, actor Actor, r Run, to uuid.UUID) error {
	if r.Phase != queue.Proposed && r.Phase != queue.Checking {
		return queue.ErrMoved
	}
	if _, err := s.operating(ctx, actor, r, "ask an operator of it"); err != nil {
		return err
	}
	from, err := s.stock(ctx, r.Stock)
	if err != nil {
		return err
	}
	other, err := s.stock(ctx, to)
	if err != nil {
		return err
	}
	var no []checklist.Reason
	if r.Phase == queue.Checking && r.Operator != actor.Person {
		no = append(no, checklist.Reason{What: "another operator has this run's checklist open", Next: "ask them, or wait until it is given back"})
	}
	if from.ID == other.ID {
		no = append(no, checklist.Reason{What: "the run has this lot already", Next: "choose another lot"})
	}
	if from.Material != other.Material {
		no = append(no, checklist.Reason{What: "lot " + other.Lot + " is another material", Next: "its member hands it in anew for another material"})
	}
	// What fits together by thickness does so by what the member drew: a joint made for 3 mm is none for 4.
	if off := max(from.ThicknessUM-other.ThicknessUM, other.ThicknessUM-from.ThicknessUM); off > max(from.ToleranceUM, other.ToleranceUM) {
		no = append(no, checklist.Reason{What: "lot " + other.Lot + " has another thickness", Next: "its member hands it in anew for another thickness"})
	}
	if len(no) > 0 {
		return &Refused{Reasons: no}
	}
	return nil
}

func (s *Store) swap(ctx context.Context, actor Actor, id uuid.UUID, row PlanRow, reason string) (write, error) {
	r, err := s.run(ctx, id)
	if err != nil {
		return write{}, err
	}
	if err := s.swapRefusals(ctx, actor, r, row.Stock); err != nil {
		return write{}, err
	}
	m, err := s.Machine(ctx, r.Machine)
	if err != nil {
		return write{}, err
	}
	stock, kind, err := s.stockWithMaterial(ctx, row.Stock)
	if err != nil {
		return write{}, err
	}
	no, err := s.submitRefusals(ctx, row, m, stock, kind, 1)
	if err != nil {
		return write{}, err
	}
	if len(no) > 0 {
		return write{}, &Refused{Reasons: no}
	}
	salt := newSalt()
	why := logbook.SaltedDigest(salt, []byte(reason))
	w := write{statements: []statement{
		{sql: `UPDATE stock SET reserved = reserved + 1, rev = rev + 1 WHERE id = $1 AND count - reserved >= 1`, args: []any{stock.ID}, rows: 1},
		{sql: `UPDATE stock SET reserved = reserved - 1, rev = rev + 1 WHERE id = $1`, args: []any{r.Stock}, rows: 1},
		{sql: `INSERT INTO queue_swap (run, by_person, stock_before, stock, reason, salt) VALUES ($1, $2, $3, $4, $5, $6)`,
			args: []any{id, actor.Person, r.Stock, stock.ID, reason, salt}, rows: 1},
		{sql: `UPDATE run SET stock = $2, plan = $3, ready = false, unready_reason = 'swapped to another lot', revision = revision + 1
			WHERE id = $1 AND rev = $4 AND phase IN ('proposed', 'checking')`, args: []any{id, stock.ID, row.Digest[:], r.Rev}, rows: 1}}}
	if r.Phase == queue.Checking {
		move, err := r.Phase.After(queue.Released)
		if err != nil {
			return write{}, err
		}
		released := r
		released.Rev++ // the statement before has moved it on
		release(&w, actor, released, move, "stock changed")
	}
	w.entries = append(w.entries, draft{kind: logbook.QueueSwapped, actor: actor,
		subjects: append(runSubjects(id, r.Machine, r.Job), about("stock", stock.ID), about("stock_before", r.Stock)),
		body:     logbook.Body{"plan": row.Digest[:], "before": r.Plan[:], "reason_digest": why[:]}})
	return w, nil
}

// Swappable lists the lots that a run may be swapped to: of its material and thickness, with a sheet that nobody
// else was promised. Whether the drawing fits shows when the plan is made.
func (s *Store) Swappable(ctx context.Context, r Run) ([]Stock, error) {
	return s.stocks(ctx, `id <> $1 AND count > reserved AND NOT halogen AND (material, true) IN (SELECT o.material,
		abs(stock.thickness_um - o.thickness_um) <= greatest(stock.tolerance_um, o.tolerance_um) FROM stock o WHERE o.id = $1)`, r.Stock)
}
