package api

import (
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"testing"

	"github.com/google/uuid"

	"kerfgate/api/wire"
	"kerfgate/db"
	"kerfgate/plan/calibration"
	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/queue/broker"
)

// worked lets the newest run of a job run to an end by HTTP and by its worker's reports, numbered from n.
func (w *workshop) worked(t *testing.T, run uuid.UUID, n int, end broker.Report, flame bool) {
	t.Helper()
	token := w.signedIn(t, w.Operator)
	w.ready(t, run, int64(n))
	w.started(t, token, run, n+1)
	end.Run = run
	w.says(t, int64(n+2), end)
	w.says(t, int64(n+3), broker.Report{Kind: broker.ReportPurged, Run: run})
	w.as(t, token, http.MethodPost, "/runs/"+run.String()+"/inspection", fmt.Sprintf(`{"sheet":"kept","flame_or_glow":%t,"supply_off":true}`, flame), http.StatusOK, nil)
}

// started brings a run that is ready through the gate and into motion.
func (w *workshop) started(t *testing.T, token string, run uuid.UUID, n int) {
	t.Helper()
	w.floor.position = geom.Point{} // where the carriage stood before does not matter here
	w.atTheGate(t, token, wire.Run{ID: run})
	var signed wire.SignedOff
	w.as(t, token, http.MethodPost, "/runs/"+run.String()+"/sign", "", http.StatusOK, &signed)
	if _, err := w.Take(t.Context(), w.Machine.ID, broker.Taken{Run: run, Permit: mustDigest(t, signed.PermitDigest), Challenge: w.floor.challenge}); err != nil {
		t.Fatal(err)
	}
	w.says(t, int64(n), broker.Report{Kind: broker.ReportMoved, Run: run})
}

func pathEnd(t *testing.T, path string) uuid.UUID {
	t.Helper()
	id, err := uuid.Parse(path[strings.LastIndexByte(path, '/')+1:])
	if err != nil {
		t.Fatal(err)
	}
	return id
}

// TestMachinePage: what an operator and an officer see of a machine, and who gets in.
func TestMachinePage(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	operator, officer, path := w.signedIn(t, w.Operator), w.signedIn(t, w.Officer), machinePath(w.Machine.ID)
	html := w.page(t, operator, path, "never calibrated", "Work a settings grid", "12 mm/s, 90 %", "3 J/mm", "beam off within 300 ms", "goes as far as it is told", "It was never locked out before")
	if strings.Contains(html, "How often it is due") || strings.Contains(html, "/commissioning") {
		t.Error("an operator is offered what only an officer may")
	}
	w.page(t, officer, path, "How often it is due", "/commissioning")
	if rec := ask(t, w.s.Handler(), http.MethodGet, path, w.signedIn(t, w.Member), "", "Accept", "text/html"); rec.Code != http.StatusForbidden {
		t.Errorf("a member: %d", rec.Code)
	}
	if rec := ask(t, w.s.Handler(), http.MethodGet, machinePath(uuid.New()), officer, "", "Accept", "text/html"); rec.Code != http.StatusNotFound {
		t.Errorf("no such machine: %d", rec.Code)
	}
	w.submit(t, operator, path+"/lockout", url.Values{"reason": {"lid hinge loose"}}, http.StatusSeeOther)
	w.page(t, officer, path, "Lid hinge loose", "Lift the lockout")
	w.submit(t, officer, path+"/lockout/lift", url.Values{"reason": {" "}}, http.StatusUnprocessableEntity)
	w.submit(t, officer, path+"/lockout/lift", url.Values{"reason": {"hinge mended"}}, http.StatusSeeOther)
	w.page(t, officer, path, "hinge mended")
	w.submit(t, officer, path+"/calibration-rule", url.Values{"days": {"soon"}, "hours": {"1"}}, http.StatusUnprocessableEntity)
	w.submit(t, officer, path+"/calibration-rule", url.Values{"days": {"90"}, "hours": {"0"}}, http.StatusSeeOther)
	w.page(t, officer, path, `value="90"`)
	// Two machines in one view: named and taken back by the officer alone.
	if html := w.page(t, officer, path, "Lockouts"); strings.Contains(html, "In one view") {
		t.Error("a machine that stands alone is offered a view with another")
	}
	second, err := w.AddMachine(t.Context(), w.Admin, db.NewMachine{Name: "second cutter", Bay: "Bay 2", Profile: w.Machine.Profile, Tool: "beam", WorkerKey: "UAAA", WorkerURL: "http://127.0.0.1:1"})
	if err != nil {
		t.Fatal(err)
	}
	w.page(t, officer, path, "One operator attends one run with a beam", "Bay 2, second cutter")
	w.submit(t, officer, path+"/view", url.Values{"other": {"soon"}}, http.StatusUnprocessableEntity)
	w.submit(t, officer, path+"/view", url.Values{"other": {w.Machine.ID.String()}}, http.StatusUnprocessableEntity)
	w.submit(t, officer, path+"/view", url.Values{"other": {""}}, http.StatusUnprocessableEntity)
	w.submit(t, officer, path+"/view", url.Values{"other": {second.ID.String()}}, http.StatusSeeOther)
	if html := w.page(t, operator, machinePath(second.ID), "With "+w.Machine.Name); strings.Contains(html, "not in one view any more") {
		t.Error("an operator is offered to take it back")
	}
	w.submit(t, officer, machinePath(second.ID)+"/view", url.Values{"other": {""}}, http.StatusSeeOther)
	w.page(t, officer, path, "Bay 2, second cutter")
	// Overdue is told on the machine's page, the board and the station.
	c, err := w.StartCalibration(t.Context(), w.Operator, db.NewCalibration{Machine: w.Machine.ID, Tool: "beam", Stock: w.Stock.ID, WidthUM: 100_000, HeightUM: 80_000})
	if err != nil {
		t.Fatal(err)
	}
	w.worked(t, c.Run, 1, broker.Report{Kind: broker.ReportCompleted, RealMS: 60_000}, false)
	var read []calibration.Reading
	for _, d := range c.Pattern.Distances() {
		read = append(read, calibration.Reading{Distance: d.Name, UM: []int64{int64(d.NominalUM())}})
	}
	if _, err := w.MeasureCalibration(t.Context(), w.Operator, c.ID, 0, read, 60); err != nil {
		t.Fatal(err)
	}
	if _, err := w.AcceptCalibration(t.Context(), w.Operator, c.ID, 0); err != nil {
		t.Fatal(err)
	}
	w.asOwner(t, `UPDATE calibration SET measured_at = now() - interval '91 days'`)
	w.page(t, operator, path, "Calibration overdue", "91 days ago, due every 90")
	w.page(t, operator, "/", "Calibration overdue: calibrated 91 days ago")
	w.page(t, operator, "/station/"+w.Machine.ID.String(), "Calibration overdue")
	w.page(t, operator, "/stations", path)
}

