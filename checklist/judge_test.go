package checklist_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"kerfgate/checklist"
	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/plan/material"
)

func facts() checklist.Facts {
	tool := machine.Tool{Name: "beam", Kind: machine.ToolBeam, WavelengthNM: 445, PowerMW: 5000, EyewearODTenths: 52,
		Switch: machine.Switch{Kind: machine.SwitchHold}}
	return checklist.Facts{
		Profile: machine.Profile{Tools: []machine.Tool{tool, {Name: "pen", Kind: machine.ToolPen}},
			// No interlock: the lid holds smoke, it takes no beam away.
			Enclosure: machine.Enclosure{Kind: machine.EnclosureLidded, VolumeL: 60},
			Air:       machine.Air{CommissionedPa: 120, MeasuredFlowM3PerH: 150, MeasuredOn: "2026-06-01"},
			CutOff:    machine.CutOff{Tested: true, CablePulledMS: 300, WorkerKilledMS: 400, HostSuspendedMS: 500}},
		Tool:     tool,
		Material: material.Material{Name: "poplar plywood", Composition: material.Of("poplar", "urea glue"), Verdict: material.Allowed},
		Stock:    material.Stock{Lot: "P118", ThicknessUM: 3000, ToleranceUM: 200},
		Today:    time.Date(2026, 11, 25, 14, 0, 0, 0, time.UTC),

		Circumstances: checklist.Circumstances{Counted: true},
	}
}

func item(t *testing.T, key string) checklist.Item {
	t.Helper()
	i, ok := checklist.Standard(facts().Profile).Item(key)
	if !ok {
		t.Fatalf("no item %s", key)
	}
	return i
}

// Each core item asks for a reading that only a person who looked can give; what is just enough
// lifts the bar, what is just not keeps it down with what and next.
func TestJudge(t *testing.T) {
	t.Parallel()
	thin := facts()
	thin.Stock = material.Stock{Lot: "C204", ThicknessUM: 400, GrammageGPerM2: 300}
	unmeasured := facts()
	unmeasured.Profile.Air.CommissionedPa = 0
	ext := func(agent, gauge, month, reach string) checklist.Values {
		return checklist.Values{"agent": agent, "gauge": gauge, "inspected": month, "reach": reach}
	}
	cases := []struct {
		name, item string
		given      checklist.Values
		facts      checklist.Facts
		up         bool
	}{
		{"pair fits", checklist.ItemEyewear, checklist.Values{"marking": "180-460 OD 6+", "on": "yes"}, facts(), true},
		{"pair just fits", checklist.ItemEyewear, checklist.Values{"marking": "445 D OD 5.2", "on": "yes"}, facts(), true},
		{"pair too weak", checklist.ItemEyewear, checklist.Values{"marking": "445 OD 5.1", "on": "yes"}, facts(), false},
		{"pair for another beam", checklist.ItemEyewear, checklist.Values{"marking": "10600 D LB6", "on": "yes"}, facts(), false},
		{"pair not on", checklist.ItemEyewear, checklist.Values{"marking": "445 OD 6", "on": "no"}, facts(), false},
		{"no marking", checklist.ItemEyewear, checklist.Values{"marking": "dark green", "on": "yes"}, facts(), false},
		{"tag of this month", checklist.ItemExtinguisher, ext(checklist.AgentPowder, checklist.GaugeGreen, "2026-11", "yes"), facts(), true},
		{"tag of last month", checklist.ItemExtinguisher, ext(checklist.AgentCO2, checklist.GaugeNone, "2026-10", "yes"), facts(), true},
		{"tag of September", checklist.ItemExtinguisher, ext(checklist.AgentCO2, checklist.GaugeNone, "2026-09", "yes"), facts(), false},
		{"tag of December", checklist.ItemExtinguisher, ext(checklist.AgentCO2, checklist.GaugeNone, "2026-12", "yes"), facts(), false},
		{"gauge low", checklist.ItemExtinguisher, ext(checklist.AgentPowder, checklist.GaugeLow, "2026-11", "yes"), facts(), false},
		{"powder without gauge", checklist.ItemExtinguisher, ext(checklist.AgentPowder, checklist.GaugeNone, "2026-11", "yes"), facts(), false},
		{"unknown agent", checklist.ItemExtinguisher, ext("sand", checklist.GaugeGreen, "2026-11", "yes"), facts(), false},
		{"out of reach", checklist.ItemExtinguisher, ext(checklist.AgentCO2, checklist.GaugeNone, "2026-11", "no"), facts(), false},
		{"flow just enough", checklist.ItemVentilation, checklist.Values{"reading": "96"}, facts(), true},
		{"flow a hair low", checklist.ItemVentilation, checklist.Values{"reading": "95.99"}, facts(), false},
		{"flow not a number", checklist.ItemVentilation, checklist.Values{"reading": "much"}, facts(), false},
		{"flow infinite", checklist.ItemVentilation, checklist.Values{"reading": "Inf"}, facts(), false},
		{"never commissioned", checklist.ItemVentilation, checklist.Values{"reading": "500"}, unmeasured, false},
		{"sheet thinnest", checklist.ItemMaterial, checklist.Values{"lot": "p118 ", "thickness": "2,8"}, facts(), true},
		{"sheet thickest", checklist.ItemMaterial, checklist.Values{"lot": "P118", "thickness": "3.2"}, facts(), true},
		{"sheet too thick", checklist.ItemMaterial, checklist.Values{"lot": "P118", "thickness": "3.201"}, facts(), false},
		{"another lot", checklist.ItemMaterial, checklist.Values{"lot": "P119", "thickness": "3"}, facts(), false},
		{"card by its grammage", checklist.ItemMaterial, checklist.Values{"lot": "C204", "grammage": "300"}, thin, true},
		{"card of another grammage", checklist.ItemMaterial, checklist.Values{"lot": "C204", "grammage": "280"}, thin, false},
		{"supply on", checklist.ItemSupply, checklist.Values{"on": "yes"}, facts(), true},
	}
	for _, c := range cases {
		bar := checklist.Judge(item(t, c.item), c.given, nil, c.facts)
		if !bar.Answered || bar.Up != c.up {
			t.Errorf("%s: answered %v, up %v (%s)", c.name, bar.Answered, bar.Up, bar.Problem)
		}
		if !bar.Up && (bar.Problem == "" || bar.Next == "") {
			t.Errorf("%s: down without what (%q) and next (%q)", c.name, bar.Problem, bar.Next)
		}
		if bar.Needs == "" {
			t.Errorf("%s: does not say what it needs", c.name)
		}
	}
}

