package db

import (
	"context"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/db/logbook"
	"kerfgate/plan/canon"
	"kerfgate/plan/material"
)

// Material is a kind of sheet with its stock.
type Material struct {
	ID uuid.UUID
	material.Material
	Rev   int64
	Stock []Stock
}

// Stock is one lot on the shelf.
type Stock struct {
	ID       uuid.UUID
	Material uuid.UUID
	material.Stock
	Count    int64 // sheets on the shelf
	Reserved int64 // of them promised to queued runs
	Rev      int64
}

// Setting is a proven setting of one machine, tool, material, colour and thickness.
type Setting struct {
	ID          uuid.UUID
	Machine     uuid.UUID
	Tool        string
	Material    uuid.UUID
	Colour      string // empty for any colour of the material
	ThicknessUM int64
	Run         uuid.UUID // that proved it; zero where Evidence says what did
	material.Setting
}

// AddMaterial adds a kind of sheet.
func (s *Store) AddMaterial(ctx context.Context, actor Actor, m material.Material) (Material, error) {
	out := Material{ID: newID(), Material: m, Rev: 1}
	digest, err := canon.DigestOf(m)
	if err != nil {
		return Material{}, err
	}
	hazards := m.Hazards
	if hazards == nil {
		hazards = []string{}
	}
	_, err = s.commit(ctx, func(context.Context) (write, error) {
		return write{
			statements: []statement{{sql: `INSERT INTO material (id, name, composition, colour_class, hazards, verdict) VALUES ($1, $2, $3, $4, $5, $6)`,
				args: []any{out.ID, m.Name, m.Composition, m.ColourClass, hazards, m.Verdict}, rows: 1}},
			entries: []draft{{kind: logbook.MaterialAdded, actor: actor, subjects: []logbook.Subject{about("material", out.ID)},
				body: logbook.Body{"material": digest[:], "verdict": string(m.Verdict)}}},
		}, nil
	})
	return out, err
}

// SetVerdict changes what a material may be used for; open sign-offs of its stock are voided (I10).
func (s *Store) SetVerdict(ctx context.Context, actor Actor, id uuid.UUID, verdict material.Verdict) error {
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		w := write{
			statements: []statement{{sql: `UPDATE material SET verdict = $2, rev = rev + 1 WHERE id = $1`, args: []any{id, verdict}, rows: 1, conflict: ErrNotFound}},
			entries: []draft{{kind: logbook.MaterialChanged, actor: actor, subjects: []logbook.Subject{about("material", id)},
				body: logbook.Body{"verdict": string(verdict)}}},
		}
		err := s.voidOpen(ctx, &w, actor, "material changed", `r.stock IN (SELECT id FROM stock WHERE material = $1)`, id)
		return w, err
	})
	return err
}

// AddStock puts a lot on the shelf.
func (s *Store) AddStock(ctx context.Context, actor Actor, of uuid.UUID, st material.Stock, count int64) (Stock, error) {
	out := Stock{ID: newID(), Material: of, Stock: st, Count: count, Rev: 1}
	_, err := s.commit(ctx, func(context.Context) (write, error) {
		return write{
			statements: []statement{{sql: `INSERT INTO stock (id, material, lot, colour, thickness_um, tolerance_um, grammage_g_per_m2,
					sheet_width_um, sheet_height_um, count) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)`,
				args: []any{out.ID, of, st.Lot, st.Colour, st.ThicknessUM, st.ToleranceUM, st.GrammageGPerM2,
					st.SheetWidthUM, st.SheetHeightUM, count}, rows: 1}},
			entries: []draft{{kind: logbook.StockAdded, actor: actor, subjects: []logbook.Subject{about("material", of), about("stock", out.ID)},
				body: logbook.Body{"lot": st.Lot, "thickness_um": st.ThicknessUM, "count": count}}},
		}, nil
	})
	return out, err
}

// ProveSetting records a setting that a run or trial has proven, in the place of what was proven for the
// same before. Errors: ErrNotFound.
func (s *Store) ProveSetting(ctx context.Context, actor Actor, set Setting) (Setting, error) {
	set.ID = newID()
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		m, err := s.Machine(ctx, set.Machine)
		if err != nil {
			return write{}, err
		}
		tool, _ := m.Profile.Tool(set.Tool)
		var w write
		prove(&w, actor, set, set.LineDose(tool.PowerMW))
		return w, nil
	})
	return set, err
}

