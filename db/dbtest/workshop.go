package dbtest

import (
	"context"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nkeys"

	"kerfgate/checklist"
	"kerfgate/db"
	"kerfgate/plan"
	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/plan/material"
)

// Workshop is a small garden workshop: one member, one operator, one officer, one lidded cutter,
// one kind of plywood.
type Workshop struct {
	*Env
	Admin, Member, Operator, Officer db.Actor
	Machine                          db.Machine
	WorkerKey                        nkeys.KeyPair
	Stock                            db.Stock
	Material                         db.Material
}

// Square is a drawing of a 40 mm square with a hole.
const Square = `<svg xmlns="http://www.w3.org/2000/svg" width="60mm" height="60mm" viewBox="0 0 60 60">
<g id="outline" fill="none" stroke="#000000"><rect x="10" y="10" width="40" height="40"/><circle cx="30" cy="30" r="5"/></g></svg>`

// Profile is a lidded cutter whose cut-off was measured.
func Profile() machine.Profile {
	box := geom.Box{Max: geom.Pt(400_000, 300_000)}
	placing := machine.Placing{How: machine.PlacingEndSwitch, RepeatErrorUM: 20}
	return machine.Profile{
		Name: "lidded cutter", TravelUM: box, HardStops: geom.Box{Min: geom.Pt(-2000, -2000), Max: geom.Pt(402_000, 302_000)},
		SmallestStepUM: 10, TravelSpeedUMPerS: 300_000, WorkSpeedUMPerS: 100_000, AccelXUMPerS2: 2_000_000, AccelYUMPerS2: 2_000_000,
		CornerToleranceUM: 20, PlacingX: placing, PlacingY: placing,
		Tools: []machine.Tool{{Name: "beam", Kind: machine.ToolBeam, WavelengthNM: 10_600, PowerMW: 40_000, SpotUM: 150,
			Switch: machine.Switch{Kind: machine.SwitchLevel, OnDelayMS: 1, OffDelayMS: 1, Levels: true}, EyewearODTenths: 50}},
		Enclosure: machine.Enclosure{Kind: machine.EnclosureLidded, VolumeL: 60, Interlock: true},
		Air:       machine.Air{CommissionedPa: 120, MeasuredFlowM3PerH: 150, MixingFactor: 10, MeasuredOn: time.Now().Format(time.DateOnly)},
		CutOff:    machine.CutOff{Tested: true, CablePulledMS: 200, WorkerKilledMS: 250, HostSuspendedMS: 300, Means: "supply relay with a timer of its own"},
		Driver:    machine.Driver{Kind: machine.DriverSimulated, MotionScale: 20, WaitScale: 60},
	}
}

// NewWorkshop makes a database with the workshop in it.
func NewWorkshop(t testing.TB) *Workshop {
	t.Helper()
	w := &Workshop{Env: New(t)}
	ctx := t.Context()
	w.Admin = w.person(t, "admin", "Admin of the garden", db.RoleAdmin)
	w.Member = w.person(t, "member", "Member of the garden", db.RoleMember)
	w.Operator = w.person(t, "operator", "Operator of the garden", db.RoleMember)
	w.Officer = w.person(t, "officer", "Officer of the garden", db.RoleOfficer)
	var err error
	if w.WorkerKey, err = nkeys.CreateUser(); err != nil {
		t.Fatal(err)
	}
	public, err := w.WorkerKey.PublicKey()
	if err != nil {
		t.Fatal(err)
	}
	if w.Machine, err = w.AddMachine(ctx, w.Admin, db.NewMachine{Name: "lidded cutter", Bay: "Bay 1", Profile: Profile(), Tool: "beam",
		WorkerKey: public, WorkerURL: "http://127.0.0.1:1"}); err != nil {
		t.Fatal(err)
	}
	if _, err = w.Authorise(ctx, w.Admin, db.NewAuthorisation{Person: w.Operator.Person, Machine: w.Machine.ID,
		Until: time.Now().Add(24 * time.Hour), Evidence: "supervised run"}); err != nil {
		t.Fatal(err)
	}
	if w.Material, err = w.AddMaterial(ctx, w.Admin, material.Material{Name: "poplar plywood", Composition: material.Of("poplar", "urea glue"), ColourClass: "light",
		Verdict: material.Allowed}); err != nil {
		t.Fatal(err)
	}
	if w.Stock, err = w.AddStock(ctx, w.Admin, w.Material.ID, material.Stock{Lot: "P118", Colour: "natural", ThicknessUM: 3000, ToleranceUM: 200,
		SheetWidthUM: 300_000, SheetHeightUM: 200_000}, 10); err != nil {
		t.Fatal(err)
	}
	for _, s := range []material.Setting{
		{Operation: "cut", SpeedUMPerS: 12_000, PowerPermille: 900, Passes: 1, KerfUM: 150, Evidence: "settings grid"},
		{Operation: "mark", SpeedUMPerS: 60_000, PowerPermille: 200, Passes: 1, KerfUM: 150, Evidence: "settings grid"},
	} {
		if _, err := w.ProveSetting(ctx, w.Admin, db.Setting{Machine: w.Machine.ID, Tool: "beam", Material: w.Material.ID, ThicknessUM: 3000, Setting: s}); err != nil {
			t.Fatal(err)
		}
	}
	return w
}

