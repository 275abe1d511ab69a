package worker

import (
	"crypto/sha256"
	"slices"
	"time"

	"github.com/google/uuid"

	"kerfgate/checklist"
	"kerfgate/db"
	"kerfgate/db/dbtest"
	"kerfgate/plan"
	"kerfgate/plan/geom"
	"kerfgate/plan/material"
	"kerfgate/queue/broker"
)

func (w *world) submit(copies int) {
	ctx := w.outer.Context()
	row, ok := w.planned[w.model.profile]
	if !ok {
		row = w.makePlan()
		w.planned[w.model.profile] = row
	}
	job, err := w.store.SubmitJob(ctx, w.shop.Member, db.NewJob{Title: "plant label", Plan: row.Digest, Copies: int64(copies)})
	if !w.expect("submit", w.model.maySubmit(copies), err) {
		return
	}
	ids := []uuid.UUID{}
	for _, r := range job.Runs {
		ids = append(ids, r.ID)
	}
	w.model.submitted(job.ID, ids)
}

func (w *world) makePlan() db.PlanRow {
	ctx := w.outer.Context()
	d, err := w.store.ReceiveDrawing(ctx, w.shop.Member, "square.svg", []byte(dbtest.Square))
	if err != nil {
		w.outer.Fatal(err)
	}
	row, err := w.store.MakePlan(ctx, w.shop.Member, db.PlanChoice{Drawing: d.ID, Machine: w.shop.Machine.ID, Tool: "beam", Stock: w.shop.Stock.ID, Default: plan.Cut})
	if err != nil {
		w.outer.Fatal(err)
	}
	w.plans[row.Digest] = row.Plan
	return row
}

func (w *world) openChecklist(r *modelRun) {
	_, err := w.store.OpenChecklist(w.outer.Context(), w.shop.Operator, r.id)
	if w.expect("open", w.model.mayOpen(r), err) {
		w.model.opened(r)
	}
}

func (w *world) place(r *modelRun) {
	_, err := w.store.Place(w.outer.Context(), w.shop.Operator, r.id, db.Placement{Origin: geom.Pt(20_000, 20_000), Homed: true})
	if w.expect("place", w.model.mayCheck(r), err) {
		r.placed, r.openFor = true, 0
		r.answered = false // the supply is asked for again
	}
}

// sawNothing is what the operator says before a paused run goes on.
var sawNothing = checklist.LookedAgain{NoGlow: true, Unmoved: true, EyewearOn: true}

func (w *world) answer(r *modelRun) {
	for _, a := range w.answers() {
		// After a lockout somebody else looks on; where nobody is asked for, nobody is.
		if g, err := w.store.Gate(w.outer.Context(), w.shop.Operator, r.id); a.Item == checklist.ItemSupply && err == nil {
			if _, asked := g.Checklist.Item(checklist.ItemSecond); asked {
				if _, err := w.store.Second(w.outer.Context(), w.shop.Operator, r.id, w.shop.Member.Person); !w.expect("second person", w.model.mayCheck(r), err) {
					return
				}
				r.second = true
			}
		}
		if _, err := w.store.Answer(w.outer.Context(), w.shop.Operator, r.id, a.Item, a.Values); !w.expect("answer", w.model.mayCheck(r), err) {
			return
		}
	}
	r.answered, r.openFor = true, 0
}

// answers are those with which every bar is up: a material that is taken with care asks one more, before
// the supply.
func (w *world) answers() []dbtest.Answer {
	list := dbtest.GoodAnswers(time.Now())
	if m, err := w.store.Material(w.outer.Context(), w.shop.Material.ID); err != nil {
		w.t.Fatal(err)
	} else if m.Verdict != material.WithCare { // a restore may have brought an older verdict back
		return list
	}
	last := len(list) - 1
	return slices.Insert(list, last, dbtest.Answer{Item: checklist.ItemCare, Values: checklist.Values{"drawn": "yes"}})
}

// sign is Sign and start: the challenge first, outside any transaction.
func (w *world) sign(r *modelRun) {
	delete(w.challenges, r.id)
	ask := w.random()
	w.post(evChallenge{ask: broker.ChallengeAsk{Ask: [16]byte(ask[16:]), Run: r.id, Purpose: broker.PurposeStart}})
	challenge, ok := w.challenges[r.id]
	if !ok {
		w.say("the worker gives no challenge")
		return
	}
	p, err := w.store.SignOff(w.outer.Context(), w.shop.Operator, r.id, challenge, sha256.Sum256(historyToken))
	if w.expect("sign", w.model.maySign(r), err) {
		w.model.signed(r, p.Digest)
		w.send("permit", p.Note)
	}
}

func (w *world) inspect(r *modelRun, n int) {
	fate, flame := []db.SheetFate{db.SheetKept, db.SheetScrapped, db.SheetRepeat}[n%3], n >= 9
	may := w.model.mayInspect(r, string(fate))
	_, err := w.store.Inspect(w.outer.Context(), w.shop.Operator, r.id, db.Inspection{Fate: fate, FlameOrGlow: flame, SupplyOff: true})
	if !w.expect("inspect", may, err) {
		return
	}
	var repeat uuid.UUID
	if fate == db.SheetRepeat {
		repeat = w.newRunOf(r.job.id, r.id)
	}
	w.model.inspected(r, string(fate), flame, repeat)
	if flame {
		w.tellLockout()
	}
}

func (w *world) tellLockout() {
	text, err := w.store.LockoutNote(w.outer.Context(), w.shop.Machine.ID)
	if err != nil {
		w.t.Fatal(err)
	}
	w.send("lockout", text)
}

func (w *world) setVerdict(v material.Verdict) error {
	ctx := w.outer.Context()
	m, err := w.store.Material(ctx, w.shop.Material.ID)
	if err != nil {
		return err
	}
	m.Verdict = v
	_, err = w.store.ChangeMaterial(ctx, w.shop.Officer, m.ID, 0, m.Material, "tried on another sheet")
	return err
}

func (w *world) verdict(n int) {
	v := []material.Verdict{material.Allowed, material.WithCare}[n%2]
	if w.expect("verdict", true, w.setVerdict(v)) {
		w.model.boundChanged()
	}
}

// passes lets time go by for everybody: for the worker on its clock, for the database by making
// what it holds older.
func (w *world) passes(seconds int) {
	ctx := w.outer.Context()
	w.advance(time.Duration(seconds) * time.Second)
	for _, sql := range []string{`UPDATE run SET opened_at = opened_at - $1::interval WHERE phase = 'checking'`,
		`UPDATE permit SET issued_at = issued_at - $1::interval WHERE ended = ''`} {
		if _, err := w.shop.Pool.Exec(ctx, sql, time.Duration(seconds)*time.Second); err != nil {
			w.t.Fatal(err)
		}
	}
	for _, sweep := range []func() (int, error){
		func() (int, error) { return w.store.ExpireChecklists(ctx) },
		func() (int, error) { return w.store.ExpirePermits(ctx) },
		func() (int, error) { return w.store.KeepHead(ctx) },
	} {
		if _, err := sweep(); err != nil {
			w.t.Fatalf("sweep: %v", err)
		}
	}
	w.model.passes(seconds)
}
