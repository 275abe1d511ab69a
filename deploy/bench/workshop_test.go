package bench

import (
	"context"
	"errors"
	"fmt"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nkeys"

	"kerfgate/db"
	"kerfgate/db/dbtest"
	"kerfgate/plan"
	"kerfgate/plan/canon"
	"kerfgate/plan/geom"
	"kerfgate/plan/material"
	"kerfgate/queue"
	"kerfgate/queue/broker"
)

// workshop is a garden workshop on the ground, with one cutter and its server's side of the broker.
type workshop struct {
	*ground
	b                         *testing.B
	member, operator, officer db.Actor
	machine, other            db.Machine // the other one has no worker here
	key                       nkeys.KeyPair
	plan                      canon.Digest
	floor                     *broker.Server
}

func newWorkshop(b *testing.B, g *ground) *workshop {
	b.Helper()
	ctx := b.Context()
	w := &workshop{ground: g, b: b}
	admin := w.person("admin", db.RoleAdmin)
	w.member, w.operator, w.officer = w.person("member", db.RoleMember), w.person("operator", db.RoleMember), w.person("officer", db.RoleOfficer)
	w.machine, w.key = w.newMachine(admin, "Bay 1")
	w.other, _ = w.newMachine(admin, "Bay 2")
	_, err := g.store.Authorise(ctx, admin, db.NewAuthorisation{Person: w.operator.Person, Machine: w.machine.ID,
		Until: time.Now().Add(24 * time.Hour), Evidence: "supervised run"})
	w.must(err)
	kind, err := g.store.AddMaterial(ctx, admin, material.Material{Name: "poplar plywood", Composition: material.Of("poplar", "urea glue"), ColourClass: "light", Verdict: material.Allowed})
	w.must(err)
	stock, err := g.store.AddStock(ctx, admin, kind.ID, material.Stock{Lot: "P118", Colour: "natural", ThicknessUM: 3000, ToleranceUM: 200,
		SheetWidthUM: 300_000, SheetHeightUM: 200_000}, 100_000)
	w.must(err)
	_, err = g.store.ProveSetting(ctx, admin, db.Setting{Machine: w.machine.ID, Tool: "beam", Material: kind.ID, ThicknessUM: 3000,
		Setting: material.Setting{Operation: "cut", SpeedUMPerS: 12_000, PowerPermille: 900, Passes: 1, KerfUM: 150, Evidence: "settings grid"}})
	w.must(err)
	drawing, err := g.store.ReceiveDrawing(ctx, w.member, "square.svg", []byte(dbtest.Square))
	w.must(err)
	row, err := g.store.MakePlan(ctx, w.member, db.PlanChoice{Drawing: drawing.ID, Machine: w.machine.ID, Tool: "beam", Stock: stock.ID, Default: plan.Cut})
	w.must(err)
	w.plan = row.Digest
	w.serve()
	return w
}

func (w *workshop) must(err error) {
	w.b.Helper()
	if err != nil {
		w.b.Fatal(err)
	}
}

func (w *workshop) person(name string, role db.Role) db.Actor {
	w.b.Helper()
	p, err := w.store.AddPerson(w.b.Context(), db.System, db.NewPerson{SignInName: name, Name: name, Role: role, PasswordHash: "no password here"})
	w.must(err)
	return db.Actor{Person: p.ID, Role: p.Role}
}

func (w *workshop) newMachine(admin db.Actor, bay string) (db.Machine, nkeys.KeyPair) {
	w.b.Helper()
	key, err := nkeys.CreateUser()
	w.must(err)
	public, err := key.PublicKey()
	w.must(err)
	return w.addMachine(admin, bay, public), key
}

func (w *workshop) addMachine(admin db.Actor, bay, workerKey string) db.Machine {
	w.b.Helper()
	m, err := w.store.AddMachine(w.b.Context(), admin, db.NewMachine{Name: "cutter of " + bay, Bay: bay, Profile: dbtest.Profile(), Tool: "beam", WorkerKey: workerKey})
	w.must(err)
	return m
}

