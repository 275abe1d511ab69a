package db_test

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"github.com/google/uuid"

	"kerfgate/db"
	"kerfgate/db/dbtest"
	"kerfgate/db/logbook"
	"kerfgate/plan/machine"
	"kerfgate/queue"
)

// measured are answers with which a beam may run, as they are typed.
var measured = map[string]string{
	machine.AskCablePulled: "200 310 250", machine.AskWorkerKilled: "240 260 250", machine.AskHostSuspended: "300 300 300", machine.AskMeans: machine.MeansTimer,
	machine.AskSwitch: "level", machine.AskSensor: "no", machine.AskOn: "12 18 15 15 15", machine.AskOff: "4 5 3 4 4", machine.AskAnswered: "3 4 3 3 5", machine.AskStop: "60 90 70 60 60",
	machine.AskRepeatX: "1000 1030 990 1000 1000", machine.AskRepeatY: "0 10 0 0 0", machine.AskPressure: "121", machine.AskFlow: "155",
}

func (w *worker) commissioning(t *testing.T) db.Commissioning {
	t.Helper()
	c, err := w.BeginCommissioning(t.Context(), w.Officer, w.Machine.ID, "beam")
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// tell answers the questions that are left, those without an answer as unmeasured.
func (w *worker) tell(t *testing.T, c db.Commissioning, answers map[string]string) db.Commissioning {
	t.Helper()
	for q, open := c.Next(); open; q, open = c.Next() {
		a := db.CommissioningAnswer{Question: q.Key, MeasuredBy: w.Operator.Person}
		if text, ok := answers[q.Key]; ok {
			var err error
			a.Measured, a.Way, a.Instrument = true, q.By[0], "the workshop's own"
			if a.Numbers, a.Words, err = q.Read(text); err != nil {
				t.Fatalf("%s: %v", q.Key, err)
			}
		}
		var err error
		if c, err = w.AnswerCommissioning(t.Context(), w.Officer, c.ID, a); err != nil {
			t.Fatalf("%s: %v", q.Key, err)
		}
	}
	return c
}

func without(keys ...string) map[string]string {
	some := map[string]string{}
	for k, v := range measured {
		if !slices.Contains(keys, k) {
			some[k] = v
		}
	}
	return some
}

// TestCommissioning: answers stay from one visit to the next, the last one of a question counts, and what was
// measured becomes the profile in force in one step with its entries; an open sign-off does not outlive it.
func TestCommissioning(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	run := w.Submit(t, 1).Runs[0]
	w.signed(t, run.ID)
	c := w.commissioning(t)
	q, _ := c.Next()
	if q.Key != machine.AskCablePulled || c.BegunBy != "Officer of the garden" {
		t.Fatalf("begins with %s by %s", q.Key, c.BegunBy)
	}
	first := db.CommissioningAnswer{Question: q.Key, Measured: true, Numbers: []int64{900, 900, 900}, Way: q.By[1], MeasuredBy: w.Operator.Person}
	c, err := w.AnswerCommissioning(t.Context(), w.Officer, c.ID, first)
	if err != nil {
		t.Fatal(err)
	}
	if again, err := w.Commissioning(t.Context(), c.ID); err != nil || !slices.Equal(again.Answers[q.Key].Numbers, []int64{900, 900, 900}) ||
		again.Answers[q.Key].MeasuredByName != "Operator of the garden" || again.Answers[q.Key].ToldByName != "Officer of the garden" {
		t.Fatalf("taken up again as %+v, %v", again, err)
	}
	first.Numbers = []int64{200, 310, 250}
	if c, err = w.AnswerCommissioning(t.Context(), w.Officer, c.ID, first); err != nil {
		t.Fatal(err)
	}
	refusedFor(t, "publish with questions open", errOf(w.PublishCommissioning(t.Context(), w.Officer, c.ID)), "a question is open")
	c = w.tell(t, c, measured)
	now, next, no, err := w.Proposal(t.Context(), c)
	if err != nil || len(no) > 0 || now.CutOff.CablePulledMS != 200 || next.CutOff.CablePulledMS != 310 {
		t.Fatalf("proposed %+v after %+v, %v, %v", next.CutOff, now.CutOff, no, err)
	}
	if c, err = w.PublishCommissioning(t.Context(), w.Officer, c.ID); err != nil || c.Result == nil || c.EndedBy != "Officer of the garden" {
		t.Fatalf("published %+v, %v", c, err)
	}
	m, err := w.Store.Machine(t.Context(), w.Machine.ID)
	if err != nil || m.ProfileDigest != *c.Result || m.Profile.CutOff.StopMS != 90 || m.Profile.Tools[0].Switch.JitterMS != 6 || m.Profile.Air.CommissionedPa != 121 {
		t.Errorf("in force: %+v, %v", m.Profile, err)
	}
	if r := w.phase(t, run.ID, queue.Checking); r.Ready {
		t.Error("the run whose permit was voided is still ready")
	}
	for kind, want := range map[logbook.Kind]int{logbook.CommissioningBegun: 1, logbook.CommissioningAnswered: len(c.Questions) + 1,
		logbook.CommissioningPublished: 1, logbook.ProfileChanged: 1} {
		if n := w.entries(t, string(kind)); n != want {
			t.Errorf("%d entries of %s, want %d", n, kind, want)
		}
	}
	refusedFor(t, "an answer after the end", errOf(w.AnswerCommissioning(t.Context(), w.Officer, c.ID, first)), "has ended")
}

// TestI15_CommissioningKeepsTheBeamOff: what is over a second, untested or hangs at a second process leaves the
// gate shut, with the cure named.
func TestI15_CommissioningKeepsTheBeamOff(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct{ key, text, what, next string }{
		"slow":           {machine.AskWorkerKilled, "900 1400 900", "1400 ms", "spring return"},
		"slow stop":      {machine.AskStop, "90 90 90 90 1300", "1300 ms", "spring return"},
		"untested":       {machine.AskHostSuspended, "", "untested", "commissions it"},
		"second process": {machine.AskMeans, machine.MeansProcess, "second process", "hardware"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := newWorker(t)
			run := w.Submit(t, 1).Runs[0]
			answers := without(c.key)
			if c.text != "" {
				answers[c.key] = c.text
			}
			if _, err := w.PublishCommissioning(t.Context(), w.Officer, w.tell(t, w.commissioning(t), answers).ID); err != nil {
				t.Fatal(err)
			}
			g, err := w.Gate(t.Context(), w.Operator, run.ID)
			if err != nil {
				t.Fatal(err)
			}
			for _, r := range g.Reasons {
				if strings.Contains(r.What, c.what) {
					if !strings.Contains(r.Next, c.next) && !strings.Contains(r.Next, "timer in hardware") {
						t.Errorf("says what to do: %q", r.Next)
					}
					return
				}
			}
			t.Errorf("the gate says %+v", g.Reasons)
		})
	}
}

