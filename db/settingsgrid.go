package db

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/db/logbook"
	"kerfgate/plan"
	"kerfgate/plan/canon"
	"kerfgate/plan/machine"
	"kerfgate/plan/settingsgrid"
	"kerfgate/queue"
)

// SettingsGrid is a grid of test shapes that a machine works, and the cell that a person chose.
type SettingsGrid struct {
	ID           uuid.UUID
	Machine      uuid.UUID
	Tool         string
	Stock        uuid.UUID
	StockLot     string
	Material     uuid.UUID
	MaterialName string
	Colour       string
	ThicknessUM  int64
	Job          uuid.UUID
	Grid         settingsgrid.Grid
	MadeName     string
	MadeAt       time.Time
	Run          uuid.UUID // the newest of the job
	RunNumber    int64
	RunPhase     queue.Phase
	RunOutcome   queue.Outcome
	RunRealMS    int64
	Flame        bool // seen at the inspection, or told while it was worked
	FlameAt      *time.Time
	Chosen       *int // the cell, in the order in which they are worked
	ChosenName   string
	ChosenAt     *time.Time
	Rev          int64

	plan    canon.Digest
	profile []byte
	spec    settingsgrid.Spec
}

// NewSettingsGrid is a grid to be worked.
type NewSettingsGrid struct {
	Machine uuid.UUID
	Tool    string
	Stock   uuid.UUID
	Spec    settingsgrid.Spec
}

// StartSettingsGrid plans a grid and queues its run, which passes the gate as any other. It is the only
// run with a beam that no setting has proven. Errors: ErrNotFound, ErrNotAllowed, *Refused, *plan.Refusal.
func (s *Store) StartSettingsGrid(ctx context.Context, actor Actor, n NewSettingsGrid) (SettingsGrid, error) {
	m, err := s.Machine(ctx, n.Machine)
	if err != nil {
		return SettingsGrid{}, err
	}
	if err := s.mayHandle(ctx, actor, m.ID); err != nil {
		return SettingsGrid{}, err
	}
	tool, ok := m.Profile.Tool(n.Tool)
	if !ok {
		return SettingsGrid{}, refuse("the machine has no such tool", "choose one of its tools")
	}
	grid, err := settingsgrid.New(n.Spec, tool)
	if err != nil {
		return SettingsGrid{}, refuse(err.Error(), "choose other rows and columns")
	}
	spec, err := json.Marshal(grid.Spec)
	if err != nil {
		return SettingsGrid{}, err
	}
	d, err := s.ReceiveDrawing(ctx, actor, "settings grid.svg", grid.SVG())
	if err != nil {
		return SettingsGrid{}, err
	}
	row, err := s.MakePlan(ctx, actor, PlanChoice{Drawing: d.ID, Machine: m.ID, Tool: n.Tool, Stock: n.Stock, Operations: grid.Operations(), Choices: grid.Choices()})
	if err != nil {
		return SettingsGrid{}, err
	}
	id := newID()
	title := fmt.Sprintf("Settings grid, %s", grid.Operation)
	_, err = s.submit(ctx, actor, NewJob{Title: title, Plan: row.Digest, Machine: m.ID, Stock: n.Stock, Copies: 1}, func(w *write, job uuid.UUID) {
		w.statements = append(w.statements, statement{sql: `INSERT INTO settings_grid (id, machine, tool, stock, job, profile, spec, made_by) VALUES ($1, $2, $3, $4, $5, $6, $7, $8)`,
			args: []any{id, m.ID, n.Tool, n.Stock, job, row.Plan.Profile[:], spec, actor.Person}, rows: 1})
		w.entries = append(w.entries, draft{kind: logbook.SettingsGridStarted, actor: actor,
			subjects: []logbook.Subject{about("settings_grid", id), about(logbook.RoleMachine, m.ID), about(logbook.RoleJob, job), about("stock", n.Stock)},
			body:     logbook.Body{"tool": n.Tool, "operation": string(grid.Operation), "cells": int64(len(grid.Cells))}})
	})
	if err != nil {
		return SettingsGrid{}, err
	}
	return s.SettingsGrid(ctx, id)
}