// serve runs the server's side of the broker until the benchmark is over.
func (w *workshop) serve() {
	w.b.Helper()
	keys, err := w.store.WorkerKeys(w.b.Context())
	w.must(err)
	w.must(w.broker.SetWorkers(keys))
	w.floor, err = broker.New(broker.Config{Conn: w.dial(w.b), StopConn: w.dial(w.b), Desk: w.store})
	w.must(err)
	w.store.SetCommitHook(func(int64) { w.floor.Nudge() })
	w.during(w.floor.Run)
}

// during lets something run until the benchmark is over.
func (w *workshop) during(run func(context.Context) error) {
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- run(ctx) }()
	w.b.Cleanup(func() {
		stop()
		if err := <-done; err != nil && !errors.Is(err, context.Canceled) {
			w.b.Error(err)
		}
	})
}

// submit queues one copy and returns its run.
func (w *workshop) submit() db.Job {
	w.b.Helper()
	job, err := w.store.SubmitJob(w.b.Context(), w.member, db.NewJob{Title: "bed sign", Plan: w.plan, Copies: 1})
	w.must(err)
	return job
}

// waitFor asks for a run until it is as it should be.
func (w *workshop) waitFor(run uuid.UUID, what string, is func(db.Run) bool) db.Run {
	w.b.Helper()
	for began := time.Now(); ; time.Sleep(2 * time.Millisecond) {
		r, err := w.store.Run(w.b.Context(), w.officer, run)
		w.must(err)
		if is(r) {
			return r
		}
		if time.Since(began) > time.Minute {
			w.b.Fatalf("run is %s after a minute, waiting for: %s", r.Phase, what)
		}
	}
}

// toTheGate brings a run to where only Sign and start is left to do.
func (w *workshop) toTheGate(run uuid.UUID) {
	w.b.Helper()
	ctx := w.b.Context()
	w.waitFor(run, "its worker to be ready", func(r db.Run) bool { return r.Ready })
	_, err := w.store.OpenChecklist(ctx, w.operator, run)
	w.must(err)
	challenge, err := w.floor.Challenge(ctx, w.machine.ID, run, broker.PurposeSetup)
	w.must(err)
	leave, err := w.store.Leave(ctx, w.operator, run, challenge)
	w.must(err)
	home, err := w.floor.Setup(ctx, w.machine.ID, broker.SetupCommand{Leave: leave, Number: 1, Kind: broker.SetupHome})
	w.must(err)
	if home.Problem != "" {
		w.b.Fatal(fmt.Errorf("home: %s", home.Problem))
	}
	_, err = w.store.Place(ctx, w.operator, run, db.Placement{Origin: geom.Pt(20_000, 20_000), Homed: home.Homed})
	w.must(err)
	for _, a := range dbtest.GoodAnswers(time.Now()) {
		_, err := w.store.Answer(ctx, w.operator, run, a.Item, a.Values)
		w.must(err)
	}
}

// signAndStart is what the press of the button does, as package api does it.
func (w *workshop) signAndStart(run uuid.UUID) {
	w.b.Helper()
	challenge, err := w.floor.Challenge(w.b.Context(), w.machine.ID, run, broker.PurposeStart)
	w.must(err)
	p, err := w.store.SignOff(w.b.Context(), w.operator, run, challenge, [32]byte{1})
	w.must(err)
	w.must(w.floor.Permit(w.machine.ID, p.Note))
}

// finish waits out the purge and closes the run.
func (w *workshop) finish(run uuid.UUID) {
	w.b.Helper()
	w.waitFor(run, "its inspection", func(r db.Run) bool { return r.Phase == queue.Inspecting })
	_, err := w.store.Inspect(w.b.Context(), w.operator, run, db.Inspection{Fate: db.SheetScrapped, SupplyOff: true})
	w.must(err)
}
