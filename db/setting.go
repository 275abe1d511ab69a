package db

import (
	"context"
	"fmt"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/checklist"
	"kerfgate/db/logbook"
	"kerfgate/plan/machine"
	"kerfgate/plan/material"
)

// Setting is a proven setting of one machine, tool, material, colour and thickness.
type Setting struct {
	ID          uuid.UUID
	Machine     uuid.UUID
	Tool        string
	Material    uuid.UUID
	ThicknessUM int64
	Colour      string // of the stock; empty for any
	material.Setting
	Run          uuid.UUID // that proved it, zero for none
	RunNumber    int64
	ProvenBy     uuid.UUID
	ProvenByName string
	ProvenAt     time.Time
}

// unfitSetting lists what of a setting cannot stand on this machine.
func unfitSetting(set Setting, m Machine) []checklist.Reason {
	var no []checklist.Reason
	say := func(what, next string) { no = append(no, checklist.Reason{What: what, Next: next}) }
	tool, ok := m.Profile.Tool(set.Tool)
	if !ok {
		say(fmt.Sprintf("the machine has no tool %.40q", set.Tool), "choose one of its tools")
	}
	switch op := set.Operation; {
	case op != "cut" && op != "mark" && op != "engrave" && op != "draw":
		say("no such operation", "choose cut, mark, engrave or draw")
	case ok && tool.Kind == machine.ToolPen && op == "cut":
		say("a pen does not cut", "choose draw or mark")
	}
	if set.ThicknessUM < 1 || set.ThicknessUM > mostThicknessUM {
		say("the thickness cannot be", "give that of the stock, in mm")
	}
	if set.SpeedUMPerS < 1 || set.SpeedUMPerS > m.Profile.WorkSpeedUMPerS {
		say(fmt.Sprintf("the speed is not between 0 and the machine's greatest of %d mm/s", m.Profile.WorkSpeedUMPerS/1000), "give what was proven")
	}
	if set.PowerPermille < 1 || set.PowerPermille > 1000 || set.Passes < 1 || set.Passes > 20 {
		say("power or passes are out of range", "give a power of 0.1 to 100 % and 1 to 20 passes")
	}
	if set.KerfUM < 0 || set.KerfUM > 10_000 {
		say("the kerf is out of range", "measure the width of the cut, 0 to 10 mm")
	}
	if n := utf8.RuneCountInString(set.Evidence); n == 0 || n > maxEvidence {
		say("a setting is proven by something that somebody saw", fmt.Sprintf("say in 1 to %d letters by what, and name the run", maxEvidence))
	}
	if utf8.RuneCountInString(set.Colour) > 40 {
		say("a colour has at most 40 letters", "name it as the lot does, or leave it out for any")
	}
	return no
}

// ProveSetting records a setting that a run or trial has proven, in the place of the one that there was for
// the same machine, tool, material, colour, thickness and operation. Its dose is that of the tool's power
// today. Open sign-offs of such stock on the machine are voided (I10). Errors: ErrNotFound, *Refused.
func (s *Store) ProveSetting(ctx context.Context, actor Actor, set Setting) (Setting, error) {
	set.ID = newID()
	set.Evidence, set.Colour = strings.TrimSpace(set.Evidence), strings.TrimSpace(set.Colour)
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		m, err := s.Machine(ctx, set.Machine)
		if err != nil {
			return write{}, err
		}
		no := unfitSetting(set, m)
		if set.Run != uuid.Nil {
			proves, err := s.runProves(ctx, set)
			if err != nil {
				return write{}, err
			}
			if !proves {
				no = append(no, checklist.Reason{What: "that run proves nothing here: it was not on this machine in this material, did not go to its end, or a flame was seen",
					Next: "name a run that completed on this machine in this material, or leave it out"})
			}
		}
		if len(no) > 0 {
			return write{}, &Refused{Reasons: no}
		}
		tool, _ := m.Profile.Tool(set.Tool)
		w := write{statements: []statement{{sql: `SELECT 1 FROM machine WHERE id = $1 AND profile = $2 FOR SHARE`, args: []any{m.ID, m.ProfileDigest[:]}, rows: 1}}}
		prove(&w, actor, set, set.LineDose(tool.PowerMW))
		return w, s.voidSetting(ctx, &w, actor, set)
	})
	if err != nil {
		return Setting{}, err
	}
	return s.setting(ctx, set.ID)
}

// prove adds a proven setting and its dose (µJ/mm) to a change; voidSetting goes with it.
func prove(w *write, actor Actor, set Setting, dose int64) {
	subjects := []logbook.Subject{about(logbook.RoleMachine, set.Machine), about("material", set.Material), about("setting", set.ID)}
	if set.Run != uuid.Nil {
		subjects = append(subjects, about(logbook.RoleRun, set.Run))
	}
	w.statements = append(w.statements, materialMoved(set.Material), statement{sql: `INSERT INTO setting (id, machine, tool, material, colour, thickness_um, operation, speed_um_per_s,
			power_permille, passes, kerf_um, evidence, run, dose_uj_per_mm, proven_by) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15)
			ON CONFLICT ON CONSTRAINT setting_for DO UPDATE SET id = $1, speed_um_per_s = $8, power_permille = $9, passes = $10, kerf_um = $11, evidence = $12, run = $13,
				dose_uj_per_mm = $14, proven_by = $15, proven_at = now()`,
		args: []any{set.ID, set.Machine, set.Tool, set.Material, set.Colour, set.ThicknessUM, set.Operation, set.SpeedUMPerS,
			set.PowerPermille, set.Passes, set.KerfUM, set.Evidence, orNull(set.Run), dose, person(actor)}, rows: 1})
	w.entries = append(w.entries, draft{kind: logbook.SettingProven, actor: actor, subjects: subjects,
		body: logbook.Body{"tool": set.Tool, "operation": set.Operation, "speed_um_per_s": set.SpeedUMPerS,
			"power_permille": set.PowerPermille, "passes": set.Passes, "thickness_um": set.ThicknessUM, "kerf_um": set.KerfUM, "dose_uj_per_mm": dose}})
}

