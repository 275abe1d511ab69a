package db

import (
	"context"
	"encoding/json"
	"errors"
	"slices"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/checklist"
	"kerfgate/plan"
	"kerfgate/plan/canon"
	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/plan/material"
)

// planWork is what is kept of a plan beside its bytes, so that a gate can be judged without reading them.
type planWork struct {
	work checklist.Work
	size geom.Point
}

// workOf is what a plan that was just made does to the sheet. Those of the settings count that it uses.
func workOf(made *plan.Plan, settings []material.Setting) (worked []material.Setting, size geom.Point) {
	worked = []material.Setting{}
	for _, s := range settings {
		if slices.ContainsFunc(made.Strokes, func(x plan.Stroke) bool { return string(x.Operation) == s.Operation }) {
			worked = append(worked, s)
		}
	}
	return worked, geom.Pt(made.Extents.Width(), made.Extents.Height())
}

// keptWork reads what was kept of a plan for a machine, the member's own first: an officer may submit another's.
// A plan from before that was kept, and one
// whose choice is gone, are lost.
func (s *Store) keptWork(ctx context.Context, digest canon.Digest, member, on uuid.UUID) (planWork, error) {
	var choice PlanChoice
	var settings []byte
	var width, height *int64
	err := s.pool.QueryRow(ctx, `SELECT choice, settings, width_um, height_um FROM plan WHERE digest = $1 AND machine = $3
		ORDER BY member = $2 DESC LIMIT 1`,
		digest[:], member, on).Scan(&choice, &settings, &width, &height)
	if errors.Is(err, pgx.ErrNoRows) {
		return planWork{work: checklist.Work{Lost: true}}, nil
	}
	if err != nil {
		return planWork{}, err
	}
	w := planWork{work: checklist.Work{Lost: settings == nil, Trial: choice.Choices.Unproven()}}
	if width != nil && height != nil {
		w.size = geom.Pt(*width, *height)
	}
	if settings != nil {
		err = json.Unmarshal(settings, &w.work.Settings)
	}
	return w, err
}

// proofs adds to what a plan does what is proven today, and what was tried before where the site is one
// person's.
func (s *Store) proofs(ctx context.Context, f *checklist.Facts, kept planWork, m Machine, st Stock) error {
	f.Work, f.Size = kept.work, kept.size
	if f.Tool.Kind != machine.ToolBeam {
		return nil
	}
	var err error
	if f.Work.Proven, err = s.provenFor(ctx, m.ID, f.Tool.Name, st); err != nil {
		return err
	}
	return s.pool.QueryRow(ctx, `SELECT coalesce((SELECT kind = 'alone' FROM site), false), EXISTS (`+triedRuns+` AND r.stock = $3),
			EXISTS (`+triedRuns+` AND r.stock IN (SELECT id FROM stock WHERE material = $4) AND EXISTS (SELECT 1 FROM plan p
				WHERE p.digest = r.plan AND p.member = j.member AND p.machine = r.machine AND (p.width_um > $5 OR p.height_um > $5 OR p.width_um IS NULL)))`,
		m.ID, f.Tool.Name, st.ID, st.Material, checklist.TestPieceUM).Scan(&f.Circumstances.Alone, &f.Tried.Lot, &f.Tried.Whole)
}

// triedRuns are the runs with tool $2 on machine $1 that went to their end without flame or glow.
const triedRuns = `SELECT 1 FROM run r JOIN job j ON j.id = r.job
	WHERE r.machine = $1 AND j.tool = $2 AND r.phase = 'closed' AND r.outcome = 'completed' AND NOT r.flame`
