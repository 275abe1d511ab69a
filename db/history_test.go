package db_test

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"testing"

	"github.com/google/uuid"

	"kerfgate/db"
	"kerfgate/plan/geom"
	"kerfgate/plan/material"
	"kerfgate/queue"
	"kerfgate/queue/broker"
)

// history is one random life of the workshop: people do what they like in any order, the worker says
// what a worker may say in the phase that its run is in, and now and then something late or foreign.
type history struct {
	*worker
	t       *testing.T
	rand    *rand.Rand
	permits map[uuid.UUID]db.Permit
	jobs    []uuid.UUID
	misses  map[uuid.UUID]int64
}

// Whatever people and workers do: nothing ends in an inner error, every report is applied, at most one
// run is active (I3), no permit is out on a machine that is locked out (I8), sheets reserved and taken
// are those of the runs, and the whole logbook passes the offline check (I1, I2, I6, I9).
func TestRandomHistories(t *testing.T) {
	t.Parallel()
	for seed := range uint64(6) {
		t.Run(fmt.Sprint("seed ", seed), func(t *testing.T) {
			t.Parallel()
			h := &history{worker: newWorker(t), t: t, rand: rand.New(rand.NewPCG(seed, 39)), permits: map[uuid.UUID]db.Permit{}, misses: map[uuid.UUID]int64{}}
			if _, err := h.Pool.Exec(t.Context(), `UPDATE stock SET count = 40`); err != nil {
				t.Fatal(err)
			}
			for range 300 {
				h.step()
				if t.Failed() {
					return
				}
			}
			h.check()
		})
	}
}

func (h *history) may(what string, err error) {
	h.t.Helper()
	var refused *db.Refused
	switch {
	case err == nil, errors.Is(err, db.ErrConflict), errors.Is(err, db.ErrNotFound), errors.Is(err, db.ErrNotAllowed), errors.Is(err, queue.ErrMoved):
	case errors.As(err, &refused):
		for _, r := range refused.Reasons {
			if r.What == "" || r.Next == "" {
				h.t.Errorf("%s: reason %+v lacks what or next", what, r)
			}
		}
	default:
		h.t.Errorf("%s: %v", what, err)
	}
}

// aRun is one that is open, or nil; now and then a closed one.
func (h *history) aRun() *db.Run {
	h.t.Helper()
	where := `phase <> 'closed'`
	if h.rand.IntN(20) == 0 {
		where = `true`
	}
	var ids []uuid.UUID
	if err := h.Pool.QueryRow(h.t.Context(), `SELECT coalesce(array_agg(id ORDER BY phase IN ('proposed', 'closed'), number), '{}') FROM run WHERE `+where).Scan(&ids); err != nil {
		h.t.Fatal(err)
	}
	if len(ids) == 0 {
		return nil
	}
	r, err := h.Run(h.t.Context(), h.Officer, ids[min(h.rand.IntN(len(ids)), h.rand.IntN(len(ids)))])
	if err != nil {
		h.t.Fatal(err)
	}
	return &r
}

func (h *history) step() {
	ctx := h.t.Context()
	r := h.aRun()
	if r == nil || h.rand.IntN(40) == 0 {
		h.jobs = append(h.jobs, h.Submit(h.t, 1+h.rand.Int64N(2)).ID)
		return
	}
	switch n := h.rand.IntN(100); {
	case n < 55:
		h.onward(*r)
	case n < 70:
		h.odd(*r)
	case n < 74:
		h.may("stop", h.NoteStop(ctx, h.Operator, h.Machine.ID, "station"))
	case n < 77:
		_, err := h.SetLockout(ctx, h.Officer, h.Machine.ID, "looked odd")
		h.may("lockout", err)
	case n < 84:
		h.may("lift", h.LiftLockout(ctx, h.Officer, h.Machine.ID, "looked at"))
	case n < 87:
		_, err := h.WithdrawJob(ctx, h.Member, r.Job, 0)
		h.may("withdraw", err)
	case n < 89:
		h.may("verdict", h.SetVerdict(ctx, h.Officer, h.Material.ID, []material.Verdict{material.Allowed, material.WithCare}[h.rand.IntN(2)]))
	case n < 91:
		h.says(h.t, broker.Report{Kind: broker.ReportJournal, Process: [16]byte{byte(n)}})
	case n < 94:
		if _, err := h.Pool.Exec(ctx, `UPDATE run SET opened_at = now() - interval '1 hour' WHERE phase = 'checking'`); err != nil {
			h.t.Fatal(err)
		}
		_, err := h.ExpireChecklists(ctx)
		h.may("expire", err)
	case n < 97:
		_, err := h.ReleaseChecklist(ctx, h.Operator, r.ID)
		h.may("release", err)
	default:
		_, err := h.Void(ctx, h.Operator, r.ID, "the permit could not be sent")
		h.may("void", err)
	}
}

