package worker

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"kerfgate/db"
	"kerfgate/db/dbtest"
	"kerfgate/worker/driver"
)

// step is one thing that somebody or something does in a history. N picks among what there is: a
// run, a message on its way, how many.
type step struct {
	do string
	n  int
}

func (s step) String() string { return fmt.Sprintf("%s %d", s.do, s.n) }

// deeds are all steps; often says how often random histories take one. "onward" does what comes next
// in the life of a run, so that histories get somewhere.
var deeds = []struct {
	name  string
	often int
	do    func(w *world, n int)
}{
	{"onward", 150, (*world).onward},
	{"submit", 3, func(w *world, n int) { w.submit(1 + n%3) }},
	{"open", 1, onRun((*world).openChecklist)},
	{"place", 1, onRun((*world).place)},
	{"answer", 1, onRun((*world).answer)},
	{"sign", 2, onRun((*world).sign)},
	{"inspect", 1, func(w *world, n int) { onRun(func(w *world, r *modelRun) { w.inspect(r, n) })(w, n) }},
	{"release", 1, onRun(func(w *world, r *modelRun) {
		_, err := w.store.ReleaseChecklist(w.outer.Context(), w.shop.Operator, r.id)
		if w.expect("release", w.model.mayCheck(r), err) {
			w.model.released(r)
		}
	})},
	{"void", 1, onRun(func(w *world, r *modelRun) {
		text, err := w.store.Void(w.outer.Context(), w.shop.Operator, r.id, "the permit could not be sent")
		if w.expect("void", r.can("voided"), err) {
			w.model.void(r)
			w.send("void", text)
		}
	})},
	{"withdraw", 1, onRun(func(w *world, r *modelRun) {
		_, err := w.store.WithdrawJob(w.outer.Context(), w.shop.Member, r.job.id, 0)
		if w.expect("withdraw", !r.job.withdrawn, err) {
			w.model.withdrawn(r.job)
		}
	})},
	{"resume", 1, onRun(func(w *world, r *modelRun) {
		text, err := w.store.Resume(w.outer.Context(), w.shop.Operator, r.id, sawNothing)
		if w.expect("resume", w.model.mayResume(r), err) {
			w.send("resume", text)
		}
	})},
	{"stop", 1, func(w *world, _ int) { // at the server: logged, and what is not burned is voided
		if w.expect("stop", true, w.store.NoteStop(w.outer.Context(), w.shop.Operator, w.shop.Machine.ID, "station")) {
			w.model.stopPressed()
		}
	}},
	{"press", 1, func(w *world, _ int) { // at the machine: off first, told afterwards (I5)
		w.perform(doHalt{})
		w.post(evStop{})
		if w.on || w.c.stage == running || w.c.stage == paused {
			w.t.Fatalf("stage %d, tool on %v after a stop", w.c.stage, w.on)
		}
	}},
	{"lockout", 1, func(w *world, _ int) {
		_, err := w.store.SetLockout(w.outer.Context(), w.shop.Officer, w.shop.Machine.ID, "looked odd")
		if w.expect("lockout", !w.model.locked, err) {
			w.model.locked = true
			w.model.boundChanged()
			w.tellLockout()
		}
	}},
	{"lift", 3, func(w *world, _ int) {
		if w.expect("lift", w.model.locked, w.store.LiftLockout(w.outer.Context(), w.shop.Officer, w.shop.Machine.ID, "looked at")) {
			w.model.lifted()
			w.tellLockout()
		}
	}},
	{"verdict", 1, (*world).verdict},
	{"profile", 1, func(w *world, n int) {
		p := dbtest.Profile()
		p.CornerToleranceUM += int64(n % 2)
		_, err := w.store.PublishProfile(w.outer.Context(), w.shop.Officer, w.shop.Machine.ID, p)
		if w.expect("profile", true, err) {
			w.model.profilePublished(n % 2)
		}
	}},
	{"unauthorise", 1, func(w *world, _ int) {
		if w.expect("unauthorise", w.model.authorised, w.store.WithdrawAuthorisation(w.outer.Context(), w.shop.Officer, w.auth)) {
			w.model.authorised = false
			w.model.boundChanged()
		}
	}},
	{"authorise", 2, func(w *world, _ int) { w.authorise() }},

	// Deliveries.
	{"deliver", 6, onMessage(func(w *world, i int) {
		m := w.wire[i]
		w.wire = slices.Delete(w.wire, i, i+1)
		w.deliver(m)
	})},
	{"double", 3, onMessage(func(w *world, i int) { w.deliver(w.wire[i]) })},
	{"lose", 2, onMessage(func(w *world, i int) { w.wire = slices.Delete(w.wire, i, i+1) })},
	{"tell", 4, func(w *world, _ int) { w.tellAll() }},
	{"tell late", 3, func(w *world, n int) { // out of order, and the answer is lost
		if queued := w.j.Queued(); len(queued) > 0 {
			w.tell(queued[n%len(queued)].Data)
		}
	}},
	{"tell again", 2, func(w *world, _ int) {
		if w.told != nil {
			w.tell(w.told)
		}
	}},
	{"poll", 3, func(w *world, _ int) { w.poll() }},

	// The machine, and time.
	{"line", 4, func(w *world, _ int) { w.line() }},
	{"disk", 3, func(w *world, _ int) { w.write() }},
	{"settle", 3, func(w *world, _ int) { w.settle() }},
	{"tap", 2, func(w *world, _ int) {
		w.post(evTap{token: historyToken, done: func(r tapResult) {
			if r.taken {
				w.lastTap = w.now.boot
			}
		}})
	}},
	{"lid", 1, func(w *world, _ int) { w.post(evMachine{event: driver.Event{Kind: driver.EventLid}}) }},
	{"alarm", 1, func(w *world, _ int) { w.post(evMachine{event: driver.Event{Kind: driver.EventAlarm}}) }},
	{"suspend", 1, func(w *world, _ int) { w.now.boot += 2 * time.Second; w.post(evTick{}) }},
	{"tick", 4, func(w *world, _ int) { w.advance(6 * time.Second) }},
	{"time", 4, func(w *world, n int) { w.passes([]int{30, 80, 80, 700}[n%4]) }},

	// Faults of processes and of the whole.
	{"kill worker", 1, func(w *world, _ int) { w.restart(false, 0) }},
	{"power cut", 1, func(w *world, n int) { w.restart(true, uint64(n)) }},
	{"kill server", 1, func(w *world, _ int) { // what it was asked is lost with it, what it answered is not
		w.wire = slices.DeleteFunc(w.wire, func(m message) bool { return m.kind == "taken" })
		w.shop.Pool.Reset()
		store, err := db.New(w.shop.Config)
		if err != nil {
			w.t.Fatal(err)
		}
		w.store = store
	}},
	{"lose broker", 1, func(w *world, _ int) { w.wire = nil }},
	{"backup", 2, func(w *world, _ int) { w.keepBackup() }},
	{"restore", 3, func(w *world, _ int) { w.restore() }},
	{"accept", 2, func(w *world, _ int) { w.accept() }},
	{"write off", 1, func(w *world, _ int) {
		if w.expect("write off", w.model.closed, w.store.WriteOffJournal(w.outer.Context(), db.System, w.shop.Machine.ID, "the card is lost")) {
			w.model.writtenOff()
		}
	}},
}

