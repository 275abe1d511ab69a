package db_test

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"kerfgate/checklist"
	"kerfgate/db"
	"kerfgate/plan"
	"kerfgate/plan/calibration"
	"kerfgate/plan/machine"
	"kerfgate/queue"
	"kerfgate/queue/broker"
)

// worked lets a run pass the gate, run to the end that is told, and be inspected.
func (w *worker) worked(t *testing.T, run uuid.UUID, end broker.Report, in db.Inspection) {
	t.Helper()
	if !w.taken(t, w.signed(t, run)).Granted {
		t.Fatal("go was refused")
	}
	w.says(t, broker.Report{Kind: broker.ReportMoved, Run: run})
	end.Run = run
	w.says(t, end)
	w.says(t, broker.Report{Kind: broker.ReportPurged, Run: run})
	if _, err := w.Inspect(t.Context(), w.Operator, run, in); err != nil {
		t.Fatal(err)
	}
}

var kept = db.Inspection{Fate: db.SheetKept, SupplyOff: true}

// read are the distances of a machine with the given errors, as the model of the pattern has them.
func read(p calibration.Pattern, g machine.Geometry) []calibration.Reading {
	var out []calibration.Reading
	for _, d := range p.Distances() {
		way := d.To.At.Sub(d.From.At)
		x, y := g.Reached(float64(way.X), float64(way.Y))
		um := math.Hypot(x, y)
		switch d.Along {
		case calibration.AlongX:
			um = x
		case calibration.AlongY:
			um = y
		}
		out = append(out, calibration.Reading{Distance: d.Name, UM: []int64{int64(math.Round(um))}})
	}
	return out
}

