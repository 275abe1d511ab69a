package api

import (
	"math"
	"net/http"
	"net/url"
	"strconv"
	"testing"

	"github.com/google/uuid"

	"kerfgate/db"
	"kerfgate/plan"
	"kerfgate/plan/calibration"
	"kerfgate/plan/canon"
	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/queue/broker"
	"kerfgate/worker/driver/simulated"
)

// burned lets an imaginary machine with the profile in force carry out a plan of the database, and gives the
// lines on its sheet.
func (w *workshop) burned(t *testing.T, digest canon.Digest) (*plan.Plan, [][]geom.Point) {
	t.Helper()
	row, err := w.Plan(t.Context(), w.Operator, digest)
	if err != nil {
		t.Fatal(err)
	}
	m, err := w.Store.Machine(t.Context(), w.Machine.ID)
	if err != nil {
		t.Fatal(err)
	}
	if row.Plan.Profile != m.ProfileDigest {
		t.Fatal("the plan is for another profile")
	}
	d, err := simulated.New(simulated.Config{Profile: m.Profile})
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	send := func(line string) {
		if err := d.Send(t.Context(), line); err != nil {
			t.Fatalf("%s: %v", line, err)
		}
	}
	for _, step := range []func() error{func() error { return d.Open(t.Context()) }, func() error { return d.Home(t.Context()) }} {
		if err := step(); err != nil {
			t.Fatal(err)
		}
	}
	send("G21")
	send("G90")
	send("G0 X20 Y20")
	if err := d.Arm([16]byte{1}); err != nil {
		t.Fatal(err)
	}
	for l := range plan.Lines(row.Plan, m.Profile, geom.Pt(20_000, 20_000)) {
		send(l.Text)
	}
	if err := d.Drain(t.Context()); err != nil {
		t.Fatal(err)
	}
	s, err := d.Sheet()
	if err != nil || len(s.Polylines) != len(row.Plan.Strokes) {
		t.Fatalf("%d lines, %d strokes, %v", len(s.Polylines), len(row.Plan.Strokes), err)
	}
	return row.Plan, s.Polylines
}

// typed are the distances of a pattern as a caliper reads them on the sheet, to a hundredth of a millimetre.
func typed(t *testing.T, pattern calibration.Pattern, p *plan.Plan, lines [][]geom.Point) url.Values {
	t.Helper()
	ends := map[geom.Point][2]geom.Point{} // the measured part of each line, by where it is to end in the plan
	for i, s := range p.Strokes {
		l, n := lines[i], len(s.Points)
		middle := l[0]
		for _, q := range l { // the corner between lead and measured part lies farthest from both ends
			if geom.Distance(q, l[0])+geom.Distance(q, l[len(l)-1]) > geom.Distance(middle, l[0])+geom.Distance(middle, l[len(l)-1]) {
				middle = q
			}
		}
		ends[s.Points[n-1]] = [2]geom.Point{middle, l[len(l)-1]}
	}
	line := func(m calibration.Mark, x, y int64) [2]geom.Point {
		v, ok := ends[m.At.Add(geom.Pt(5_000+x, 5_000+y))]
		if !ok {
			t.Fatalf("mark %s has no line", m.Name)
		}
		return v
	}
	cross := func(m calibration.Mark) (float64, float64) {
		u, l := line(m, 0, 5_000), line(m, 5_000, 0)
		y := float64(l[1].Y)
		return float64(u[0].X) + (y-float64(u[0].Y))*float64(u[1].X-u[0].X)/float64(u[1].Y-u[0].Y), y
	}
	form := url.Values{"uncertain_mm": {"0.03"}}
	for _, d := range pattern.Distances() {
		var um float64
		switch d.Along {
		case calibration.AlongX:
			um = float64(line(d.To, 0, 5_000)[1].X - line(d.From, 0, 5_000)[1].X)
		case calibration.AlongY:
			um = float64(line(d.To, 5_000, 0)[1].Y - line(d.From, 5_000, 0)[1].Y)
		default:
			ax, ay := cross(d.From)
			bx, by := cross(d.To)
			um = math.Hypot(bx-ax, by-ay)
		}
		form.Set(fieldOf(d.Name), strconv.FormatFloat(um/1000, 'f', 2, 64))
	}
	return form
}

