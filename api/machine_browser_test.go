package api

import (
	"math"
	"strconv"
	"strings"
	"testing"

	"github.com/chromedp/chromedp/kb"

	"kerfgate/db"
	"kerfgate/plan"
	"kerfgate/plan/calibration"
	"kerfgate/plan/machine"
	"kerfgate/plan/settingsgrid"
	"kerfgate/queue/broker"
)

// TestMachineByKeyboard: an operator queues a pattern, types what the caliper says, accepts what it makes of
// the profile, and chooses the best cell of a grid that ended at a flame, by the keys alone.
func TestMachineByKeyboard(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("drives a real browser")
	}
	w := newWorkshop(t)
	b := w.openTab(t, w.Operator)
	path := machinePath(w.Machine.ID)
	open := func(at string) {
		t.Helper()
		b.visit(at)
	}
	open(path)
	b.inOrder("machine", "button.big, .choice.big")
	b.reach("details:has([action$=calibrations]) summary")
	b.press("\r")
	b.reach("[action$=calibrations] button")
	b.press("\r")
	b.waits(`location.pathname.startsWith("/calibrations/")`)
	list, err := w.Calibrations(t.Context(), w.Machine.ID, 1)
	if err != nil || len(list) != 1 {
		t.Fatalf("%d calibrations, %v: %s", len(list), err, b.value("document.body.innerText"))
	}
	one := list[0]
	w.worked(t, one.Run, 1, broker.Report{Kind: broker.ReportCompleted, RealMS: 60_000}, false)
	at := calibrationPath(one.ID)
	open(at)
	own := machine.Geometry{ScaleXPPM: 5_000, ScaleYPPM: -1_500, SquarenessURad: -2_000}
	for _, d := range one.Pattern.Distances() {
		way := d.To.At.Sub(d.From.At)
		x, y := own.Reached(float64(way.X), float64(way.Y))
		um := map[calibration.Along]float64{calibration.AlongX: x, calibration.AlongY: y, calibration.AlongSlant: math.Hypot(x, y)}[d.Along]
		b.reach("#" + fieldOf(d.Name) + "-1")
		b.press(strings.Split(strconv.FormatFloat(um/1000, 'f', 2, 64), "")...)
	}
	b.reach(`[action$=readings] button`)
	b.press("\r")
	b.waits(`document.body?.innerText.includes("What was found")`)
	b.inOrder("calibration", "button.big")
	b.reach(`[action$=accept] button`)
	b.press("\r")
	b.waits(`document.body?.innerText.includes("Accepted by")`)
	m, err := w.Store.Machine(t.Context(), w.Machine.ID)
	if err != nil || m.Profile.Geometry == nil || math.Abs(float64(m.Profile.Geometry.ScaleXPPM-5_000)) > 100 {
		t.Fatalf("in force %+v, %v", m.Profile.Geometry, err)
	}
	b.inOrder("calibration-accepted", "button.big")

	g, err := w.StartSettingsGrid(t.Context(), w.Operator, db.NewSettingsGrid{Machine: w.Machine.ID, Tool: "beam", Stock: w.Stock.ID,
		Spec: settingsgrid.Spec{Operation: plan.Cut, Speeds: []int64{5_000, 10_000, 20_000, 40_000}, Powers: []int64{200, 400, 600, 800, 1000}, Passes: 1}})
	if err != nil {
		t.Fatal(err)
	}
	w.worked(t, g.Run, 5, broker.Report{Kind: broker.ReportStopped, Reason: "pressed", RealMS: 30_000}, true)
	at = gridPath(g.ID)
	open(at)
	b.inOrder("settings-grid", "button.big, .cell")
	b.reach(`input[name=cell]`)
	b.press(" ", kb.ArrowRight)
	b.reach(`#kerf`)
	b.press("0", ".", "1", "8")
	b.reach(`[action$=choose] button`)
	b.press("\r")
	b.waits(`document.body?.innerText.includes("It is the proven setting now")`)
	b.inOrder("settings-grid-chosen", "button.big")
	if g, err = w.SettingsGrid(t.Context(), g.ID); err != nil || g.Chosen == nil {
		t.Errorf("nothing is chosen: %v", err)
	}
	open(path)
	b.inOrder("machine-after", "button.big, .choice.big")
}
