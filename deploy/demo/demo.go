// Package demo fills a new site with the demo workshop: a community garden that makes bed signs,
// plant labels and drawer fronts from card, thin plywood and felt.
package demo

import (
	"context"
	"crypto/rand"
	"encoding/base32"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"github.com/google/uuid"
	"golang.org/x/sync/errgroup"

	"kerfgate/db"
	"kerfgate/deploy/keyring"
	"kerfgate/plan"
)

// SignIn is one demo account. Its password is random for each data folder.
type SignIn struct {
	Name     string `json:"sign_in"`
	Called   string `json:"called"`
	What     string `json:"what"`
	Password string `json:"password"`
	role     db.Role
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
	Store *db.Store
	Load  *Load
	// Enrol makes the worker's folder for a bay and returns its public key.
	Enrol func(bay string) (publicKey string, err error)
}

// Load is the demo's accounts and machines: what takes time to make.
type Load struct {
	SignIns  []SignIn
	hash     func(ctx context.Context, password string) (string, error)
	machines []Machine
	hashes   []string
	once     sync.Once
	made     chan error
}

// NewLoad makes nothing yet; hash is how the server hashes passwords.
func NewLoad(signIns []SignIn, hash func(ctx context.Context, password string) (string, error)) *Load {
	return &Load{SignIns: signIns, hash: hash, hashes: make([]string, len(signIns)), made: make(chan error, 1)}
}

// Begin makes the accounts' password hashes and measures the machines' cut-off, while database and
// broker start; Fill begins with it where nobody did.
func (l *Load) Begin(ctx context.Context) {
	l.once.Do(func() {
		go func() {
			var group errgroup.Group
			group.Go(func() error { l.machines = Machines(); return nil })
			for i, p := range l.SignIns {
				group.Go(func() (err error) {
					l.hashes[i], err = l.hash(ctx, p.Password)
					return err
				})
			}
			l.made <- group.Wait()
		}()
	})
}