// TestCommissioningRefusals: who may, what is no answer, and what was measured of another profile.
func TestCommissioningRefusals(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	for _, actor := range []db.Actor{w.Member, w.Operator, w.Admin} {
		if _, err := w.BeginCommissioning(t.Context(), actor, w.Machine.ID, "beam"); !errors.Is(err, db.ErrNotAllowed) {
			t.Errorf("%s begins: %v", actor.Role, err)
		}
	}
	refusedFor(t, "no such tool", errOf(w.BeginCommissioning(t.Context(), w.Officer, w.Machine.ID, "spoon")), "no tool")
	if _, err := w.BeginCommissioning(t.Context(), w.Officer, uuid.Must(uuid.NewV7()), "beam"); !errors.Is(err, db.ErrNotFound) {
		t.Errorf("no such machine: %v", err)
	}
	c := w.commissioning(t)
	refusedFor(t, "a second one", errOf(w.BeginCommissioning(t.Context(), w.Officer, w.Machine.ID, "beam")), "is open")
	good := db.CommissioningAnswer{Question: machine.AskCablePulled, Measured: true, Numbers: []int64{1, 2, 3}, Way: "film", MeasuredBy: w.Operator.Person}
	for what, spoil := range map[string]func(a *db.CommissioningAnswer){
		"no such question":    func(a *db.CommissioningAnswer) { a.Question = "colour" },
		"how it was measured": func(a *db.CommissioningAnswer) { a.Way = " " },
		"too long":            func(a *db.CommissioningAnswer) { a.Instrument = strings.Repeat("x", 201) },
		"no open account":     func(a *db.CommissioningAnswer) { a.MeasuredBy = uuid.Must(uuid.NewV7()) },
		"2 tries are given":   func(a *db.CommissioningAnswer) { a.Numbers = a.Numbers[:2] },
		"outside":             func(a *db.CommissioningAnswer) { a.Numbers = []int64{1, -2, 3} },
		"is said to be":       func(a *db.CommissioningAnswer) { a.Measured = false },
	} {
		a := good
		spoil(&a)
		refusedFor(t, what, errOf(w.AnswerCommissioning(t.Context(), w.Officer, c.ID, a)), what)
	}
	c = w.tell(t, c, nil)
	refusedFor(t, "nothing measured", errOf(w.PublishCommissioning(t.Context(), w.Officer, c.ID)), "nothing was measured")
	if err := w.AbandonCommissioning(t.Context(), w.Officer, c.ID); err != nil {
		t.Fatal(err)
	}

	c = w.tell(t, w.commissioning(t), measured)
	p := dbtest.Profile()
	p.BacklashXUM = 30 // nothing that a commissioning measures
	if _, err := w.PublishProfile(t.Context(), w.Admin, w.Machine.ID, p); err != nil {
		t.Fatal(err)
	}
	if _, _, no, err := w.Proposal(t.Context(), c); err != nil || len(no) > 0 {
		t.Errorf("after a change elsewhere: %v, %v", no, err)
	}
	p.Tools = slices.Clone(p.Tools)
	p.Tools[0].Switch.Kind = machine.SwitchHold
	if _, err := w.PublishProfile(t.Context(), w.Admin, w.Machine.ID, p); err != nil {
		t.Fatal(err)
	}
	refusedFor(t, "another switch", errOf(w.PublishCommissioning(t.Context(), w.Officer, c.ID)), "has changed since")
	if all, err := w.Commissionings(t.Context(), w.Machine.ID, 10); err != nil || len(all) != 2 || all[1].Result != nil || all[1].EndedAt == nil || len(all[0].Answers) != len(measured) {
		t.Errorf("listed %+v, %v", all, err)
	}
}

func errOf(_ db.Commissioning, err error) error { return err }

func refusedFor(t *testing.T, name string, err error, what string) {
	t.Helper()
	var no *db.Refused
	if !errors.As(err, &no) || !strings.Contains(no.Reasons[0].What, what) || no.Reasons[0].Next == "" {
		t.Errorf("%s: %v, want it refused for %q", name, err, what)
	}
}