// prove adds a proven setting and its dose (µJ/mm) to a change.
func prove(w *write, actor Actor, set Setting, dose int64) {
	var run *uuid.UUID
	subjects := []logbook.Subject{about(logbook.RoleMachine, set.Machine), about("material", set.Material), about("setting", set.ID)}
	if set.Run != uuid.Nil {
		run = &set.Run
		subjects = append(subjects, about(logbook.RoleRun, set.Run))
	}
	w.statements = append(w.statements, statement{sql: `INSERT INTO setting (id, machine, tool, material, colour, thickness_um, operation, speed_um_per_s,
			power_permille, passes, kerf_um, evidence, run) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13)
			ON CONFLICT ON CONSTRAINT setting_for DO UPDATE SET id = $1, speed_um_per_s = $8, power_permille = $9, passes = $10, kerf_um = $11, evidence = $12, run = $13`,
		args: []any{set.ID, set.Machine, set.Tool, set.Material, set.Colour, set.ThicknessUM, set.Operation, set.SpeedUMPerS,
			set.PowerPermille, set.Passes, set.KerfUM, set.Evidence, run}, rows: 1})
	w.entries = append(w.entries, draft{kind: logbook.SettingProven, actor: actor, subjects: subjects,
		body: logbook.Body{"tool": set.Tool, "operation": set.Operation, "speed_um_per_s": set.SpeedUMPerS,
			"power_permille": set.PowerPermille, "passes": set.Passes, "thickness_um": set.ThicknessUM, "kerf_um": set.KerfUM, "dose_uj_per_mm": dose}})
}

// Materials lists all materials by name with their stock: two queries, however many there are.
func (s *Store) Materials(ctx context.Context) ([]Material, error) {
	rows, err := s.pool.Query(ctx, `SELECT id, name, composition, colour_class, hazards, verdict, rev FROM material ORDER BY name`)
	if err != nil {
		return nil, err
	}
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (m Material, err error) {
		return m, row.Scan(&m.ID, &m.Name, &m.Composition, &m.ColourClass, &m.Hazards, &m.Verdict, &m.Rev)
	})
	if err != nil {
		return nil, err
	}
	place := make(map[uuid.UUID]int, len(list))
	for i, m := range list {
		place[m.ID] = i
	}
	rows, err = s.pool.Query(ctx, selectStock+` ORDER BY lot`)
	if err != nil {
		return nil, err
	}
	stock, err := pgx.CollectRows(rows, scanStock)
	if err != nil {
		return nil, err
	}
	for _, st := range stock {
		if i, ok := place[st.Material]; ok {
			list[i].Stock = append(list[i].Stock, st)
		}
	}
	return list, nil
}

const selectStock = `SELECT id, material, lot, colour, thickness_um, tolerance_um, grammage_g_per_m2, sheet_width_um, sheet_height_um,
	count, reserved, rev FROM stock`

func scanStock(row pgx.CollectableRow) (st Stock, err error) {
	return st, row.Scan(&st.ID, &st.Material, &st.Lot, &st.Colour, &st.ThicknessUM, &st.ToleranceUM, &st.GrammageGPerM2,
		&st.SheetWidthUM, &st.SheetHeightUM, &st.Count, &st.Reserved, &st.Rev)
}

// stockWithMaterial reads a lot and what it is made of.
func (s *Store) stockWithMaterial(ctx context.Context, id uuid.UUID) (st Stock, m Material, err error) {
	err = s.pool.QueryRow(ctx, `SELECT s.id, s.material, s.lot, s.colour, s.thickness_um, s.tolerance_um, s.grammage_g_per_m2, s.sheet_width_um,
			s.sheet_height_um, s.count, s.reserved, s.rev, m.id, m.name, m.composition, m.colour_class, m.hazards, m.verdict, m.rev
		FROM stock s JOIN material m ON m.id = s.material WHERE s.id = $1`, id).
		Scan(&st.ID, &st.Material, &st.Lot, &st.Colour, &st.ThicknessUM, &st.ToleranceUM, &st.GrammageGPerM2, &st.SheetWidthUM,
			&st.SheetHeightUM, &st.Count, &st.Reserved, &st.Rev, &m.ID, &m.Name, &m.Composition, &m.ColourClass, &m.Hazards, &m.Verdict, &m.Rev)
	return st, m, meaning(err)
}

// Settings lists what is proven on a machine.
func (s *Store) Settings(ctx context.Context, machine uuid.UUID) ([]Setting, error) {
	rows, err := s.pool.Query(ctx, `SELECT id, machine, tool, material, colour, thickness_um, coalesce(run, '00000000-0000-0000-0000-000000000000'),
			operation, speed_um_per_s, power_permille, passes, kerf_um, evidence
		FROM setting WHERE machine = $1 ORDER BY material, tool, thickness_um, colour, operation`, machine)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (v Setting, err error) {
		return v, row.Scan(&v.ID, &v.Machine, &v.Tool, &v.Material, &v.Colour, &v.ThicknessUM, &v.Run, &v.Operation, &v.SpeedUMPerS,
			&v.PowerPermille, &v.Passes, &v.KerfUM, &v.Evidence)
	})
}
