package generate

import (
	"crypto/sha256"
	"fmt"
	"time"

	"github.com/google/uuid"

	"kerfgate/checklist/permit"
	"kerfgate/db/logbook"
	"kerfgate/plan/canon"
)

// items are what a run's operator answers.
var items = []string{"eyewear", "extinguisher", "ventilation", "material", "bed", "focus", "lid", "sheet", "window", "neighbours", "supply"}

// lane is one machine at work: what it still has to do of its run, and of its job.
type lane struct {
	h       *history
	machine uuid.UUID
	job     *submitted
	done    int      // runs of the job
	todo    []func() // entries of the run that are still to come
}

// step writes the next entry; false when the machine has nothing to do any more.
func (l *lane) step() bool {
	if len(l.todo) == 0 && !l.next() {
		return false
	}
	l.todo[0]()
	l.todo = l.todo[1:]
	return true
}

// next begins the job's next run, or another job.
func (l *lane) next() bool {
	h := l.h
	if l.job == nil || l.done == len(l.job.runs) {
		if h.over >= h.cfg.Runs {
			return false
		}
		copies := 1 + h.rng.IntN(4)
		l.todo = []func(){func() { l.job, l.done = h.submit(l.machine, copies), 0 }}
		if h.rng.IntN(300) == 0 {
			l.todo = append(l.todo, l.lockout())
		}
		return true
	}
	r := &runRow{id: l.job.runs[l.done], job: l.job, copy: l.done + 1, proposed: h.now}
	l.done++
	h.over++
	l.todo = l.run(r)
	return true
}

// lockout takes the machine out of use and puts it back.
func (l *lane) lockout() func() {
	h := l.h
	return func() {
		id, by, at := h.id(), h.operators[h.rng.IntN(len(h.operators))], h.now
		subjects := []logbook.Subject{{Role: logbook.RoleLockout, ID: logbook.ID(id)}, {Role: logbook.RoleMachine, ID: logbook.ID(l.machine)}}
		h.entry(logbook.LockoutSet, by, nil, subjects...)
		h.now = h.now.Add(time.Millisecond)
		h.entry(logbook.LockoutLifted, by, nil, subjects...)
		h.rows.add("lockout", id, l.machine, "belt slipped", make([]byte, 16), by, at, by, h.now, "belt tightened")
	}
}

