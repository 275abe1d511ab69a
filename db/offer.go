package db

import (
	"context"
	"errors"
	"slices"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/plan/canon"
	"kerfgate/queue/broker"
)

// offersAhead is how many runs a machine prepares before they reach the gate.
const offersAhead = 8

// WorkerKeys gives the public nkeys of the enrolled workers by machine.
func (s *Store) WorkerKeys(ctx context.Context) (map[uuid.UUID]string, error) {
	return readMap[uuid.UUID, string](ctx, s.pool, `SELECT id, worker_key FROM machine WHERE worker_key <> ''`)
}

// Offers gives the runs that a machine should prepare, the next few of its queue; every machine's
// for uuid.Nil.
func (s *Store) Offers(ctx context.Context, machine uuid.UUID) ([]broker.Offer, error) {
	machines, err := s.offered(ctx, machine)
	if err != nil {
		return nil, err
	}
	queues, err := s.queues(ctx, machines)
	if err != nil {
		return nil, err
	}
	var on, next []uuid.UUID
	for _, m := range machines { // in one order, and each in the order of its queue
		on = append(on, m.ID)
		for i, p := range queues[m.ID].Places {
			if i < offersAhead {
				next = append(next, p.Run)
			}
		}
	}
	return readAll(ctx, s.pool, scanOffer, selectOffer+`(SELECT id, 0 AS place FROM run WHERE machine = ANY($1) AND phase = 'permitted'
			UNION ALL SELECT id, place FROM unnest($2::uuid[]) WITH ORDINALITY AS n(id, place)) o
		`+offeredRun+` ORDER BY r.machine, o.place`, on, next)
}

const (
	selectOffer = `SELECT r.machine, r.id, r.revision, r.plan, b.size, m.profile, site.epoch FROM `
	offeredRun  = `JOIN run r ON r.id = o.id JOIN machine m ON m.id = r.machine JOIN blob b ON b.digest = r.plan CROSS JOIN site
		WHERE r.phase IN ('proposed', 'checking', 'permitted')`
)

func scanOffer(row pgx.CollectableRow) (o broker.Offer, err error) {
	var plan, profile, epoch []byte
	if err = row.Scan(&o.Machine, &o.Run, &o.Revision, &plan, &o.PlanSize, &profile, &epoch); err != nil {
		return o, err
	}
	o.Plan, o.Profile = canon.Digest(plan), canon.Digest(profile)
	copy(o.Epoch[:], epoch)
	return o, nil
}

// OffersOf gives those of the runs that their machine should prepare, and says whether more wait there than it
// prepares ahead. Where no more do, their order says nothing and is not reckoned: this is asked at each change of a run.
func (s *Store) OffersOf(ctx context.Context, machine uuid.UUID, runs []uuid.UUID) (list []broker.Offer, more bool, err error) {
	var reads pgx.Batch
	reads.Queue(`SELECT count(*) > $2 FROM (SELECT FROM run WHERE (machine, number) >= ($1, 0) AND (machine, number) <= ($1, 9223372036854775807)
		AND phase <> 'closed' AND phase IN ('proposed', 'checking') LIMIT $2 + 1) w`, machine, int64(offersAhead)).QueryRow(func(row pgx.Row) error { return row.Scan(&more) })
	reads.Queue(selectOffer+`unnest($1::uuid[]) AS o(id) `+offeredRun+` AND r.machine = $2 ORDER BY r.number`, runs, machine).Query(func(rows pgx.Rows) (err error) {
		list, err = pgx.CollectRows(rows, scanOffer)
		return err
	})
	if err := s.read(ctx, &reads); err != nil || !more {
		return list, false, err
	}
	list, err = s.Offers(ctx, machine)
	return slices.DeleteFunc(list, func(o broker.Offer) bool { return !slices.Contains(runs, o.Run) }), true, err
}

// offered are the machines whose runs are offered: one, or all for uuid.Nil.
func (s *Store) offered(ctx context.Context, machine uuid.UUID) ([]Machine, error) {
	if machine == uuid.Nil {
		return s.Machines(ctx)
	}
	m, err := s.Machine(ctx, machine)
	if errors.Is(err, ErrNotFound) {
		return nil, nil
	}
	return []Machine{m}, err
}

// Withdrawn gives those of the runs that were withdrawn, for workers that may have prepared them.
func (s *Store) Withdrawn(ctx context.Context, runs []uuid.UUID) ([]broker.Offer, error) {
	return readAll(ctx, s.pool, func(row pgx.CollectableRow) (broker.Offer, error) {
		o := broker.Offer{Withdrawn: true}
		var plan, epoch []byte
		if err := row.Scan(&o.Machine, &o.Run, &o.Revision, &plan, &epoch); err != nil {
			return o, err
		}
		o.Plan = canon.Digest(plan)
		copy(o.Epoch[:], epoch)
		return o, nil
	}, `SELECT r.machine, r.id, r.revision, r.plan, site.epoch FROM run r CROSS JOIN site
		WHERE r.id = ANY($1) AND r.phase = 'closed' AND r.outcome = 'withdrawn'`, runs)
}

// MachineState answers a worker that asks how things stand. It informs; nothing starts from it.
// A worker that keeps a head gets the proof that this logbook follows from it.
func (s *Store) MachineState(ctx context.Context, machine uuid.UUID, ask broker.StateAsk) (broker.State, error) {
	var st broker.State
	var epoch, profile []byte
	var run *uuid.UUID
	var phase, head *string
	err := s.pool.QueryRow(ctx, `SELECT site.epoch, m.profile, p.data, m.applied, r.id, r.phase,
			(SELECT note FROM log_signed_head ORDER BY size DESC LIMIT 1)
		FROM machine m JOIN profile p ON p.digest = m.profile CROSS JOIN site
		LEFT JOIN LATERAL (SELECT id, phase FROM run WHERE machine = m.id AND phase <> 'closed' AND phase <> 'proposed'
			ORDER BY phase = 'checking', number LIMIT 1) r ON true
		WHERE m.id = $1`, machine).Scan(&epoch, &profile, &st.ProfileData, &st.Applied, &run, &phase, &head)
	if err != nil {
		return st, meaning(err)
	}
	copy(st.Epoch[:], epoch)
	st.Profile = canon.Digest(profile)
	if run != nil && phase != nil {
		st.Run, st.Phase = *run, *phase
	}
	if head != nil {
		st.Head = []byte(*head)
	}
	if err := s.proveHead(ctx, &st, ask.HeadFrom); err != nil {
		return st, err
	}
	if st.Lockout, err = s.LockoutNote(ctx, machine); err != nil {
		return st, err
	}
	if st.Handover, err = s.handoverNote(ctx, machine); err != nil {
		return st, err
	}
	all, err := s.replacements(ctx)
	if err != nil {
		return st, err
	}
	for _, r := range all {
		st.Successors = append(st.Successors, []byte(r.Note))
	}
	st.Offers, err = s.Offers(ctx, machine)
	return st, err
}
