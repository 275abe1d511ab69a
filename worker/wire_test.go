package worker

import (
	"github.com/google/uuid"
	"golang.org/x/mod/sumdb/note"

	"kerfgate/checklist/permit"
	"kerfgate/plan/canon"
	"kerfgate/queue/broker"
)

func (w *world) send(kind string, text []byte) {
	w.wire = append(w.wire, message{kind: kind, note: text})
}

func (w *world) deliver(m message) {
	w.say("%s arrives", m.kind)
	switch m.kind {
	case "taken":
		text, err := w.store.Take(w.outer.Context(), w.shop.Machine.ID, m.taken)
		if err != nil {
			w.t.Fatalf("take: %v", err)
		}
		g := heard(w, text, permit.OpenGo)
		if want := w.model.take(m.taken.Run, m.taken.Permit); g.Granted != want {
			w.t.Fatalf("go granted %v (%s), the model says %v", g.Granted, g.Reason, want)
		}
		if g.Granted {
			w.granted[m.taken.Permit] = w.lives
		}
		w.send("go", text)
	case "permit":
		w.post(evPermit{statement: heard(w, m.note, permit.OpenPermit), digest: permit.Digest(m.note)})
	case "go":
		w.post(evGo{statement: heard(w, m.note, permit.OpenGo)})
	case "void":
		v := heard(w, m.note, permit.OpenVoid)
		w.voidHeard[v.Permit] = true
		w.post(evVoid{statement: v})
	case "resume":
		w.post(evResume{statement: heard(w, m.note, permit.OpenResume)})
	case "applied":
		w.post(evApplied{statement: heard(w, m.note, permit.OpenApplied)})
	case "lockout":
		l := heard(w, m.note, permit.OpenLockout)
		if l.LogIndex > w.lockIndex {
			w.lockIndex, w.lockHeard = l.LogIndex, l.Locked
		}
		w.post(evLockout{statement: l, note: m.note})
	}
}

func heard[T any](w *world, text []byte, open func([]byte, note.Verifiers) (T, error)) T {
	statement, err := open(text, w.shop.PermitVerify)
	if err != nil {
		w.t.Fatalf("the server's own statement does not open: %v\n%s", err, text)
	}
	return statement
}

// tell applies one report of the journal, as JetStream brings it, and gives the server's answer.
func (w *world) tell(data []byte) message {
	var rep broker.Report
	if err := canon.Unmarshal(data, &rep); err != nil {
		w.t.Fatalf("report: %v", err)
	}
	if queued := w.j.Queued(); len(queued) > 0 {
		rep.Oldest = queued[0].Number
	}
	applied, text, err := w.store.Apply(w.outer.Context(), w.shop.Machine.ID, rep)
	if err != nil {
		w.t.Fatalf("applying %s: %v", rep.Kind, err)
	}
	w.say("%s %d told", rep.Kind, rep.Number)
	if applied > w.applied {
		if applied != rep.Number {
			w.t.Fatalf("report %d brought the applied ones from %d to %d", rep.Number, w.applied, applied)
		}
		if rep.Epoch != w.epoch {
			rep.Epoch = [16]byte{} // told to a server of before: it opens nothing now
		}
		w.model.reported(rep, w.newRunOf)
		w.applied = applied
	}
	w.told = data
	return message{kind: "applied", note: text}
}

func (w *world) tellAll() {
	w.settle()
	for range 3 { // what is told may bring more
		for _, q := range w.j.Queued() {
			w.deliver(w.tell(q.Data))
		}
		w.settle()
	}
}

// poll is the worker's question how things stand.
func (w *world) poll() {
	state, err := w.store.MachineState(w.outer.Context(), w.shop.Machine.ID, broker.StateAsk{HeadFrom: w.c.headSize})
	if err != nil {
		w.t.Fatalf("state: %v", err)
	}
	if len(state.Lockout) > 0 {
		w.deliver(message{kind: "lockout", note: state.Lockout})
	}
	w.post(evState{state: state})
	w.settle()
}

// newRunOf is the run of a job that the model does not know yet.
func (w *world) newRunOf(job, _ uuid.UUID) uuid.UUID {
	var id uuid.UUID
	known := []uuid.UUID{}
	for _, r := range w.model.runs {
		known = append(known, r.id)
	}
	if err := w.shop.Pool.QueryRow(w.outer.Context(), `SELECT id FROM run WHERE job = $1 AND id <> ALL($2)`, job, known).Scan(&id); err != nil {
		w.t.Fatalf("the run that takes the place of another: %v", err)
	}
	return id
}