func (w *Workshop) person(t testing.TB, signIn, name string, role db.Role) db.Actor {
	t.Helper()
	p, err := w.AddPerson(t.Context(), db.Actor{}, db.NewPerson{SignInName: signIn, Name: name, Role: role, PasswordHash: "no password in these tests"})
	if err != nil {
		t.Fatal(err)
	}
	return db.Actor{Person: p.ID, Role: p.Role}
}

// SetVerdict gives a material another verdict and leaves the rest.
func (w *Workshop) SetVerdict(ctx context.Context, actor db.Actor, id uuid.UUID, v material.Verdict) error {
	m, err := w.Store.Material(ctx, id)
	if err != nil {
		return err
	}
	m.Verdict = v
	_, err = w.ChangeMaterial(ctx, actor, id, 0, m.Material, "tried on another sheet")
	return err
}

// Submit hands in the square and submits so many copies of it.
func (w *Workshop) Submit(t testing.TB, copies int64) db.Job {
	t.Helper()
	ctx := t.Context()
	d, err := w.ReceiveDrawing(ctx, w.Member, "square.svg", []byte(Square))
	if err != nil {
		t.Fatal(err)
	}
	row, err := w.MakePlan(ctx, w.Member, db.PlanChoice{Drawing: d.ID, Machine: w.Machine.ID, Tool: "beam", Stock: w.Stock.ID, Default: plan.Cut})
	if err != nil {
		t.Fatal(err)
	}
	job, err := w.SubmitJob(t.Context(), w.Member, db.NewJob{Title: "bed sign", Plan: row.Digest, Copies: copies})
	if err != nil {
		t.Fatal(err)
	}
	return job
}

// Answer is what is given for one item.
type Answer struct {
	Item   string
	Values checklist.Values
}

// GoodAnswers are answers with which every bar of the workshop's cutter is up, in order.
func GoodAnswers(month time.Time) []Answer {
	return []Answer{
		{checklist.ItemEyewear, checklist.Values{"marking": "10600 D LB6", "on": "yes"}},
		{checklist.ItemExtinguisher, checklist.Values{"agent": checklist.AgentCO2, "gauge": checklist.GaugeNone, "inspected": month.Format("2006-01"), "reach": "yes"}},
		{checklist.ItemVentilation, checklist.Values{"reading": "118"}},
		{checklist.ItemBed, checklist.Values{"assist": checklist.AssistOn, "clear": "yes"}},
		{checklist.ItemMaterial, checklist.Values{"lot": "P118", "thickness": "3.05"}},
		{checklist.ItemSupply, checklist.Values{"on": "yes"}},
	}
}

// AnswerAll answers every item of a run at the gate.
func (w *Workshop) AnswerAll(t testing.TB, run uuid.UUID) {
	t.Helper()
	for _, a := range GoodAnswers(time.Now()) {
		if a.Item == checklist.ItemSupply {
			w.answerAsked(t, run)
		}
		if _, err := w.Answer(t.Context(), w.Operator, run, a.Item, a.Values); err != nil {
			t.Fatalf("%s: %v", a.Item, err)
		}
	}
}

// answerAsked answers what a run itself asks for: the item that a material with care adds, and a second
// person, who is the member.
func (w *Workshop) answerAsked(t testing.TB, run uuid.UUID) {
	t.Helper()
	g, err := w.Gate(t.Context(), w.Operator, run)
	if err != nil {
		t.Fatal(err)
	}
	if _, asked := g.Checklist.Item(checklist.ItemCare); asked {
		if _, err := w.Answer(t.Context(), w.Operator, run, checklist.ItemCare, checklist.Values{"drawn": "yes"}); err != nil {
			t.Fatal(err)
		}
	}
	if _, asked := g.Checklist.Item(checklist.ItemSecond); asked {
		if _, err := w.Second(t.Context(), w.Operator, run, w.Member.Person); err != nil {
			t.Fatal(err)
		}
	}
}