// Standing fields hold from an earlier run; run fields never do.
func TestStandingAnswersHold(t *testing.T) {
	t.Parallel()
	standing := checklist.Values{"marking": "445 OD 6", "on": "yes"}
	bar := checklist.Judge(item(t, checklist.ItemEyewear), nil, standing, facts())
	if bar.Answered || !bar.Standing {
		t.Errorf("pair on was taken from an earlier run: %+v", bar)
	}
	bar = checklist.Judge(item(t, checklist.ItemEyewear), checklist.Values{"on": "yes"}, standing, facts())
	if !bar.Up {
		t.Errorf("the standing marking does not hold: %+v", bar)
	}
}

func TestTakeIsStrict(t *testing.T) {
	t.Parallel()
	eyewear := item(t, checklist.ItemEyewear)
	given, standing, err := checklist.Take(eyewear, checklist.Values{"marking": " 445 OD 6 ", "on": "yes"})
	if err != nil || given["marking"] != "445 OD 6" || len(standing) != 1 {
		t.Errorf("took %v, standing %v, %v", given, standing, err)
	}
	for _, bad := range []checklist.Values{{"colour": "green"}, {"marking": strings.Repeat("x", 201)}} {
		if _, _, err := checklist.Take(eyewear, bad); err == nil {
			t.Errorf("took %v", bad)
		}
	}
}

// Markings as they are printed, EN 207 style and OD style; LB n lets through at most 10⁻ⁿ
// (EN 207 as summarised in published guidance; not compared with the standard's own text).
func TestParseMarking(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]checklist.Marking{
		"D 445 LB6":              {FromNM: 445, ToNM: 445, ODTenths: 60, Modes: "D", LB: 6},
		"445 D LB 5":             {FromNM: 445, ToNM: 445, ODTenths: 50, Modes: "D", LB: 5},
		"180 - 315 nm OD 7+":     {FromNM: 180, ToNM: 315, ODTenths: 70, PrintedOD: 70},
		"190–540 nm OD>5.5":      {FromNM: 190, ToNM: 540, ODTenths: 55, PrintedOD: 55},
		"OD 4 @ 400 to 460 nm":   {FromNM: 400, ToNM: 460, ODTenths: 40, PrintedOD: 40},
		"10600 D LB3":            {FromNM: 10600, ToNM: 10600, ODTenths: 30, Modes: "D", LB: 3},
		"9000-11000 D LB4, OD 4": {FromNM: 9000, ToNM: 11000, ODTenths: 40, PrintedOD: 40, Modes: "D", LB: 4},
	} {
		got, err := checklist.ParseMarking(text)
		if err != nil || got != want {
			t.Errorf("%q is %+v (%v), want %+v", text, got, err, want)
		}
	}
	for _, bad := range []string{"", "OD 6", "445", "445 RB 3", "99 OD 6", "30000 OD 6", "540-190 OD 6", "445 OD", strings.Repeat("4", 200)} {
		if got, err := checklist.ParseMarking(bad); !errors.Is(err, checklist.ErrMarking) {
			t.Errorf("%q was read as %+v", bad, got)
		}
	}
}