// onward does what comes next in a run's life.
func (h *history) onward(r db.Run) {
	ctx := h.t.Context()
	p := h.permits[r.ID]
	report := func(kind broker.ReportKind, never bool) {
		h.says(h.t, broker.Report{Kind: kind, Run: r.ID, Permit: p.Digest, NeverMoved: never, PauseToken: [32]byte{9}, Reason: "said so"})
	}
	ends := []broker.ReportKind{broker.ReportStopped, broker.ReportFailed, broker.ReportInterrupted}
	switch r.Phase {
	case queue.Proposed:
		h.says(h.t, broker.Report{Kind: broker.ReportReady, Run: r.ID, Revision: 1})
		_, err := h.OpenChecklist(ctx, h.Operator, r.ID)
		h.may("open", err)
	case queue.Checking:
		_, err := h.Place(ctx, h.Operator, r.ID, db.Placement{Origin: geom.Pt(20_000, 20_000), Homed: true})
		h.may("place", err)
		h.AnswerAll(h.t, r.ID)
		signed, err := h.SignOff(ctx, h.Operator, r.ID, [32]byte{1, 2, 3}, [32]byte{1})
		h.may("sign", err)
		if err == nil {
			h.permits[r.ID] = signed
		}
	case queue.Permitted:
		switch h.rand.IntN(6) {
		case 0:
			report(broker.ReportRefused, true)
		case 1:
			report(broker.ReportInterrupted, true)
		default:
			h.taken(h.t, p)
		}
	case queue.Starting:
		if h.rand.IntN(4) == 0 {
			report(ends[h.rand.IntN(3)], true)
		} else {
			report(broker.ReportMoved, false)
		}
	case queue.Running:
		switch h.rand.IntN(5) {
		case 0:
			h.misses[r.ID]++
			h.says(h.t, broker.Report{Kind: broker.ReportAttendance, Run: r.ID, Misses: h.misses[r.ID], Taps: 3, Reason: "attendance missed"})
			if h.misses[r.ID] > 1 {
				report(broker.ReportStopped, false)
			} else {
				report(broker.ReportPaused, false)
			}
		case 1:
			report(broker.ReportPaused, false)
		case 2:
			report(ends[h.rand.IntN(3)], false)
		default:
			report(broker.ReportCompleted, false)
		}
	case queue.Paused:
		if h.rand.IntN(2) == 0 {
			report(ends[h.rand.IntN(3)], false)
			return
		}
		_, err := h.Resume(ctx, h.Operator, r.ID)
		h.may("resume", err)
		report(broker.ReportResumed, false)
	case queue.Purging:
		h.says(h.t, broker.Report{Kind: broker.ReportPicture, Run: r.ID, Picture: []byte("a picture")})
		h.says(h.t, broker.Report{Kind: broker.ReportAttendance, Run: r.ID, Misses: h.misses[r.ID], Taps: 4})
		report(broker.ReportPurged, false)
	case queue.Inspecting:
		fates := []db.SheetFate{db.SheetKept, db.SheetScrapped, db.SheetRepeat}
		_, err := h.Inspect(ctx, h.Operator, r.ID, db.Inspection{Fate: fates[h.rand.IntN(3)], FlameOrGlow: h.rand.IntN(5) == 0, SupplyOff: true})
		h.may("inspect", err)
	case queue.Closed:
		report(broker.ReportPurged, false)
	}
}

// odd is a report that may fit the phase of its run or not; what it says of motion is true.
func (h *history) odd(r db.Run) {
	kinds := []broker.ReportKind{broker.ReportReady, broker.ReportUnready, broker.ReportRefused, broker.ReportResumed, broker.ReportPurged,
		broker.ReportStopped, broker.ReportFailed, broker.ReportInterrupted, broker.ReportPicture, broker.ReportMoved, "no such kind"}
	kind := kinds[h.rand.IntN(len(kinds))]
	if r.Phase == queue.Permitted && kind == broker.ReportInterrupted {
		return // onward does
	}
	h.says(h.t, broker.Report{Kind: kind, Run: r.ID, Permit: h.permits[r.ID].Digest, Revision: 1, NeverMoved: r.StartedAt == nil, Reason: "odd"})
}

func (h *history) check() {
	h.t.Helper()
	ctx := h.t.Context()
	if rep, err := h.CheckLog(ctx); err != nil {
		h.t.Errorf("offline check: %v (%+v)", err, rep)
	} else if rep.Permits < 5 {
		h.t.Errorf("only %d permits in the whole history", rep.Permits)
	}
	var reserved, waiting, count, gone, active, locked int64
	err := h.Pool.QueryRow(ctx, `SELECT s.reserved, s.count,
			(SELECT count(*) FROM run WHERE phase IN ('proposed', 'checking', 'permitted')),
			(SELECT count(*) FROM run WHERE stock_taken AND NOT (never_moved AND sheet_fate IN ('kept', 'repeat'))),
			(SELECT count(*) FROM run WHERE phase IN ('permitted', 'starting', 'running', 'paused', 'purging', 'inspecting')),
			(SELECT count(*) FROM run r JOIN lockout l ON l.machine = r.machine AND l.lifted_at IS NULL WHERE r.phase = 'permitted')
		FROM stock s`).Scan(&reserved, &count, &waiting, &gone, &active, &locked)
	if err != nil {
		h.t.Fatal(err)
	}
	if reserved != waiting {
		h.t.Errorf("%d sheets reserved for %d waiting runs", reserved, waiting)
	}
	if count != 40-gone {
		h.t.Errorf("%d sheets on the shelf of 40, %d gone", count, gone)
	}
	if active > 1 || locked > 0 {
		h.t.Errorf("%d runs active, %d permitted under a lockout", active, locked)
	}
	var orphans int
	if err := h.Pool.QueryRow(ctx, `SELECT count(*) FROM run r JOIN job j ON j.id = r.job
		WHERE j.withdrawn_at IS NOT NULL AND r.phase IN ('proposed', 'checking', 'permitted')`).Scan(&orphans); err != nil || orphans > 0 {
		h.t.Errorf("%d runs of withdrawn jobs wait (%v)", orphans, err)
	}
}