// materialMoved bumps a material's rev, which a sign-off guards: none is given for what was proven before.
func materialMoved(id uuid.UUID) statement {
	return statement{sql: `UPDATE material SET rev = rev + 1 WHERE id = $1 AND retired_at IS NULL`, args: []any{id}, rows: 1, conflict: ErrNotFound}
}

func (s *Store) voidSetting(ctx context.Context, w *write, actor Actor, set Setting) error {
	return s.voidOpen(ctx, w, actor, "setting changed", `r.machine = $1 AND r.stock IN (SELECT id FROM stock WHERE material = $2 AND thickness_um = $3)`,
		set.Machine, set.Material, set.ThicknessUM)
}

// runProves says whether a run may stand as evidence of a setting.
func (s *Store) runProves(ctx context.Context, set Setting) (proves bool, err error) {
	err = s.pool.QueryRow(ctx, `SELECT EXISTS (SELECT 1 FROM run r JOIN job j ON j.id = r.job WHERE r.id = $1 AND r.machine = $2 AND j.material = $3 AND j.tool = $4
		AND r.phase = 'closed' AND r.outcome = 'completed' AND NOT r.flame)`, set.Run, set.Machine, set.Material, set.Tool).Scan(&proves)
	return proves, err
}

// WithdrawSetting takes a proof back: nothing is planned with it any more, and open sign-offs of such stock
// on the machine are voided (I10). Errors: ErrNotFound.
func (s *Store) WithdrawSetting(ctx context.Context, actor Actor, id uuid.UUID) error {
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		set, err := s.setting(ctx, id)
		if err != nil {
			return write{}, err
		}
		w := write{
			statements: []statement{
				{sql: `UPDATE material SET rev = rev + 1 WHERE id = $1`, args: []any{set.Material}, rows: 1},
				{sql: `DELETE FROM setting WHERE id = $1`, args: []any{id}, rows: 1, conflict: ErrNotFound}},
			entries: []draft{{kind: logbook.SettingWithdrawn, actor: actor,
				subjects: []logbook.Subject{about(logbook.RoleMachine, set.Machine), about("material", set.Material), about("setting", id)},
				body:     logbook.Body{"tool": set.Tool, "operation": set.Operation}}},
		}
		return w, s.voidSetting(ctx, &w, actor, set)
	})
	return err
}

const selectSetting = `SELECT s.id, s.machine, s.tool, s.material, s.thickness_um, s.colour, s.operation, s.speed_um_per_s, s.power_permille, s.passes, s.kerf_um,
		s.evidence, s.dose_uj_per_mm, s.run, coalesce(r.number, 0), s.proven_by, coalesce(p.name, ''), s.proven_at
	FROM setting s LEFT JOIN run r ON r.id = s.run LEFT JOIN person p ON p.id = s.proven_by`

func (s *Store) settings(ctx context.Context, where string, args ...any) ([]Setting, error) {
	return readAll(ctx, s.pool, func(row pgx.CollectableRow) (v Setting, err error) {
		var run, by *uuid.UUID
		err = row.Scan(&v.ID, &v.Machine, &v.Tool, &v.Material, &v.ThicknessUM, &v.Colour, &v.Operation, &v.SpeedUMPerS,
			&v.PowerPermille, &v.Passes, &v.KerfUM, &v.Evidence, &v.DoseUJPerMM, &run, &v.RunNumber, &by, &v.ProvenByName, &v.ProvenAt)
		if run != nil {
			v.Run = *run
		}
		if by != nil {
			v.ProvenBy = *by
		}
		return v, err
	}, selectSetting+` WHERE `+where+` ORDER BY s.machine, s.material, s.tool, s.thickness_um, s.colour, s.operation`, args...)
}

func (s *Store) setting(ctx context.Context, id uuid.UUID) (Setting, error) {
	return only(s.settings(ctx, `s.id = $1`, id))
}

// Settings lists what is proven on a machine.
func (s *Store) Settings(ctx context.Context, machine uuid.UUID) ([]Setting, error) {
	return s.settings(ctx, `s.machine = $1`, machine)
}

// SettingsOf lists what is proven in a material, by machine.
func (s *Store) SettingsOf(ctx context.Context, of uuid.UUID) ([]Setting, error) {
	return s.settings(ctx, `s.material = $1`, of)
}

// readProven lists what is proven for a lot on a machine with a tool, one an operation: that of the lot's own
// colour before that of any.
func readProven(b *pgx.Batch, machine uuid.UUID, tool string, st Stock, all *[]material.Setting) {
	b.Queue(`SELECT DISTINCT ON (operation) operation, speed_um_per_s, power_permille, passes, kerf_um, evidence, dose_uj_per_mm FROM setting
		WHERE machine = $1 AND tool = $2 AND material = $3 AND thickness_um = $4 AND colour IN ('', $5)
		ORDER BY operation, colour = ''`, machine, tool, st.Material, st.ThicknessUM, st.Colour).Query(func(rows pgx.Rows) (err error) {
		*all, err = pgx.CollectRows(rows, pgx.RowToStructByPos[material.Setting])
		return err
	})
}