// The four core items and supply cannot be removed from the checklist of a machine with a beam;
// a pen run there skips them only for "beam module off, supply unplugged" (I11).
func TestI11_CoreStays(t *testing.T) {
	t.Parallel()
	p := facts().Profile
	list := checklist.Standard(p)
	if err := list.Validate(p); err != nil {
		t.Fatal(err)
	}
	for i, it := range list.Items {
		if it.Key == checklist.ItemBed {
			continue // an officer may leave it out
		}
		cut := checklist.Checklist{Version: 2, Items: append(append([]checklist.Item{}, list.Items[:i]...), list.Items[i+1:]...)}
		if err := cut.Validate(p); !errors.Is(err, checklist.ErrCoreMissing) {
			t.Errorf("without %s: %v", it.Key, err)
		}
		if len(it.Fields) > 1 {
			bare := checklist.Checklist{Version: 2, Items: append([]checklist.Item{}, list.Items...)}
			bare.Items[i].Fields = it.Fields[1:]
			if err := bare.Validate(p); !errors.Is(err, checklist.ErrCoreMissing) {
				t.Errorf("%s without its first field: %v", it.Key, err)
			}
		}
	}
	supply := len(list.Items) - 1
	last := append(append([]checklist.Item{}, list.Items[supply]), list.Items[:supply]...)
	if err := (checklist.Checklist{Version: 2, Items: last}).Validate(p); !errors.Is(err, checklist.ErrCoreMissing) {
		t.Errorf("supply first: %v", err)
	}
	pen := list.ForRun(p, p.Tools[1])
	if _, ok := pen.Item(checklist.ItemBeamOff); !ok {
		t.Error("a pen run on a beam machine does not ask for the module to be off")
	}
	if _, ok := pen.Item(checklist.ItemMaterial); !ok {
		t.Error("a pen run does not ask for the material")
	}
	if got := list.ForRun(p, p.Tools[0]); len(got.Items) != 6 {
		t.Errorf("a beam run asks %d items", len(got.Items))
	}
}

// What no answer can cure (I15 and the material's verdict).
func TestI15_ToolRefusals(t *testing.T) {
	t.Parallel()
	f := facts()
	if no := f.Forbidden(); len(no) > 0 {
		t.Fatalf("a good set-up is refused: %v", no)
	}
	for name, change := range map[string]func(*checklist.Facts){
		"untested":         func(f *checklist.Facts) { f.Profile.CutOff.Tested = false },
		"one not measured": func(f *checklist.Facts) { f.Profile.CutOff.HostSuspendedMS = -1 },
		"over a second":    func(f *checklist.Facts) { f.Profile.CutOff.WorkerKilledMS = 1001 },
		"toggle":           func(f *checklist.Facts) { f.Tool.Switch = machine.Switch{Kind: machine.SwitchToggle} },
		"forbidden":        func(f *checklist.Facts) { f.Material.Verdict = material.Forbidden },
		"unknown":          func(f *checklist.Facts) { f.Material.Verdict = "" },
	} {
		f := facts()
		change(&f)
		no := f.Forbidden()
		if len(no) != 1 || no[0].What == "" || no[0].Next == "" {
			t.Errorf("%s: %v", name, no)
		}
		if f.Tool = f.Profile.Tools[1]; len(f.Forbidden()) > 0 {
			t.Errorf("%s: a pen is refused: %v", name, f.Forbidden())
		}
	}
}

// Everything that says no is said at once.
func TestRefuseListsAll(t *testing.T) {
	t.Parallel()
	no := checklist.Standing{LockedOut: "belt slipped", UnreadyReason: "no answer", Busy: true}.Refuse(facts())
	if len(no) != 7 {
		t.Errorf("%d reasons: %v", len(no), no)
	}
	good := checklist.Standing{Ready: true, Held: []checklist.Authorisation{{ID: uuid.UUID{1}}}, Placed: checklist.Placed{Origin: &geom.Point{}, Homed: true, Fitted: facts().Tool.Name}, Opener: true}
	if no := good.Refuse(facts()); len(no) > 0 {
		t.Errorf("a good standing is refused: %v", no)
	}
}

// Supply comes last, after every other bar is up.
func TestSupplyIsLast(t *testing.T) {
	t.Parallel()
	bars := []checklist.Bar{{Item: checklist.Item{Key: checklist.ItemEyewear}, Up: true}, {Item: checklist.Item{Key: checklist.ItemMaterial, Title: "Material verified"}}}
	if r, ok := checklist.Order(bars, checklist.ItemSupply); ok || !strings.Contains(r.What, "Material verified") {
		t.Errorf("supply may be answered: %v %v", r, ok)
	}
	bars[1].Up = true
	if _, ok := checklist.Order(bars, checklist.ItemSupply); !ok {
		t.Error("supply may not be answered with all bars up")
	}
	if checklist.Down(bars) != 0 {
		t.Error("bars counted as down")
	}
}