// SeeFlame notes that a person saw a flame while a grid was worked and locks the machine out, in one step.
// Whoever calls it stops the run first; what was not worked yet never is. Errors: ErrNotFound,
// ErrNotAllowed, *Refused once the run is over.
func (s *Store) SeeFlame(ctx context.Context, actor Actor, id uuid.UUID) (SettingsGrid, error) {
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		g, err := s.SettingsGrid(ctx, id)
		if err != nil {
			return write{}, err
		}
		if err := s.mayHandle(ctx, actor, g.Machine); err != nil {
			return write{}, err
		}
		switch g.RunPhase {
		case queue.Starting, queue.Running, queue.Paused, queue.Purging, queue.Inspecting:
		default:
			return write{}, refuse("the grid is not being worked", "say at the inspection of a run whether a flame was seen")
		}
		m, err := s.Machine(ctx, g.Machine)
		if err != nil {
			return write{}, err
		}
		w := write{
			statements: []statement{{sql: `UPDATE settings_grid SET flame_by = $2, flame_at = now(), rev = rev + 1 WHERE id = $1 AND flame_at IS NULL`,
				args: []any{id, actor.Person}, rows: 1, conflict: refuse("the flame was told already", "see to the fire first")}},
			entries: []draft{{kind: logbook.SettingsGridFlame, actor: actor, subjects: gridSubjects(g)}},
		}
		if m.Lockout == nil {
			err = s.lockOut(ctx, &w, actor, newID(), g.Machine, fmt.Sprintf("flame seen while a settings grid was worked, run %d", g.RunNumber))
		}
		return w, err
	})
	if err != nil {
		return SettingsGrid{}, err
	}
	return s.SettingsGrid(ctx, id)
}

func gridSubjects(g SettingsGrid) []logbook.Subject {
	return []logbook.Subject{about("settings_grid", g.ID), about(logbook.RoleMachine, g.Machine), about(logbook.RoleRun, g.Run)}
}

// ChooseCell makes the setting of a cell the proven one of machine, tool, material, colour and thickness,
// with the grid's run as evidence, in the place of what was proven before. Errors: ErrNotFound,
// ErrNotAllowed, ErrConflict, *Refused for a cell that was not worked whole.
func (s *Store) ChooseCell(ctx context.Context, actor Actor, id uuid.UUID, rev int64, cell int, kerfUM int64) (Setting, error) {
	var set Setting
	_, err := s.commit(ctx, func(ctx context.Context) (write, error) {
		g, err := s.SettingsGrid(ctx, id)
		if err != nil {
			return write{}, err
		}
		if err := s.mayHandle(ctx, actor, g.Machine); err != nil {
			return write{}, err
		}
		if rev != 0 && rev != g.Rev {
			return write{}, errStaleRev
		}
		states, err := s.GridStates(ctx, g)
		if err != nil {
			return write{}, err
		}
		switch {
		case g.Chosen != nil:
			return write{}, refuse("a cell of this grid was chosen already", "work another grid to choose anew")
		case g.RunPhase != queue.Closed:
			return write{}, refuse("the run of this grid is not over", "choose after its inspection")
		case cell < 0 || cell >= len(states):
			return write{}, refuse("the grid has no such cell", "choose one of its cells")
		case states[cell] != settingsgrid.Whole:
			return write{}, refuse("that cell is "+string(states[cell]), "choose one that was worked whole")
		case kerfUM < 0 || kerfUM > 5_000, g.Grid.Operation == plan.Cut && kerfUM == 0:
			return write{}, refuse("how wide the cut is is not said, or out of range", "measure the opening of the cell and its square; half the difference of both sides is half the kerf")
		}
		of := g.Grid.Cells[cell].Setting
		of.KerfUM, of.Evidence = kerfUM, fmt.Sprintf("settings grid, run %d", g.RunNumber)
		set = Setting{ID: newID(), Machine: g.Machine, Tool: g.Tool, Material: g.Material, Colour: g.Colour, ThicknessUM: g.ThicknessUM, Run: g.Run, Setting: of}
		var w write
		prove(&w, actor, set, g.Grid.Cells[cell].DoseUJPerMM)
		w.statements = append(w.statements, statement{sql: `UPDATE settings_grid SET cell = $3, run = $4, chosen_by = $5, chosen_at = now(), rev = rev + 1
			WHERE id = $1 AND rev = $2`, args: []any{id, g.Rev, cell, g.Run, actor.Person}, rows: 1})
		return w, s.voidSetting(ctx, &w, actor, set)
	})
	return set, err
}

