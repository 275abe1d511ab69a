package db

import (
	"context"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/plan/machine"
	"kerfgate/plan/material"
	"kerfgate/queue"
)

// queueAhead bounds how many waiting runs of a machine are put into order: the oldest. What lies behind them has
// no place yet.
const queueAhead = 400

// Queue is the order of a machine's waiting runs.
type Queue struct {
	Lane   queue.Lane // what it was reckoned from
	Places []queue.Place
}

// ByRun finds a run's place.
func (q Queue) ByRun(run uuid.UUID) (queue.Place, bool) {
	if at := slices.IndexFunc(q.Places, func(p queue.Place) bool { return p.Run == run }); at >= 0 {
		return q.Places[at], true
	}
	return queue.Place{}, false
}

// Queue puts one machine's waiting runs into order. Errors: ErrNotFound.
func (s *Store) Queue(ctx context.Context, machine uuid.UUID) (Queue, error) {
	m, err := s.Machine(ctx, machine)
	if err != nil {
		return Queue{}, err
	}
	all, err := s.queues(ctx, []Machine{m})
	return all[machine], err
}

// queues puts the waiting runs of some machines into order.
func (s *Store) queues(ctx context.Context, machines []Machine) (map[uuid.UUID]Queue, error) {
	lanes, err := s.lanes(ctx, machines)
	all := make(map[uuid.UUID]Queue, len(lanes))
	for id, l := range lanes {
		all[id] = Queue{Lane: *l, Places: queue.Order(*l)}
	}
	return all, err
}

// lanes reads what the order of some machines' queues is reckoned from: one round trip, however many runs there are.
func (s *Store) lanes(ctx context.Context, machines []Machine) (map[uuid.UUID]*queue.Lane, error) {
	lanes := make(map[uuid.UUID]*queue.Lane, len(machines))
	profiles := make(map[uuid.UUID]machine.Profile, len(machines))
	ids := make([]uuid.UUID, len(machines))
	for i, m := range machines {
		ids[i], profiles[m.ID] = m.ID, m.Profile
		lanes[m.ID] = &queue.Lane{LockedOut: m.Lockout != nil, Had: make(map[uuid.UUID]time.Duration)}
	}
	var now time.Time
	var reads pgx.Batch
	reads.Queue(`SELECT clock_timestamp()`).QueryRow(func(row pgx.Row) error { return row.Scan(&now) })
	readWaiting(&reads, ids, lanes, profiles)
	readRan(&reads, ids, lanes, profiles)
	readAtWork(&reads, ids, lanes, profiles)
	if err := s.read(ctx, &reads); err != nil {
		return nil, err
	}
	for _, l := range lanes {
		l.Now = now
	}
	return lanes, nil
}

// onMachine is how long a machine takes for what was planned: a simulated one may be quicker.
func onMachine(p machine.Profile, ms int64) time.Duration {
	return time.Duration(ms/max(1, p.Driver.MotionScale)) * time.Millisecond
}

// The queues are read for each entry that concerns a machine. Their machines come by a subquery, behind which the
// database does not see how many there are: it then plans once for all, in place of anew each time for the few that it
// sees, which took longer than the reading.

// readWaiting reads what waits. The comparison of rows leaves the database the index of a machine's open runs.
func readWaiting(b *pgx.Batch, ids []uuid.UUID, lanes map[uuid.UUID]*queue.Lane, profiles map[uuid.UUID]machine.Profile) {
	b.Queue(`SELECT r.machine, r.id, r.number, j.member, r.stock, coalesce(pl.total_ms, 0), j.due, r.phase = 'checking', j.tool,
			st.lot, st.count, st.halogen, ma.verdict, ma.name, ma.retired_at IS NOT NULL, t.at, coalesce(t.reason, ''), c.at, c.came_at IS NOT NULL
		FROM unnest((SELECT $1::uuid[])) AS m(id) CROSS JOIN LATERAL (SELECT id, machine, number, job, stock, plan, phase FROM run
			WHERE (machine, number) >= (m.id, 0) AND (machine, number) <= (m.id, 9223372036854775807) AND phase <> 'closed' AND phase IN ('proposed', 'checking')
			ORDER BY machine, number LIMIT $2) r
		CROSS JOIN LATERAL (SELECT member, due, tool FROM job WHERE id = r.job LIMIT 1) j
		CROSS JOIN LATERAL (SELECT lot, count, halogen, material FROM stock WHERE id = r.stock LIMIT 1) st
		CROSS JOIN LATERAL (SELECT verdict, name, retired_at FROM material WHERE id = st.material LIMIT 1) ma
		LEFT JOIN LATERAL (SELECT total_ms FROM plan WHERE digest = r.plan AND member = j.member AND machine = r.machine LIMIT 1) pl ON true
		LEFT JOIN queue_take t ON t.run = r.id LEFT JOIN queue_call c ON c.run = r.id`, ids, queueAhead).Query(func(rows pgx.Rows) error {
		var on uuid.UUID
		var w queue.Waiting
		var ms, count int64
		var tool, lot, name string
		var halogen, retired bool
		var verdict material.Verdict
		_, err := pgx.ForEachRow(rows, []any{&on, &w.Run, &w.Number, &w.Member, &w.Stock, &ms, &w.Due, &w.AtGate, &tool,
			&lot, &count, &halogen, &verdict, &name, &retired, &w.Taken, &w.TakenWhy, &w.Called, &w.CalledSeen}, func() error {
			w.Takes, w.NoSheet = onMachine(profiles[on], ms), ""
			t, _ := profiles[on].Tool(tool)
			switch {
			case count < 1:
				w.NoSheet = "no sheet of lot " + lot + " is on the shelf"
			case retired:
				w.NoSheet = name + " was taken off the list of materials"
			case t.Kind == machine.ToolBeam && (halogen || verdict == material.Forbidden):
				w.NoSheet = "lot " + lot + " may go under no beam"
			}
			lanes[on].Waiting = append(lanes[on].Waiting, w)
			w.Due, w.Taken, w.Called = nil, nil, nil // the next row gets its own
			return nil
		})
		return err
	})
}