// TestCalibrationPages: from the pattern to the profile through the forms; what is mistyped stays typed.
func TestCalibrationPages(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	operator, path := w.signedIn(t, w.Operator), machinePath(w.Machine.ID)
	form := url.Values{"tool": {"beam"}, "stock": {w.Stock.ID.String()}, "width_mm": {"wide"}, "height_mm": {"100"}}
	w.submit(t, operator, path+"/calibrations", form, http.StatusUnprocessableEntity)
	form.Set("width_mm", "40")
	if html := w.submit(t, operator, path+"/calibrations", form, http.StatusUnprocessableEntity); !strings.Contains(html, "60 to 1000 mm") {
		t.Error("the bounds are not told")
	}
	form.Set("width_mm", "120,5")
	at := w.submit(t, operator, path+"/calibrations", form, http.StatusSeeOther)
	w.page(t, operator, at, "to be drawn", "120 × 100 mm", "/station/")
	one, err := w.Calibration(t.Context(), pathEnd(t, at))
	if err != nil {
		t.Fatal(err)
	}
	w.worked(t, one.Run, 1, broker.Report{Kind: broker.ReportCompleted, RealMS: 60_000}, false)
	w.page(t, operator, at, "to be measured", "A-C", "156.20")
	own := machine.Geometry{ScaleXPPM: 5_000, SquarenessURad: -2_000}
	read := url.Values{"uncertain_mm": {"0.06"}}
	for _, d := range one.Pattern.Distances() {
		way := d.To.At.Sub(d.From.At)
		x, y := own.Reached(float64(way.X), float64(way.Y))
		um := map[calibration.Along]float64{calibration.AlongX: x, calibration.AlongY: y, calibration.AlongSlant: math.Hypot(x, y)}[d.Along]
		read[fieldOf(d.Name)] = []string{strconv.FormatFloat(um/1000, 'f', 2, 64), ""}
	}
	bad := url.Values{"uncertain_mm": {"0.06"}, "d-a-b": {"12o.1", ""}}
	if html := w.submit(t, operator, at+"/readings", bad, http.StatusUnprocessableEntity); !strings.Contains(html, `value="12o.1"`) {
		t.Error("what was typed is lost")
	}
	if html := w.submit(t, operator, at+"/readings", url.Values{"uncertain_mm": {"0.06"}, "d-a-b": {"120.6"}}, http.StatusUnprocessableEntity); !strings.Contains(html, "At least 7 distances") {
		t.Error("too few distances are not refused in words")
	}
	w.submit(t, operator, at+"/readings", read, http.StatusSeeOther)
	w.page(t, operator, at, "too far on 100 mm", "leans", "towards −x", "far corner of the bed", "ppm", "Accept as a new version of the profile")
	w.submit(t, operator, at+"/accept", url.Values{"rev": {"1"}}, http.StatusConflict)
	w.submit(t, operator, at+"/accept", url.Values{}, http.StatusSeeOther)
	w.page(t, operator, at, "Accepted by Operator of the garden")
	w.page(t, operator, path, "calibrated</span>", "y leans 0.1", "accepted")
	m, err := w.Store.Machine(t.Context(), w.Machine.ID)
	if err != nil || m.Profile.Geometry == nil || m.Profile.Geometry.ScaleXPPM < 4_900 || m.Profile.Geometry.ScaleXPPM > 5_100 {
		t.Errorf("in force %+v, %v", m.Profile.Geometry, err)
	}
	// Another is refused, with a reason.
	form.Set("width_mm", "100")
	at = w.submit(t, operator, path+"/calibrations", form, http.StatusSeeOther)
	w.submit(t, operator, at+"/refuse", url.Values{"reason": {""}}, http.StatusUnprocessableEntity)
	w.submit(t, operator, at+"/refuse", url.Values{"reason": {"the sheet slipped"}}, http.StatusSeeOther)
	w.page(t, operator, at, "the sheet slipped")
}

