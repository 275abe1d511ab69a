package db

import (
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

// workOf is what a plan that was just made does to the sheet. It is kept beside the plan's bytes, so that a gate
// can be judged without reading them. Those of the settings count that it uses.
func workOf(made *plan.Plan, settings []material.Setting) (worked []material.Setting, size geom.Point) {
	worked = []material.Setting{}
	for _, s := range settings {
		if slices.ContainsFunc(made.Strokes, func(x plan.Stroke) bool { return string(x.Operation) == s.Operation }) {
			worked = append(worked, s)
		}
	}
	return worked, geom.Pt(made.Extents.Width(), made.Extents.Height())
}

// readWork reads what was kept of a plan for a machine, the member's own first: an officer may submit another's.
// A plan from before that was kept, and one whose choice is gone, are lost.
func readWork(b *pgx.Batch, digest canon.Digest, member, on uuid.UUID, f *checklist.Facts) {
	b.Queue(`SELECT choice, settings, width_um, height_um FROM plan WHERE digest = $1 AND machine = $3
		ORDER BY member = $2 DESC LIMIT 1`, digest[:], member, on).QueryRow(func(row pgx.Row) error {
		var choice PlanChoice
		var settings []byte
		var width, height *int64
		switch err := row.Scan(&choice, &settings, &width, &height); {
		case errors.Is(err, pgx.ErrNoRows):
			f.Work.Lost = true
			return nil
		case err != nil:
			return err
		}
		f.Work.Lost, f.Work.Trial = settings == nil, choice.Choices.Unproven()
		if width != nil && height != nil {
			f.Size = geom.Pt(*width, *height)
		}
		if settings == nil {
			return nil
		}
		return json.Unmarshal(settings, &f.Work.Settings)
	})
}

// readProofs reads what is proven today for what a beam does, and what was tried before where the site is one
// person's.
func readProofs(b *pgx.Batch, f *checklist.Facts, m Machine, st Stock) {
	if f.Tool.Kind != machine.ToolBeam {
		return
	}
	readProven(b, m.ID, f.Tool.Name, st, &f.Work.Proven)
	b.Queue(`SELECT site.alone, site.alone AND EXISTS (`+triedRuns+` AND r.stock = $3),
			site.alone AND EXISTS (SELECT 1 FROM stock s CROSS JOIN LATERAL (`+triedRuns+` AND r.stock = s.id AND EXISTS (SELECT 1 FROM plan p
				WHERE p.digest = r.plan AND p.member = r.member AND p.machine = r.machine AND (p.width_um > $5 OR p.height_um > $5 OR p.width_um IS NULL)) LIMIT 1) whole
				WHERE s.material = $4)
		FROM (SELECT coalesce((SELECT kind = 'alone' FROM site), false) AS alone OFFSET 0) site`,
		m.ID, f.Tool.Name, st.ID, st.Material, checklist.TestPieceUM).QueryRow(func(row pgx.Row) error {
		return row.Scan(&f.Circumstances.Alone, &f.Tried.Lot, &f.Tried.Whole)
	})
}

// triedRuns are the runs with tool $2 on machine $1 that went to their end without flame or glow.
const triedRuns = `SELECT 1 FROM run r WHERE r.machine = $1 AND r.tool = $2 AND r.phase = 'closed' AND r.outcome = 'completed' AND NOT r.flame`
