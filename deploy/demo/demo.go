// Package demo fills a new site with the demo workshop: a community garden that makes bed signs,
// plant labels and drawer fronts from card, thin plywood and felt.
package demo

import (
	"context"
	"crypto/rand"
	"embed"
	"encoding/base32"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"

	"kerfgate/api"
	"kerfgate/db"
	"kerfgate/deploy/keyring"
	"kerfgate/plan"
	"kerfgate/plan/machine"
	"kerfgate/plan/material"
)

//go:embed drawings/*.svg
var drawings embed.FS

// SignIn is one demo account. Its password is random for each data folder.
type SignIn struct {
	Name     string `json:"sign_in"`
	Called   string `json:"called"`
	What     string `json:"what"`
	Password string `json:"password"`
	role     db.Role
}

// Machine is one demo machine; its worker lives in a folder named after its token.
type Machine struct {
	Bay     string
	Name    string
	Tool    string
	Profile machine.Profile
}

// Machines are the demo's machines by bay.
func Machines() []Machine {
	return []Machine{
		{"Bay 1", "CO₂ cutter, lidded", "beam", LiddedCutter()},
		{"Bay 2", "diode, open", "beam", OpenDiode()},
		{"Bay 3", "pen plotter", "pen", Plotter()},
	}
}

func people() []SignIn {
	return []SignIn{
		{Name: "thyme", Called: "Thyme", What: "member: hands in drawings", role: db.RoleMember},
		{Name: "rowan", Called: "Rowan", What: "operator of all three machines", role: db.RoleMember},
		{Name: "juniper", Called: "Juniper", What: "safety officer", role: db.RoleOfficer},
		{Name: "sage", Called: "Sage", What: "admin", role: db.RoleAdmin},
	}
}

// SignIns reads the demo's accounts from the data folder, or makes them with new passwords.
func SignIns(dir string) ([]SignIn, error) {
	path := filepath.Join(dir, "demo-sign-ins.json")
	text, err := keyring.Read(path)
	list := people()
	if err == nil {
		var kept []SignIn
		if err := json.Unmarshal([]byte(text), &kept); err != nil {
			return nil, fmt.Errorf("%s: %w", path, err)
		}
		for i := range kept {
			if i < len(list) {
				kept[i].role = list[i].role
			}
		}
		return kept, nil
	}
	if !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	for i := range list {
		var secret [10]byte
		if _, err := rand.Read(secret[:]); err != nil {
			return nil, err
		}
		list[i].Password = strings.ToLower(base32.StdEncoding.EncodeToString(secret[:]))
	}
	data, err := json.MarshalIndent(list, "", "  ")
	if err != nil {
		return nil, err
	}
	return list, keyring.Write(path, string(data))
}

// Config is what Fill needs.
type Config struct {
	Store   *db.Store
	SignIns []SignIn
	// Enrol makes the worker's folder for a bay and returns its public key.
	Enrol func(bay string) (publicKey string, err error)
}

// Fill loads the workshop into a site that has no machine yet; otherwise it does nothing.
func Fill(ctx context.Context, cfg Config) error {
	found, err := cfg.Store.Machines(ctx)
	if err != nil || len(found) > 0 {
		return err
	}
	actors, err := addPeople(ctx, cfg)
	if err != nil {
		return fmt.Errorf("demo people: %w", err)
	}
	admin := actors["sage"]
	stock, err := addMaterials(ctx, cfg.Store, admin)
	if err != nil {
		return fmt.Errorf("demo materials: %w", err)
	}
	machines := make(map[string]db.Machine)
	for _, m := range Machines() {
		key, err := cfg.Enrol(m.Bay)
		if err != nil {
			return fmt.Errorf("enrol the worker of %s: %w", m.Bay, err)
		}
		added, err := cfg.Store.AddMachine(ctx, admin, db.NewMachine{Name: m.Name, Bay: m.Bay, Profile: m.Profile, Tool: m.Tool, WorkerKey: key})
		if err != nil {
			return fmt.Errorf("demo machine %s: %w", m.Bay, err)
		}
		machines[m.Bay] = added
		if _, err := cfg.Store.Authorise(ctx, admin, actors["rowan"].Person, added.ID, time.Now().AddDate(1, 0, 0)); err != nil {
			return err
		}
	}
	if err := proveSettings(ctx, cfg.Store, admin, machines, stock); err != nil {
		return fmt.Errorf("demo settings: %w", err)
	}
	return addJobs(ctx, cfg.Store, actors["thyme"], machines, stock)
}

// addPeople hashes the passwords side by side: that is what takes time.
func addPeople(ctx context.Context, cfg Config) (map[string]db.Actor, error) {
	hashes := make([]string, len(cfg.SignIns))
	var group errgroup.Group
	for i, p := range cfg.SignIns {
		group.Go(func() (err error) {
			hashes[i], err = api.HashPassword(ctx, p.Password)
			return err
		})
	}
	if err := group.Wait(); err != nil {
		return nil, err
	}
	actors := make(map[string]db.Actor)
	for i, p := range cfg.SignIns {
		added, err := cfg.Store.AddPerson(ctx, db.System, db.NewPerson{SignInName: p.Name, Name: p.Called, Role: p.role, PasswordHash: hashes[i]})
		if err != nil {
			return nil, err
		}
		actors[p.Name] = db.Actor{Person: added.ID, Role: added.Role}
	}
	return actors, nil
}

