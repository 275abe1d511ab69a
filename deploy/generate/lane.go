package generate

import (
	"crypto/sha256"
	"fmt"
	"time"

	"github.com/google/uuid"

	"kerfgate/checklist"
	"kerfgate/checklist/permit"
	"kerfgate/db/logbook"
	"kerfgate/plan/canon"
	"kerfgate/plan/geom"
)

// originUM is where all sheets lie on their beds.
const originUM = 2_000

// lane is one machine at work: what it still has to do of its run, and of its job.
type lane struct {
	h     *history
	bench *bench
	job   *submitted
	done  int      // runs of the job
	todo  []func() // entries of the run that are still to come
}

// busy says whether something is left of the lane's job.
func (l *lane) busy() bool { return len(l.todo) > 0 || l.job != nil && l.done < len(l.job.runs) }

// step writes the next entry.
func (l *lane) step() {
	if len(l.todo) == 0 {
		l.next()
	}
	l.todo[0]()
	l.todo = l.todo[1:]
}

// next begins the job's next run, or another job.
func (l *lane) next() {
	h := l.h
	if !l.busy() {
		copies := 1 + h.rng.IntN(4)
		l.todo = []func(){func() { l.job, l.done = h.submit(l.bench, copies), 0 }}
		if h.rng.IntN(300) == 0 {
			l.todo = append(l.todo, h.lockout(l.bench))
		}
		return
	}
	r := &runRow{id: l.job.runs[l.done], job: l.job, copy: l.done + 1, proposed: h.now}
	l.done++
	h.over++
	l.todo = l.run(r)
}

// atGate says how often a run's checklist is opened, and how many set-up leaves its sheet takes each time, so
// that the logbook comes to as many entries as asked: a sheet lies right after a press or after many, and some
// operators give a run back and begin anew.
func (l *lane) atGate() (rounds, leaves int) {
	const once = 24 // entries of a run, with its share of a job's
	h := l.h
	most := 4 * h.cfg.Entries / h.cfg.Runs // what the last few runs would have to make up for
	spare := min(most, (h.cfg.Entries-int(h.tree.Size))/max(1, h.cfg.Runs-h.over)) - once
	leaves = 1 + h.rng.IntN(min(8, 1+max(0, spare)))
	round := float64(2 + len(l.job.work.checklist.Items) + 2*leaves)
	again := max(0, float64(spare)-7) / round
	return 1 + int(again*2*h.rng.Float64()+0.5), leaves
}

// run is a run's life as entries: most are completed, some stopped, failed, interrupted or withdrawn.
func (l *lane) run(r *runRow) []func() {
	h, j := l.h, l.job
	chance := h.rng.IntN(100)
	if chance == 0 {
		return []func(){func() {
			j.lot.reserved--
			h.about(logbook.RunWithdrawn, j.by.id, j, r.id, logbook.Body{logbook.FieldFrom: "proposed", logbook.FieldTo: "closed", logbook.FieldOutcome: "withdrawn"})
			h.addRun(r, "closed", "withdrawn", "withdrawn")
		}}
	}
	r.operator = l.bench.operators[h.rng.IntN(len(l.bench.operators))]
	move := func(kind logbook.Kind, actor uuid.UUID, from, to, outcome string) func() {
		return func() {
			body := logbook.Body{logbook.FieldFrom: from, logbook.FieldTo: to}
			if outcome != "" {
				body[logbook.FieldOutcome] = outcome
			}
			h.about(kind, actor, j, r.id, body)
		}
	}
	told := func(kind logbook.Kind, actor uuid.UUID, body logbook.Body, more ...logbook.Subject) func() {
		return func() { h.about(kind, actor, j, r.id, body, more...) }
	}
	todo := []func(){told(logbook.RunReady, uuid.Nil, logbook.Body{"revision": int64(1)})}
	if h.rng.IntN(20) == 0 {
		todo = append(todo, told(logbook.QueueCalled, r.operator, nil, about("member", j.by.id)), told(logbook.QueueCame, j.by.id, nil, about("member", j.by.id)))
		h.rows.add("queue_call", r.id, r.operator, h.now, h.now)
	}
	if h.rng.IntN(20) == 0 {
		todo = append(todo, told(logbook.QueueTaken, r.operator, logbook.Body{"reason_digest": make([]byte, 32)}))
		h.rows.add("queue_take", r.id, r.operator, h.now, "the pot is thrown today", make([]byte, 16))
	}
	rounds, leaves := l.atGate()
	for round := range rounds {
		if round > 0 {
			todo = append(todo, move(logbook.RunReleased, r.operator, "checking", "proposed", ""))
		}
		todo = append(todo, func() {
			r.taken = h.now
			move(logbook.RunOpened, r.operator, "proposed", "checking", "")()
		})
		for range leaves {
			todo = append(todo, told(logbook.LeaveIssued, r.operator, logbook.Body{"leave": j.plan[:]}),
				told(logbook.LeaveUsed, r.operator, logbook.Body{"origin_x_um": int64(originUM), "origin_y_um": int64(originUM), "homed": true}))
		}
		for _, item := range j.work.checklist.Items {
			todo = append(todo, func() {
				h.about(logbook.AnswerGiven, r.operator, j, r.id, logbook.Body{"item": item.Key, "up": true})
				if round == rounds-1 { // what was answered before is gone with the release
					h.rows.add("answer", r.id, item.Key, answers(item, j.lot, h.now), r.operator, h.now)
				}
			})
		}
	}
	todo = append(todo, l.sign(r), func() {
		move(logbook.RunMoved, uuid.Nil, "starting", "running", "")()
		r.started = h.now
	})
	ending, outcome := logbook.RunCompleted, "completed"
	switch {
	case chance < 6:
		ending, outcome = logbook.RunStopped, "stopped"
	case chance < 7:
		ending, outcome = logbook.RunInterrupted, "interrupted"
	case chance < 8:
		ending, outcome = logbook.RunFailed, "failed"
	case chance < 12:
		r.misses = 1
		todo = append(todo, told(logbook.AttendanceMissed, r.operator, logbook.Body{"taps": int64(2), "misses": int64(1)}),
			move(logbook.RunPaused, uuid.Nil, "running", "paused", ""), move(logbook.RunResumed, r.operator, "paused", "running", ""))
	}
	todo = append(todo,
		move(ending, uuid.Nil, "running", "purging", outcome),
		told(logbook.AttendanceSummary, uuid.Nil, logbook.Body{"taps": j.ms/60_000 + 1, "misses": r.misses}),
		move(logbook.RunPurged, uuid.Nil, "purging", "inspecting", ""),
		told(logbook.PictureKept, uuid.Nil, logbook.Body{"burned_um": int64(200_000), "energy_mj": int64(600_000)}),
		func() {
			move(logbook.RunInspected, r.operator, "inspecting", "closed", "")()
			h.addRun(r, "closed", "inspected", outcome)
			h.keepUp(l.bench, r.operator)
			if h.rng.IntN(400) == 0 {
				h.incident(r)
			}
		})
	return append(todo, h.watch(r)...)
}