func (w *worker) startsCalibration(t *testing.T) db.Calibration {
	t.Helper()
	c, err := w.StartCalibration(t.Context(), w.Operator, db.NewCalibration{Machine: w.Machine.ID, Tool: "beam", Stock: w.Stock.ID, WidthUM: 121_000, HeightUM: 100_000})
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// A calibration from the pattern to the profile: its run passes the gate, is measured, and its proposal,
// once accepted, is the profile in force, voids what was open, and is what the machine is judged by.
func TestCalibrationLife(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	ctx := t.Context()
	c := w.startsCalibration(t)
	if c.Pattern.WidthUM != 120_000 || c.RunPhase != queue.Proposed {
		t.Fatalf("%+v", c)
	}
	job, err := w.Job(ctx, w.Operator, c.Job)
	if err != nil {
		t.Fatal(err)
	}
	row, err := w.Plan(ctx, w.Operator, job.Plan)
	if err != nil || !row.Plan.Uncorrected || row.Plan.Strokes[0].Operation != plan.Mark {
		t.Fatalf("the pattern's plan: %v", err)
	}
	own := machine.Geometry{ScaleXPPM: 4_000, ScaleYPPM: -2_000, SquarenessURad: 3_000}
	if _, err := w.MeasureCalibration(ctx, w.Operator, c.ID, c.Rev, read(c.Pattern, own), 60); err == nil {
		t.Error("measured before it was drawn")
	}
	w.worked(t, c.Run, broker.Report{Kind: broker.ReportCompleted, RealMS: 3 * 3_600_000}, kept)
	if _, err := w.MeasureCalibration(ctx, w.Member, c.ID, 0, read(c.Pattern, own), 60); !errors.Is(err, db.ErrNotAllowed) {
		t.Errorf("a member measured: %v", err)
	}
	few := read(c.Pattern, own)[:6]
	var refused *db.Refused
	if _, err := w.MeasureCalibration(ctx, w.Operator, c.ID, 0, few, 60); !errors.As(err, &refused) {
		t.Errorf("six distances: %v", err)
	}
	// A misread distance is named, and cannot be accepted.
	wrong := read(c.Pattern, own)
	wrong[0].UM[0] += 500
	c, err = w.MeasureCalibration(ctx, w.Operator, c.ID, 0, wrong, 60)
	if err != nil || c.Result.Outlier == "" {
		t.Fatalf("outlier %q, %v", c.Result.Outlier, err)
	}
	if _, err := w.AcceptCalibration(ctx, w.Operator, c.ID, c.Rev); !errors.As(err, &refused) || !strings.Contains(err.Error(), c.Result.Outlier) {
		t.Errorf("accepted with an outlier: %v", err)
	}
	old := c.Rev
	if c, err = w.MeasureCalibration(ctx, w.Operator, c.ID, c.Rev, read(c.Pattern, own), 60); err != nil {
		t.Fatal(err)
	}
	if c.Result.Outlier != "" || len(c.Proposal.Changes) != 3 || c.Proposal.Bed.Value < 1_000 || c.Proposal.Bed.Uncertain <= 0 {
		t.Errorf("measured %+v, proposed %+v", c.Result, c.Proposal)
	}
	if _, err := w.AcceptCalibration(ctx, w.Operator, c.ID, old); !errors.Is(err, db.ErrConflict) {
		t.Errorf("accepted what somebody measured anew: %v", err)
	}
	// An open sign-off is voided (I10).
	open := w.Submit(t, 1).Runs[0].ID
	p := w.signed(t, open)
	if c, err = w.AcceptCalibration(ctx, w.Operator, c.ID, c.Rev); err != nil {
		t.Fatal(err)
	}
	if answer := w.taken(t, p); answer.Granted {
		t.Error("a permit outlived the profile it was signed for")
	}
	m, err := w.Store.Machine(ctx, w.Machine.ID)
	if err != nil {
		t.Fatal(err)
	}
	if g := m.Profile.Geometry; g == nil || abs(g.ScaleXPPM-4_000) > 10 || abs(g.ScaleYPPM+2_000) > 10 || abs(g.SquarenessURad-3_000) > 10 {
		t.Errorf("profile in force %+v", m.Profile.Geometry)
	}
	if c.Decision != db.CalibrationAccepted || c.After != m.ProfileDigest || c.Profile == c.After {
		t.Errorf("accepted %+v", c)
	}
	if _, err := w.RefuseCalibration(ctx, w.Operator, c.ID, 0, "too late"); !errors.As(err, &refused) {
		t.Errorf("refused after it was accepted: %v", err)
	}
	list, err := w.Calibrations(ctx, w.Machine.ID, 5)
	if err != nil || len(list) != 1 || list[0].Result.ScaleX.Uncertain <= 0 {
		t.Errorf("history %+v, %v", list, err)
	}
	st, err := w.CalibrationStandings(ctx, w.Machine.ID)
	if err != nil || st[w.Machine.ID].State != checklist.Calibrated || st[w.Machine.ID].RanMS != 0 {
		t.Errorf("standing %+v, %v", st, err)
	}
	if ms, err := w.MachineHours(ctx, w.Machine.ID); err != nil || ms != 3*3_600_000 {
		t.Errorf("%d ms of machine hours, %v", ms, err)
	}
	if _, err := w.CheckLog(ctx); err != nil {
		t.Error(err)
	}
}

func abs(v int64) int64 { return max(v, -v) }

// A pattern drawn under a profile that is no longer in force tells nothing, and can only be refused.
func TestCalibrationOfAnotherProfile(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	ctx := t.Context()
	c := w.startsCalibration(t)
	w.worked(t, c.Run, broker.Report{Kind: broker.ReportCompleted}, kept)
	p := w.Machine.Profile
	p.CornerToleranceUM++
	if _, err := w.PublishProfile(ctx, w.Officer, w.Machine.ID, p); err != nil {
		t.Fatal(err)
	}
	var refused *db.Refused
	if _, err := w.MeasureCalibration(ctx, w.Operator, c.ID, 0, read(c.Pattern, machine.Geometry{}), 60); !errors.As(err, &refused) {
		t.Errorf("measured: %v", err)
	}
	if _, err := w.RefuseCalibration(ctx, w.Operator, c.ID, 0, " "); !errors.As(err, &refused) {
		t.Errorf("refused without a reason: %v", err)
	}
	c, err := w.RefuseCalibration(ctx, w.Operator, c.ID, 0, "the corner tolerance was changed meanwhile")
	if err != nil || c.Decision != db.CalibrationRefused || c.Reason == "" {
		t.Errorf("%+v, %v", c, err)
	}
	if _, err := w.CheckLog(ctx); err != nil {
		t.Error(err)
	}
}

// Overdue by date and by hours is told, badly overdue locks out; who lifts that has a day.
func TestCalibrationOverdue(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	ctx := t.Context()
	state := func() db.CalibrationStanding {
		t.Helper()
		all, err := w.CalibrationStandings(ctx, uuid.Nil)
		if err != nil {
			t.Fatal(err)
		}
		return all[w.Machine.ID]
	}
	sweep := func(want int) {
		t.Helper()
		if n, err := w.LockUncalibrated(ctx); err != nil || n != want {
			t.Errorf("locked out %d machines, want %d (%v)", n, want, err)
		}
	}
	if s := state(); s.State != checklist.NeverCalibrated {
		t.Errorf("a new machine is %s", s.State)
	}
	sweep(0)
	c := w.startsCalibration(t)
	w.worked(t, c.Run, broker.Report{Kind: broker.ReportCompleted}, kept)
	c, err := w.MeasureCalibration(ctx, w.Operator, c.ID, 0, read(c.Pattern, machine.Geometry{}), 60)
	if err != nil || len(c.Proposal.Changes) != 0 {
		t.Fatalf("a true machine is to be changed: %+v, %v", c.Proposal, err)
	}
	if c, err = w.AcceptCalibration(ctx, w.Operator, c.ID, 0); err != nil || c.After != c.Profile {
		t.Fatalf("confirmed as %+v, %v", c, err)
	}
	ago := func(days string) {
		t.Helper()
		if _, err := w.Pool.Exec(ctx, `UPDATE calibration SET measured_at = now() - $1::interval`, days+" days"); err != nil {
			t.Fatal(err)
		}
	}
	ago("181")
	if s := state(); s.State != checklist.Overdue {
		t.Errorf("after 181 days: %s", s.State)
	}
	sweep(0)
	if err := w.SetCalibrationRule(ctx, w.Officer, w.Machine.ID, checklist.CalibrationRule{Days: -1}); err == nil {
		t.Error("a rule of −1 days")
	}
	if err := w.SetCalibrationRule(ctx, w.Officer, w.Machine.ID, checklist.CalibrationRule{Hours: 2}); err != nil {
		t.Fatal(err)
	}
	if s := state(); s.State != checklist.Calibrated {
		t.Errorf("by hours alone: %s", s.State)
	}
	w.worked(t, w.Submit(t, 1).Runs[0].ID, broker.Report{Kind: broker.ReportCompleted, RealMS: 2 * 3_600_000}, kept)
	if s := state(); s.State != checklist.Overdue || s.RanMS != 2*3_600_000 {
		t.Errorf("after two hours: %+v", s)
	}
	w.worked(t, w.Submit(t, 1).Runs[0].ID, broker.Report{Kind: broker.ReportCompleted, RealMS: 3_600_000}, kept)
	sweep(1)
	sweep(0)
	m, err := w.Store.Machine(ctx, w.Machine.ID)
	if err != nil || m.Lockout == nil || !strings.Contains(m.Lockout.Reason, "calibration badly overdue") {
		t.Fatalf("lockout %+v, %v", m.Lockout, err)
	}
	if err := w.LiftLockout(ctx, w.Officer, w.Machine.ID, "to calibrate it now"); err != nil {
		t.Fatal(err)
	}
	sweep(0)
	if _, err := w.Pool.Exec(ctx, `UPDATE lockout SET lifted_at = lifted_at - $1::interval`, 25*time.Hour); err != nil {
		t.Fatal(err)
	}
	sweep(1)
	if _, err := w.CheckLog(ctx); err != nil {
		t.Error(err)
	}
}