func onRun(do func(w *world, r *modelRun)) func(w *world, n int) {
	return func(w *world, n int) {
		if r := w.run(n); r != nil {
			w.say("run %d, %s", w.model.place(r.id), r.phase)
			do(w, r)
		}
	}
}

func onMessage(do func(w *world, i int)) func(w *world, n int) {
	return func(w *world, n int) {
		if len(w.wire) > 0 {
			do(w, n%len(w.wire))
		}
	}
}

func (w *world) authorise() {
	if w.model.authorised {
		return
	}
	a, err := w.store.Authorise(w.outer.Context(), w.shop.Officer, db.NewAuthorisation{Person: w.shop.Operator.Person, Machine: w.shop.Machine.ID,
		Until: time.Now().Add(24 * time.Hour), Evidence: "supervised run"})
	if w.expect("authorise", true, err) {
		w.auth, w.model.authorised = a.ID, true
	}
}

// onward does the one thing that comes next in the life of a run.
func (w *world) onward(n int) {
	r := w.run(n)
	if r == nil {
		w.submit(1 + n%2)
		return
	}
	w.say("run %d, %s", w.model.place(r.id), r.phase)
	w.settle()
	switch {
	case len(w.j.Queued()) > 0 && n%3 > 0:
		w.tellAll()
	case len(w.wire) > 0 && r.active():
		m := w.wire[0]
		w.wire = w.wire[1:]
		w.deliver(m)
	default:
		w.next(r, n)
	}
	w.settle()
}