// sign gives the run its permit, as the server would, burns it and takes the sheet.
func (l *lane) sign(r *runRow) func() {
	h, j := l.h, l.job
	return func() {
		sheet := geom.Pt(j.lot.stock.SheetWidthUM, j.lot.stock.SheetHeightUM)
		placement, err := canon.DigestOf(checklist.PlacementBound{Origin: geom.Pt(originUM, originUM), Homed: true, Sheet: sheet})
		if err != nil {
			h.err = err
		}
		signed := checklist.SignOff{Run: r.id, Job: j.id, Machine: l.bench.ID, Operator: r.operator, Station: l.bench.station, Authorisation: l.bench.by[r.operator],
			Plan: j.plan, Placement: placement, Profile: l.bench.ProfileDigest, Stock: j.lot.bound, Material: j.work.kind.digest, Checklist: j.work.digest,
			Shown: map[string]string{}, Answers: map[string]checklist.Values{}}
		for _, item := range j.work.checklist.Items {
			signed.Shown[item.Key], signed.Answers[item.Key] = item.Ask, answers(item, j.lot, h.now)
		}
		data, err := canon.Marshal(signed)
		if err != nil {
			h.err = err
			return
		}
		digest, challenge := canon.Sum(data), sha256.Sum256(r.id[:])
		text, err := permit.Sign(h.cfg.PermitSigner, permit.Permit{Serial: h.id(), Run: r.id, Machine: l.bench.ID, MachineKey: l.bench.WorkerKey,
			Plan: j.plan, Placement: placement, Profile: l.bench.ProfileDigest, Stock: j.lot.bound, SignOff: digest, OriginXUM: originUM, OriginYUM: originUM,
			SheetWUM: sheet.X, SheetHUM: sheet.Y, Operator: r.operator, Epoch: h.epoch, Challenge: challenge, AgeLimitS: 60,
			Attendance: sha256.Sum256(data), LogSize: h.tree.Size, LogRoot: h.tree.Root()})
		if err != nil {
			h.err = fmt.Errorf("permit: %w", err)
			return
		}
		name := permit.Digest(text)
		h.about(logbook.RunSigned, r.operator, j, r.id, logbook.Body{logbook.FieldFrom: "checking", logbook.FieldTo: "permitted",
			logbook.FieldSignoff: digest[:], logbook.FieldPermit: name[:], logbook.FieldNote: string(text)})
		h.rows.add("sign_off", digest[:], r.id, data, r.operator, h.now)
		h.rows.add("permit", name[:], r.id, l.bench.ID, digest[:], challenge[:], string(text), h.now, "burned")
		h.tick(time.Millisecond)
		h.about(logbook.RunBurned, uuid.Nil, j, r.id, logbook.Body{logbook.FieldFrom: "permitted", logbook.FieldTo: "starting", logbook.FieldPermit: name[:]})
		h.rows.add("burn", r.id, name[:], h.now)
		j.lot.count--
		j.lot.reserved--
	}
}