func addMaterials(ctx context.Context, store *db.Store, admin db.Actor) (map[string]db.Stock, error) {
	shelf := []struct {
		material material.Material
		stock    material.Stock
		count    int64
	}{
		{material.Material{Name: "poplar plywood", Composition: "poplar veneer, urea glue", ColourClass: "light",
			Hazards: []string{"smoke and formaldehyde from the glue"}, Verdict: material.Allowed},
			material.Stock{Lot: "P118", Colour: "natural", ThicknessUM: 3000, ToleranceUM: 200, SheetWidthUM: 300_000, SheetHeightUM: 200_000}, 24},
		{material.Material{Name: "card", Composition: "dyed, uncoated paper fibre", ColourClass: "mid",
			Hazards: []string{"takes fire easily", "smoke"}, Verdict: material.WithCare},
			material.Stock{Lot: "C204", Colour: "fern", ThicknessUM: 400, ToleranceUM: 50, GrammageGPerM2: 300, SheetWidthUM: 297_000, SheetHeightUM: 210_000}, 60},
		{material.Material{Name: "wool felt", Composition: "wool, no synthetic fibre", ColourClass: "dark",
			Hazards: []string{"smell and smoke", "glows on at edges"}, Verdict: material.WithCare},
			material.Stock{Lot: "F061", Colour: "moss", ThicknessUM: 3000, ToleranceUM: 400, SheetWidthUM: 300_000, SheetHeightUM: 300_000}, 12},
	}
	out := make(map[string]db.Stock)
	for _, s := range shelf {
		m, err := store.AddMaterial(ctx, admin, s.material)
		if err != nil {
			return nil, err
		}
		if out[s.material.Name], err = store.AddStock(ctx, admin, m.ID, s.stock, s.count); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// proveSettings records what the demo's imaginary settings grids have proven.
func proveSettings(ctx context.Context, store *db.Store, admin db.Actor, machines map[string]db.Machine, stock map[string]db.Stock) error {
	for _, s := range []struct {
		bay, tool, material, operation string
		mmPerS, permille, passes       int64
	}{
		{"Bay 1", "beam", "poplar plywood", "cut", 14, 800, 1}, {"Bay 1", "beam", "poplar plywood", "mark", 90, 180, 1},
		{"Bay 1", "beam", "card", "cut", 45, 250, 1}, {"Bay 1", "beam", "card", "mark", 150, 90, 1},
		{"Bay 1", "beam", "wool felt", "cut", 30, 400, 1}, {"Bay 1", "beam", "wool felt", "mark", 120, 120, 1},
		{"Bay 2", "beam", "poplar plywood", "mark", 20, 1000, 1}, {"Bay 2", "beam", "card", "cut", 8, 1000, 1},
		{"Bay 2", "beam", "card", "mark", 40, 1000, 1},
		{"Bay 2", "pen", "card", "draw", 40, 1000, 1}, {"Bay 2", "pen", "poplar plywood", "draw", 40, 1000, 1},
		{"Bay 3", "pen", "card", "draw", 90, 1000, 1}, {"Bay 3", "pen", "poplar plywood", "draw", 60, 1000, 1},
		{"Bay 3", "pen", "wool felt", "draw", 40, 1000, 1},
	} {
		m, st := machines[s.bay], stock[s.material]
		tool, _ := m.Profile.Tool(s.tool)
		if _, err := store.ProveSetting(ctx, admin, db.Setting{Machine: m.ID, Tool: s.tool, Material: st.Material, ThicknessUM: st.ThicknessUM,
			Setting: material.Setting{Operation: s.operation, SpeedUMPerS: s.mmPerS * 1000, PowerPermille: s.permille, Passes: s.passes,
				KerfUM: tool.SpotUM, Evidence: "settings grid of the demo"}}); err != nil {
			return fmt.Errorf("%s %s %s: %w", s.bay, s.material, s.operation, err)
		}
	}
	return nil
}

func addJobs(ctx context.Context, store *db.Store, member db.Actor, machines map[string]db.Machine, stock map[string]db.Stock) error {
	for _, j := range []struct {
		title, file, bay, tool, material string
		operation                        plan.Operation
		marked                           string // group letter that is marked, not cut
		copies                           int64
	}{
		{"bed sign", "bed-sign.svg", "Bay 1", "beam", "poplar plywood", plan.Cut, "B", 2},
		{"plant labels", "plant-labels.svg", "Bay 2", "beam", "card", plan.Cut, "", 1},
		{"bed sign, drawn", "bed-sign.svg", "Bay 3", "pen", "card", plan.Draw, "", 1},
	} {
		data, err := drawings.ReadFile("drawings/" + j.file)
		if err != nil {
			return err
		}
		d, err := store.ReceiveDrawing(ctx, member, j.file, data)
		if err != nil {
			return err
		}
		choice := db.PlanChoice{Drawing: d.ID, Machine: machines[j.bay].ID, Tool: j.tool, Stock: stock[j.material].ID, Default: j.operation}
		if j.marked != "" {
			choice.Operations = map[string]plan.Operation{j.marked: plan.Mark}
		}
		row, err := store.MakePlan(ctx, member, choice)
		if err != nil {
			return fmt.Errorf("demo plan %s: %w", j.title, err)
		}
		if _, err := store.SubmitJob(ctx, member, db.NewJob{Title: j.title, Plan: row.Digest, Copies: j.copies}); err != nil {
			return fmt.Errorf("demo job %s: %w", j.title, err)
		}
	}
	return nil
}

// WorkerFolder is where the worker of a bay lives below the data folder.
func WorkerFolder(dir, bay string) string {
	return filepath.Join(dir, "workers", strings.ToLower(strings.ReplaceAll(bay, " ", "-")))
}