// run is a run's life as entries: most are completed, some stopped, interrupted or withdrawn.
func (l *lane) run(r *runRow) []func() {
	h, j := l.h, l.job
	chance := h.rng.IntN(100)
	if chance == 0 {
		return []func(){func() {
			h.about(logbook.RunWithdrawn, j.member, j, r.id, logbook.Body{logbook.FieldFrom: "proposed", logbook.FieldTo: "closed", logbook.FieldOutcome: "withdrawn"})
			h.addRun(r, "closed", "withdrawn", "withdrawn")
		}}
	}
	r.operator = h.operators[h.rng.IntN(len(h.operators))]
	move := func(kind logbook.Kind, actor uuid.UUID, from, to, outcome string) func() {
		return func() {
			body := logbook.Body{logbook.FieldFrom: from, logbook.FieldTo: to}
			if outcome != "" {
				body[logbook.FieldOutcome] = outcome
			}
			h.about(kind, actor, j, r.id, body)
		}
	}
	told := func(kind logbook.Kind, actor uuid.UUID, body logbook.Body) func() {
		return func() { h.about(kind, actor, j, r.id, body) }
	}
	todo := []func(){
		told(logbook.RunReady, uuid.Nil, nil),
		move(logbook.RunOpened, r.operator, "proposed", "checking", ""),
		told(logbook.LeaveIssued, r.operator, nil),
		told(logbook.LeaveUsed, r.operator, logbook.Body{"origin_x_um": int64(20_000), "origin_y_um": int64(20_000), "homed": true}),
	}
	for _, item := range items {
		todo = append(todo, func() {
			h.about(logbook.AnswerGiven, r.operator, j, r.id, logbook.Body{"item": item})
			h.rows.add("answer", r.id, item, map[string]string{"on": "yes"}, r.operator, h.now)
		})
	}
	todo = append(todo, l.sign(r), func() {
		move(logbook.RunMoved, uuid.Nil, "starting", "running", "")()
		r.started = h.now
	})
	// Taps are summed up; what the run's length adds to its entries is these.
	for range max(0, h.cfg.Entries/h.cfg.Runs-24) {
		todo = append(todo, told(logbook.AttendanceSummary, r.operator, logbook.Body{"taps": int64(5)}))
	}
	nearMiss := h.rng.IntN(2_000) == 0
	ending, outcome := logbook.RunCompleted, "completed"
	switch {
	case chance < 6:
		ending, outcome = logbook.RunStopped, "stopped"
	case chance < 8:
		ending, outcome = logbook.RunInterrupted, "interrupted"
	case chance < 9:
		todo = append(todo, told(logbook.AttendanceMissed, r.operator, nil), move(logbook.RunPaused, uuid.Nil, "running", "paused", ""),
			move(logbook.RunResumed, r.operator, "paused", "running", ""))
	}
	return append(todo,
		move(ending, uuid.Nil, "running", "purging", outcome),
		move(logbook.RunPurged, uuid.Nil, "purging", "inspecting", ""),
		told(logbook.PictureKept, uuid.Nil, nil),
		func() {
			move(logbook.RunInspected, r.operator, "inspecting", "closed", "")()
			h.addRun(r, "closed", "inspected", outcome)
			if nearMiss {
				id := h.id()
				h.rows.add("incident", id, "near miss", l.machine, r.id, r.operator, h.now)
				h.about(logbook.IncidentOpened, r.operator, j, r.id, logbook.Body{"kind": "near miss"})
			}
		})
}

// sign gives the run its permit, as the server would, and burns it.
func (l *lane) sign(r *runRow) func() {
	h := l.h
	return func() {
		signOff := []byte("sign-off of " + r.id.String())
		digest := canon.Sum(signOff)
		text, err := permit.Sign(h.cfg.PermitSigner, permit.Permit{Serial: h.id(), Run: r.id, Machine: l.machine, MachineKey: machineKey,
			Plan: [32]byte(h.like.plan), Placement: canon.Sum([]byte("placement")), Profile: [32]byte(h.like.profile), Stock: canon.Sum([]byte("stock")), SignOff: digest, OriginXUM: 20_000, OriginYUM: 20_000,
			SheetWUM: 300_000, SheetHUM: 200_000, Operator: r.operator, Epoch: h.like.epoch, Challenge: sha256.Sum256(r.id[:]), AgeLimitS: 60,
			Attendance: sha256.Sum256(signOff), LogSize: h.tree.Size, LogRoot: h.tree.Root()})
		if err != nil {
			h.err = fmt.Errorf("permit: %w", err)
			return
		}
		name, challenge := permit.Digest(text), sha256.Sum256(r.id[:])
		h.about(logbook.RunSigned, r.operator, r.job, r.id, logbook.Body{logbook.FieldFrom: "checking", logbook.FieldTo: "permitted",
			logbook.FieldSignoff: digest[:], logbook.FieldPermit: name[:], logbook.FieldNote: string(text)})
		h.rows.add("sign_off", digest[:], r.id, signOff, r.operator, h.now)
		h.rows.add("permit", name[:], r.id, l.machine, digest[:], challenge[:], string(text), h.now, "burned")
		h.now = h.now.Add(time.Millisecond)
		h.about(logbook.RunBurned, uuid.Nil, r.job, r.id, logbook.Body{logbook.FieldFrom: "permitted", logbook.FieldTo: "starting", logbook.FieldPermit: name[:]})
		h.rows.add("burn", r.id, name[:], h.now)
	}
}

// machineKey is a public key in the form of an nkey; nobody has its other half.
const machineKey = "UDXU4RCSJNZOIQHZNWXHXORDPRTGNJAHAHFRGZNEEJCPQTT2M7NLCNF4"