// TestSettingsGridPages: a grid worked to a flame, whose rest is not worked; the best cell of what was, tapped.
func TestSettingsGridPages(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	operator, path := w.signedIn(t, w.Operator), machinePath(w.Machine.ID)
	form := url.Values{"tool": {"beam"}, "stock": {w.Stock.ID.String()}, "operation": {"cut"}, "speeds": {"5 ten"}, "powers": {"40 70 100"}, "passes": {"1"}}
	w.submit(t, operator, path+"/settings-grids", form, http.StatusUnprocessableEntity)
	form.Set("speeds", "5 10 20 40 60 80")
	if html := w.submit(t, operator, path+"/settings-grids", form, http.StatusUnprocessableEntity); !strings.Contains(html, "6 speeds") {
		t.Error("too many rows are not refused in words")
	}
	form.Set("speeds", "5 10 20")
	at := w.submit(t, operator, path+"/settings-grids", form, http.StatusSeeOther)
	html := w.page(t, operator, at, "It is to be worked", "not worked", "1. not worked", "40 %")
	if strings.Contains(html, "Prove this setting") || strings.Contains(html, "Flame: stop") {
		t.Error("offered before its time")
	}
	g, err := w.SettingsGrid(t.Context(), pathEnd(t, at))
	if err != nil {
		t.Fatal(err)
	}
	w.ready(t, g.Run, 1)
	w.started(t, operator, g.Run, 2)
	w.page(t, operator, at, "Flame: stop the run")
	before := w.floor.stopped()
	w.submit(t, operator, at+"/flame", url.Values{}, http.StatusSeeOther)
	if w.floor.stopped() != before+1 {
		t.Error("the machine was not told to stop")
	}
	w.page(t, operator, path, "Locked out", "settings grid")
	w.says(t, 3, broker.Report{Kind: broker.ReportStopped, Run: g.Run, Reason: "pressed", RealMS: 12_000})
	w.says(t, 4, broker.Report{Kind: broker.ReportPurged, Run: g.Run})
	w.as(t, operator, http.MethodPost, "/runs/"+g.Run.String()+"/inspection", `{"sheet":"kept","flame_or_glow":true,"supply_off":true}`, http.StatusOK, nil)
	w.page(t, operator, at, "Prove this setting", "broken off", "A flame was seen", `name="kerf_mm"`)
	w.submit(t, operator, at+"/choose", url.Values{"kerf_mm": {"0.18"}}, http.StatusUnprocessableEntity)
	w.submit(t, operator, at+"/choose", url.Values{"cell": {"8"}, "kerf_mm": {"0.18"}}, http.StatusUnprocessableEntity)
	w.submit(t, operator, at+"/choose", url.Values{"cell": {"0"}, "kerf_mm": {"wide"}}, http.StatusUnprocessableEntity)
	w.submit(t, operator, at+"/choose", url.Values{"cell": {"0"}, "kerf_mm": {"0.18"}}, http.StatusSeeOther)
	w.page(t, operator, at, "It is the proven setting now")
	w.page(t, operator, path, "settings grid, run", "20 mm/s, 40 %", "kerf 0.18 mm", "chosen, a flame was seen")
	all, err := w.Settings(t.Context(), w.Machine.ID)
	if err != nil {
		t.Fatal(err)
	}
	found := false
	for _, s := range all {
		found = found || s.Run == g.Run && s.Colour == "natural" && s.Operation == "cut"
	}
	if !found {
		t.Errorf("proven settings %+v", all)
	}
	if _, err := w.StartSettingsGrid(t.Context(), w.Member, db.NewSettingsGrid{Machine: w.Machine.ID, Tool: "beam", Stock: w.Stock.ID}); err == nil {
		t.Error("a member works a grid")
	}
}