// TestCalibrationWhole: a machine whose mechanics are out of true draws the pattern that was queued by the
// form; what a caliper reads on its sheet is typed in; the proposal is accepted; and the next run, planned
// by a member for the profile then in force, comes out true on the same machine, which did not before.
func TestCalibrationWhole(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	operator := w.signedIn(t, w.Operator)
	p := w.Machine.Profile
	p.Driver.MotionScale = 400
	p.SmallestStepUM = 5
	p.Driver.Mechanics = &machine.Mechanics{Geometry: machine.Geometry{ScaleXPPM: 6_000, ScaleYPPM: -4_000, SquarenessURad: 5_000}, BacklashXUM: 200, BacklashYUM: 150}
	if _, err := w.PublishProfile(t.Context(), w.Officer, w.Machine.ID, p); err != nil {
		t.Fatal(err)
	}
	// frame is how far the corners of a frame of 100 × 60 mm lie from where they should, at worst.
	frame := func() (um float64) {
		t.Helper()
		d, err := w.ReceiveDrawing(t.Context(), w.Member, "frame.svg", []byte(`<svg xmlns="http://www.w3.org/2000/svg" width="100mm" height="60mm" viewBox="0 0 100 60"><path d="M0 0H100V60H0z" fill="none" stroke="#000"/></svg>`))
		if err != nil {
			t.Fatal(err)
		}
		row, err := w.MakePlan(t.Context(), w.Member, db.PlanChoice{Drawing: d.ID, Machine: w.Machine.ID, Tool: "beam", Stock: w.Stock.ID, Default: plan.Mark})
		if err != nil {
			t.Fatal(err)
		}
		_, lines := w.burned(t, row.Digest)
		first := geom.Point{}
		for i, corner := range []geom.Point{{}, geom.Pt(100_000, 0), geom.Pt(100_000, 60_000), geom.Pt(0, 60_000)} {
			near, best := math.Inf(1), geom.Point{}
			for _, q := range lines[0] {
				if d := geom.Distance(q, geom.Pt(20_000, 20_000).Add(corner)); d < near {
					near, best = d, q
				}
			}
			if i == 0 { // where it lies is a matter of placing, not of being true
				first = best
			}
			um = max(um, geom.Distance(best.Sub(first), corner))
		}
		return um
	}
	before := frame()
	at := w.submit(t, operator, machinePath(w.Machine.ID)+"/calibrations",
		url.Values{"tool": {"beam"}, "stock": {w.Stock.ID.String()}, "width_mm": {"140"}, "height_mm": {"120"}}, http.StatusSeeOther)
	one, err := w.Calibration(t.Context(), pathEnd(t, at))
	if err != nil {
		t.Fatal(err)
	}
	job, err := w.Job(t.Context(), w.Operator, one.Job)
	if err != nil {
		t.Fatal(err)
	}
	drawn, lines := w.burned(t, job.Plan)
	w.worked(t, one.Run, 1, broker.Report{Kind: broker.ReportCompleted, RealMS: 60_000}, false)
	w.submit(t, operator, at+"/readings", typed(t, one.Pattern, drawn, lines), http.StatusSeeOther)
	w.submit(t, operator, at+"/accept", url.Values{}, http.StatusSeeOther)
	after := frame()
	if one, err = w.Calibration(t.Context(), one.ID); err != nil || one.After == (canon.Digest{}) || one.ID == uuid.Nil {
		t.Fatal(err)
	}
	told := one.Result.Bed(100_000, 60_000).Uncertain
	t.Logf("corners of the frame %.0f µm off before, %.0f µm after; ± %.0f µm were told for a frame of that size", before, after, told)
	if before < 500 || after > told {
		t.Errorf("corners of the frame %.0f µm off before, %.0f µm after; ± %.0f µm were told", before, after, told)
	}
}