// GridStates say what became of each cell of a grid, in the order in which they are worked. After a flame the
// last one that was worked whole does not count either.
func (s *Store) GridStates(ctx context.Context, g SettingsGrid) ([]settingsgrid.State, error) {
	states, err := s.reached(ctx, g)
	if g.Flame { // nobody knows whether the last one was over when it began to burn
		for i := len(states) - 1; i >= 0; i-- {
			if states[i] == settingsgrid.Whole {
				states[i] = settingsgrid.Broken
				break
			}
		}
	}
	return states, err
}

func (s *Store) reached(ctx context.Context, g SettingsGrid) ([]settingsgrid.State, error) {
	completed := g.RunOutcome == queue.OutcomeCompleted
	if completed || g.RunOutcome == queue.NoOutcome {
		return g.Grid.Reached(&plan.Plan{}, machine.Profile{}, 0, completed), nil
	}
	data, err := s.blob(ctx, g.plan)
	if err != nil {
		return nil, err
	}
	p, err := plan.Decode(data)
	if err != nil {
		return nil, err
	}
	var profile machine.Profile
	if err := canon.Unmarshal(g.profile, &profile); err != nil {
		return nil, err
	}
	return g.Grid.Reached(p, profile, g.RunRealMS, false), nil
}

const selectGrid = `SELECT g.id, g.machine, g.tool, g.stock, st.lot, st.material, ma.name, st.colour, st.thickness_um, g.job, pr.data, g.spec, mp.name, g.made_at,
		r.id, r.number, r.phase, r.outcome, r.real_ms, r.plan, r.flame OR g.flame_at IS NOT NULL, g.flame_at, g.cell, coalesce(cp.name, ''), g.chosen_at, g.rev
	FROM settings_grid g JOIN stock st ON st.id = g.stock JOIN material ma ON ma.id = st.material JOIN profile pr ON pr.digest = g.profile
	JOIN person mp ON mp.id = g.made_by LEFT JOIN person cp ON cp.id = g.chosen_by
	JOIN LATERAL (SELECT id, number, phase, outcome, real_ms, plan, flame FROM run WHERE job = g.job ORDER BY number DESC LIMIT 1) r ON true WHERE `

func scanGrid(row pgx.CollectableRow) (g SettingsGrid, err error) {
	var digest []byte
	if err := row.Scan(&g.ID, &g.Machine, &g.Tool, &g.Stock, &g.StockLot, &g.Material, &g.MaterialName, &g.Colour, &g.ThicknessUM, &g.Job, &g.profile, &g.spec,
		&g.MadeName, &g.MadeAt, &g.Run, &g.RunNumber, &g.RunPhase, &g.RunOutcome, &g.RunRealMS, &digest, &g.Flame, &g.FlameAt, &g.Chosen, &g.ChosenName,
		&g.ChosenAt, &g.Rev); err != nil {
		return g, err
	}
	copy(g.plan[:], digest)
	var profile machine.Profile
	if err := canon.Unmarshal(g.profile, &profile); err != nil {
		return g, err
	}
	tool, ok := profile.Tool(g.Tool)
	if !ok {
		return g, errors.New("the grid's profile lacks its tool")
	}
	g.Grid, err = settingsgrid.New(g.spec, tool)
	return g, err
}

// SettingsGrid reads one. Errors: ErrNotFound.
func (s *Store) SettingsGrid(ctx context.Context, id uuid.UUID) (SettingsGrid, error) {
	return readOne(ctx, s.pool, scanGrid, selectGrid+`g.id = $1`, id)
}

// SettingsGrids lists a machine's, newest first, at most limit.
func (s *Store) SettingsGrids(ctx context.Context, machine uuid.UUID, limit int) ([]SettingsGrid, error) {
	return readAll(ctx, s.pool, scanGrid, selectGrid+`g.machine = $1 ORDER BY g.id DESC LIMIT $2`, machine, limit)
}