// Fill loads the workshop. What is there already stays as it is, so a start that was cut short is
// made whole by the next one.
func Fill(ctx context.Context, cfg Config) error {
	done, err := filled(ctx, cfg)
	if err != nil || done {
		return err
	}
	cfg.Load.Begin(ctx)
	if err := <-cfg.Load.made; err != nil {
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
	machines, err := addMachines(ctx, cfg, admin, actors["rowan"])
	if err != nil {
		return fmt.Errorf("demo machines: %w", err)
	}
	if err := proveSettings(ctx, cfg.Store, admin, machines, stock); err != nil {
		return fmt.Errorf("demo settings: %w", err)
	}
	return addJobs(ctx, cfg.Store, actors["thyme"], machines, stock)
}

// filled says whether the last thing that Fill makes is there.
func filled(ctx context.Context, cfg Config) (bool, error) {
	thyme, _, err := cfg.Store.PersonBySignIn(ctx, "thyme")
	if errors.Is(err, db.ErrNotFound) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	titles, err := jobTitles(ctx, cfg.Store, db.Actor{Person: thyme.ID, Role: thyme.Role})
	return titles[jobs[len(jobs)-1].title], err
}

func addPeople(ctx context.Context, cfg Config) (map[string]db.Actor, error) {
	actors := make(map[string]db.Actor)
	for i, p := range cfg.Load.SignIns {
		found, _, err := cfg.Store.PersonBySignIn(ctx, p.Name)
		if errors.Is(err, db.ErrNotFound) {
			found, err = cfg.Store.AddPerson(ctx, db.System, db.NewPerson{SignInName: p.Name, Name: p.Called, Role: p.role, PasswordHash: cfg.Load.hashes[i]})
		}
		if err != nil {
			return nil, err
		}
		actors[p.Name] = db.Actor{Person: found.ID, Role: found.Role}
	}
	return actors, nil
}

func addMaterials(ctx context.Context, store *db.Store, admin db.Actor) (map[string]db.Stock, error) {
	there, err := store.Materials(ctx)
	if err != nil {
		return nil, err
	}
	kinds := make(map[string]db.Material)
	out := make(map[string]db.Stock)
	for _, m := range there {
		kinds[m.Name] = m
		for _, st := range m.Stock {
			out[m.Name] = st
		}
	}
	for _, s := range Shelf() {
		name := s.Material.Name
		if _, ok := kinds[name]; !ok {
			if kinds[name], err = store.AddMaterial(ctx, admin, s.Material); err != nil {
				return nil, err
			}
		}
		if _, ok := out[name]; !ok {
			if out[name], err = store.AddStock(ctx, admin, kinds[name].ID, s.Stock, s.Count); err != nil {
				return nil, err
			}
		}
	}
	return out, nil
}

func addMachines(ctx context.Context, cfg Config, admin, operator db.Actor) (map[string]db.Machine, error) {
	there, err := cfg.Store.Machines(ctx)
	if err != nil {
		return nil, err
	}
	machines := make(map[string]db.Machine)
	for _, m := range there {
		machines[m.Bay] = m
	}
	held, err := cfg.Store.Authorisations(ctx, operator.Person)
	if err != nil {
		return nil, err
	}
	trained := make(map[uuid.UUID]bool)
	for _, a := range held {
		trained[a.Machine] = true
	}
	for _, m := range cfg.Load.machines {
		if m.Profile.Air.MeasuredFlowM3PerH > 0 {
			m.Profile.Air.MeasuredOn = time.Now().Format(time.DateOnly)
		}
		if _, ok := machines[m.Bay]; !ok {
			key, err := cfg.Enrol(m.Bay)
			if err != nil {
				return nil, fmt.Errorf("enrol the worker of %s: %w", m.Bay, err)
			}
			if machines[m.Bay], err = cfg.Store.AddMachine(ctx, admin, db.NewMachine{Name: m.Name, Bay: m.Bay, Profile: m.Profile, Tool: m.Tool, WorkerKey: key}); err != nil {
				return nil, fmt.Errorf("%s: %w", m.Bay, err)
			}
		}
		if id := machines[m.Bay].ID; !trained[id] {
			if _, err := cfg.Store.Authorise(ctx, admin, db.NewAuthorisation{Person: operator.Person, Machine: id,
				Until: time.Now().AddDate(1, 0, 0), Evidence: "supervised run in the garden's workshop", IdleMonths: 6}); err != nil {
				return nil, err
			}
		}
	}
	return machines, nil
}

func proveSettings(ctx context.Context, store *db.Store, admin db.Actor, machines map[string]db.Machine, stock map[string]db.Stock) error {
	type key struct {
		machine         uuid.UUID
		tool, operation string
		material        uuid.UUID
	}
	there := make(map[key]bool)
	for _, m := range machines {
		list, err := store.Settings(ctx, m.ID)
		if err != nil {
			return err
		}
		for _, s := range list {
			there[key{m.ID, s.Tool, s.Operation, s.Material}] = true
		}
	}
	for _, s := range proven {
		m, st := machines[s.bay], stock[s.material]
		if there[key{m.ID, s.tool, s.operation, st.Material}] {
			continue
		}
		if _, err := store.ProveSetting(ctx, admin, db.Setting{Machine: m.ID, Tool: s.tool, Material: st.Material, ThicknessUM: st.ThicknessUM,
			Setting: s.setting(m.Profile)}); err != nil {
			return fmt.Errorf("%s %s %s: %w", s.bay, s.material, s.operation, err)
		}
	}
	return nil
}

func addJobs(ctx context.Context, store *db.Store, member db.Actor, machines map[string]db.Machine, stock map[string]db.Stock) error {
	there, err := jobTitles(ctx, store, member)
	if err != nil {
		return err
	}
	sets, err := addSets(ctx, store, member)
	if err != nil {
		return err
	}
	for _, j := range jobs {
		if there[j.title] {
			continue
		}
		drawn := drawingOf(j.file)
		d, err := store.ReceiveDrawing(ctx, member, j.file, drawn.Data())
		if err != nil {
			return err
		}
		choice := db.PlanChoice{Drawing: d.ID, Machine: machines[j.bay].ID, Tool: j.tool, Stock: stock[drawn.Material].ID, Default: plan.Draw}
		if j.tool == "beam" {
			choice.Default, choice.Operations = plan.Cut, drawn.Operations
		}
		row, err := store.MakePlan(ctx, member, choice)
		if err != nil {
			return fmt.Errorf("demo plan %s: %w", j.title, err)
		}
		if _, err := store.SubmitJob(ctx, member, db.NewJob{Title: j.title, Plan: row.Digest, Copies: j.copies, Set: sets[j.set]}); err != nil {
			return fmt.Errorf("demo job %s: %w", j.title, err)
		}
	}
	return nil
}

// addSets makes the sets that the demo's jobs belong to, by name; those that are there stay.
func addSets(ctx context.Context, store *db.Store, member db.Actor) (map[string]uuid.UUID, error) {
	there, err := store.Sets(ctx, member, uuid.Nil, 1000)
	if err != nil {
		return nil, err
	}
	sets := map[string]uuid.UUID{"": uuid.Nil}
	for _, t := range there {
		sets[t.Name] = t.ID
	}
	for _, j := range jobs {
		if _, ok := sets[j.set]; ok {
			continue
		}
		made, err := store.MakeSet(ctx, member, j.set)
		if err != nil {
			return nil, fmt.Errorf("demo set %s: %w", j.set, err)
		}
		sets[j.set] = made.ID
	}
	return sets, nil
}

// jobTitles are the titles of a person's jobs; the demo's few are on the first page or long done.
func jobTitles(ctx context.Context, store *db.Store, member db.Actor) (map[string]bool, error) {
	list, err := store.Jobs(ctx, member, uuid.Nil, 1000)
	titles := make(map[string]bool, len(list))
	for _, j := range list {
		titles[j.Title] = true
	}
	return titles, err
}

// WorkerFolder is where the worker of a bay lives below the data folder.
func WorkerFolder(dir, bay string) string {
	return filepath.Join(dir, "workers", strings.ToLower(strings.ReplaceAll(bay, " ", "-")))
}