func (w *world) next(r *modelRun, n int) {
	switch r.phase {
	case "proposed", "checking":
		switch {
		case !w.c.heard || !r.ready:
			w.poll()
		case r.phase == "proposed":
			w.openChecklist(r)
			if first := w.model.before(r); first != nil {
				w.openChecklist(first)
			}
		case !r.placed:
			w.place(r)
		case !r.answered:
			w.answer(r)
		default:
			w.sign(r)
		}
	case "permitted":
		w.passes(80)
	case "starting", "running":
		if w.stream != nil {
			w.line()
		} else {
			w.advance(6 * time.Second)
		}
	case "paused":
		if text, err := w.store.Resume(w.outer.Context(), w.shop.Operator, r.id, sawNothing); w.expect("resume", w.model.mayResume(r), err) {
			w.send("resume", text)
		}
	case "purging":
		w.advance(6 * time.Second)
	case "inspecting":
		w.inspect(r, n)
	}
}

// finish brings everything to an end without further faults: whatever happened before, a run that is
// active comes to its inspection and is closed, and every report is told.
func (w *world) finish() {
	w.trace = append(w.trace, "and in the end")
	w.wire = nil
	w.authorise()
	if w.model.closed || w.c.epoch != w.epoch && w.c.hasEpoch {
		w.accept()
	}
	if w.model.locked {
		if w.expect("lift", true, w.store.LiftLockout(w.outer.Context(), w.shop.Officer, w.shop.Machine.ID, "looked at")) {
			w.model.lifted()
		}
	}
	w.poll()
	w.tellAll()
	for _, j := range w.model.jobs {
		if !j.withdrawn {
			if _, err := w.store.WithdrawJob(w.outer.Context(), w.shop.Member, j.id, 0); w.expect("withdraw", true, err) {
				w.model.withdrawn(j)
			}
		}
	}
	for range 60 {
		r := w.model.activeRun()
		if r == nil {
			break
		}
		w.onward(1) // the active one, whose sheet is scrapped
		w.holds()
	}
	w.tellAll()
	if r := w.model.activeRun(); r != nil {
		w.t.Fatalf("run %d stays %s for ever", w.model.place(r.id), r.phase)
	}
	if left := w.j.Queued(); len(left) > 0 {
		w.t.Fatalf("%d reports are never told, the first is %d; applied are %d", len(left), left[0].Number, w.applied)
	}
	if w.model.closed {
		w.t.Fatalf("the site stays closed")
	}
	if _, err := w.store.CheckLog(w.outer.Context()); err != nil {
		w.t.Fatalf("the logbook: %v", err)
	}
}

// live takes the site through a history and shows it if it ends badly.
func (w *world) live(t rapid.TB, steps []step) {
	whole := false
	defer func() {
		if !whole {
			t.Logf("the history as a script:\n%s\nwhat came of each step:\n\t%s", script(steps), strings.Join(w.trace, "\n\t"))
		}
	}()
	w.again(t)
	for _, s := range steps {
		w.trace = append(w.trace, s.String())
		deedOf(t, s.do)(w, s.n)
		w.holds()
	}
	w.finish()
	whole = true
}

func deedOf(t rapid.TB, name string) func(w *world, n int) {
	for _, d := range deeds {
		if d.name == name {
			return d.do
		}
	}
	t.Fatalf("there is no step %q", name)
	return nil
}

// script is how a history stands in the table of known ones: a step and its number a line.
func script(steps []step) string {
	var text strings.Builder
	for _, s := range steps {
		fmt.Fprintf(&text, "\t%s\n", s)
	}
	return text.String()
}

func parseScript(t *testing.T, text string) (steps []step) {
	t.Helper()
	for line := range strings.Lines(text) {
		line = strings.TrimSpace(line)
		if line == "" {
			continue
		}
		cut := strings.LastIndexByte(line, ' ')
		n, err := strconv.Atoi(line[cut+1:])
		if err != nil {
			t.Fatalf("%q is no step: %v", line, err)
		}
		steps = append(steps, step{do: line[:cut], n: n})
	}
	return steps
}