// Of a machine, so many last runs tell its pace, and those of the last days who had how much of it.
const (
	paceRuns  = 60
	shareDays = 3 * 24 * time.Hour
)

// readRan reads what ran. The comparison of rows leaves the database the index of a machine's own runs and no walk
// through those of all machines by their end.
func readRan(b *pgx.Batch, ids []uuid.UUID, lanes map[uuid.UUID]*queue.Lane, profiles map[uuid.UUID]machine.Profile) {
	b.Queue(`SELECT r.machine, r.stock, j.member, r.outcome, r.real_ms, coalesce(pl.total_ms, 0), r.ended_at - r.started_at, r.started_at - r.taken_up_at, r.ended_at > now() - $3::interval
		FROM unnest((SELECT $1::uuid[])) WITH ORDINALITY AS m(id, n) CROSS JOIN LATERAL (SELECT id, machine, job, stock, plan, outcome, real_ms, started_at, taken_up_at, ended_at FROM run
			WHERE (machine, ended_at) <= (m.id, 'infinity'::timestamptz) AND (machine, ended_at) >= (m.id, '-infinity'::timestamptz) AND phase = 'closed' AND real_ms > 0
			ORDER BY machine DESC, ended_at DESC LIMIT $2) r
		CROSS JOIN LATERAL (SELECT member FROM job WHERE id = r.job LIMIT 1) j
		LEFT JOIN LATERAL (SELECT total_ms FROM plan WHERE digest = r.plan AND member = j.member AND machine = r.machine LIMIT 1) pl ON true
		ORDER BY m.n, r.ended_at DESC, r.id DESC`, ids, paceRuns, shareDays).Query(func(rows pgx.Rows) error {
		var on, stock, member uuid.UUID
		var outcome queue.Outcome
		var real, planned int64
		var held, laid *time.Duration
		var lately bool
		ran := make(map[uuid.UUID][]queue.Ran)
		type lying struct {
			stock uuid.UUID
			took  time.Duration // zero for unknown
		}
		after := make(map[uuid.UUID]lying) // each machine's run read last, which came after the one of this row
		all := make(map[uuid.UUID][]queue.Laid)
		_, err := pgx.ForEachRow(rows, []any{&on, &stock, &member, &outcome, &real, &planned, &held, &laid, &lately}, func() error {
			l := lanes[on]
			if l.Loaded == uuid.Nil {
				l.Loaded = stock
			}
			if a := after[on]; a.took > 0 {
				all[on] = append(all[on], queue.Laid{Took: a.took, SameLot: a.stock == stock})
			}
			after[on] = lying{stock: stock}
			if laid != nil {
				after[on] = lying{stock, *laid}
			}
			if lately {
				l.Had[member] += onMachine(profiles[on], real)
			}
			if outcome == queue.OutcomeCompleted && held != nil {
				ran[on] = append(ran[on], queue.Ran{PlannedMS: planned, RealMS: real, Around: *held - onMachine(profiles[on], real)})
			}
			held, laid = nil, nil
			return nil
		})
		for id, of := range ran {
			lanes[id].Pace = queue.PaceOf(of)
		}
		for id, laid := range all {
			lanes[id].Pace.Lay(laid)
		}
		return err
	})
}

// readAtWork reads the run at each machine: until when it holds it, and the lot that lies there. It is read
// behind what ran, whose pace counts.
func readAtWork(b *pgx.Batch, ids []uuid.UUID, lanes map[uuid.UUID]*queue.Lane, profiles map[uuid.UUID]machine.Profile) {
	b.Queue(`SELECT r.machine, r.stock, r.phase, coalesce(pl.total_ms, 0), clock_timestamp() - coalesce(r.started_at, clock_timestamp()), clock_timestamp() - r.phase_at
		FROM unnest((SELECT $1::uuid[])) AS m(id) JOIN run r ON r.machine = m.id CROSS JOIN LATERAL (SELECT member FROM job WHERE id = r.job LIMIT 1) j
		LEFT JOIN LATERAL (SELECT total_ms FROM plan WHERE digest = r.plan AND member = j.member AND machine = r.machine LIMIT 1) pl ON true
		WHERE r.phase IN ('permitted', 'starting', 'running', 'paused', 'purging', 'inspecting')`, ids).Query(func(rows pgx.Rows) error {
		var on, stock uuid.UUID
		var phase queue.Phase
		var ms int64
		var moved, inPhase time.Duration
		_, err := pgx.ForEachRow(rows, []any{&on, &stock, &phase, &ms, &moved, &inPhase}, func() error {
			l := lanes[on]
			l.Loaded, l.FreeIn = stock, l.Pace.Left(phase, onMachine(profiles[on], ms), moved, inPhase)
			return nil
		})
		return err
	})
}
