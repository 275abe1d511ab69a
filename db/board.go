package db

import (
	"cmp"
	"context"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/checklist"
	"kerfgate/queue"
)

// Lane is one machine on the board.
type Lane struct {
	Machine Machine
	Active  *Run  // permitted to inspecting
	Gate    *Gate // of the run at the gate (checking or later), for the small drawing
	Next    []Run // checking, and those on the first BoardAhead places, in queue order
	Queue   Queue // the places of all that wait
	Waiting int64 // all that are proposed or checking
}

// BoardAhead is how many places of a machine's queue the board holds.
const BoardAhead = 20

// Board reads all lanes: a fixed number of queries, however many machines and runs there are.
func (s *Store) Board(ctx context.Context) ([]Lane, error) {
	machines, err := s.Machines(ctx)
	if err != nil {
		return nil, err
	}
	lanes := make([]Lane, len(machines))
	place := make(map[uuid.UUID]int, len(machines))
	ids := make([]uuid.UUID, len(machines))
	for i, m := range machines {
		lanes[i], place[m.ID], ids[i] = Lane{Machine: m}, i, m.ID
	}
	queues, err := s.queues(ctx, machines)
	if err != nil {
		return nil, err
	}
	shown, err := s.onBoard(ctx, queues)
	if err != nil {
		return nil, err
	}
	open, err := s.runs(ctx, `r.id = ANY($1) ORDER BY r.number`, shown)
	if err != nil {
		return nil, err
	}
	waiting, err := s.openRuns(ctx)
	if err != nil {
		return nil, err
	}
	for i := range lanes {
		lanes[i].Waiting, lanes[i].Queue = waiting[lanes[i].Machine.ID], queues[lanes[i].Machine.ID]
	}
	atGate := make(map[uuid.UUID]Run) // by machine: what the small gate is drawn for
	for _, r := range open {
		at, known := place[r.Machine]
		if !known {
			continue // its machine was added between the two queries
		}
		lane := &lanes[at]
		if r.Phase.Active() {
			lane.Active = &r
			lane.Waiting--
			atGate[r.Machine] = r
			continue
		}
		lane.Next = append(lane.Next, r)
		if _, taken := atGate[r.Machine]; r.Phase == queue.Checking && !taken {
			atGate[r.Machine] = r
		}
	}
	for _, l := range lanes {
		l.sortNext()
	}
	return lanes, s.drawGates(ctx, lanes, ids, atGate)
}

// sortNext puts the runs in the order of their places. One that was proposed between the two queries has none
// yet and stands behind.
func (l Lane) sortNext() {
	place := make(map[uuid.UUID]int, len(l.Queue.Places))
	for i, p := range l.Queue.Places {
		place[p.Run] = i - len(l.Queue.Places)
	}
	slices.SortStableFunc(l.Next, func(a, b Run) int { return cmp.Compare(place[a.ID], place[b.ID]) })
}

// Going is the run that goes next, and what the queue says of it: not one whose member was called and has not
// come, nor one without a sheet. False where none can.
func (l Lane) Going() (Run, bool) {
	p, ok := queue.Next(l.Queue.Places)
	if at := slices.IndexFunc(l.Next, func(r Run) bool { return r.ID == p.Run }); ok && at >= 0 {
		return l.Next[at], true
	}
	return Run{}, false
}

// onBoard picks the runs that the board holds: those at work are few a machine, those that wait may be many.
func (s *Store) onBoard(ctx context.Context, queues map[uuid.UUID]Queue) ([]uuid.UUID, error) {
	shown, err := readAll(ctx, s.pool, pgx.RowTo[uuid.UUID], `SELECT id FROM run WHERE phase NOT IN ('proposed', 'closed')`)
	for _, q := range queues {
		for i, p := range q.Places {
			if i >= BoardAhead {
				break
			}
			if !p.AtGate {
				shown = append(shown, p.Run)
			}
		}
	}
	return shown, err
}

// openRuns counts the runs of each machine that are not closed.
func (s *Store) openRuns(ctx context.Context) (map[uuid.UUID]int64, error) {
	return readMap[uuid.UUID, int64](ctx, s.pool, `SELECT machine, count(*) FROM run WHERE phase <> 'closed' GROUP BY machine`)
}

func (s *Store) drawGates(ctx context.Context, lanes []Lane, machines []uuid.UUID, atGate map[uuid.UUID]Run) error {
	var runs, operators, stocks []uuid.UUID
	for _, r := range atGate {
		runs, operators, stocks = append(runs, r.ID), append(operators, r.Operator), append(stocks, r.Stock)
	}
	if len(runs) == 0 {
		return nil
	}
	given, standing := allAnswers{}, allStanding{}
	var pairs []checklist.Pair
	var reads pgx.Batch
	readAnswers(&reads, runs, given)
	readStanding(&reads, machines, operators, standing)
	readRegister(&reads, &pairs)
	var around []atMachine
	for _, l := range lanes {
		if r, ok := atGate[l.Machine.ID]; ok {
			around = append(around, atMachine{r.ID, l.Machine.Profile})
		}
	}
	circumstances := allCircumstances{}
	s.readCircumstances(&reads, around, circumstances)
	if err := s.read(ctx, &reads); err != nil {
		return err
	}
	shelf, kinds, err := s.shelf(ctx, stocks)
	if err != nil {
		return err
	}
	now := time.Now().In(s.cfg.Location)
	for i := range lanes {
		r, ok := atGate[lanes[i].Machine.ID]
		if !ok {
			continue
		}
		b := bound{stock: shelf[r.Stock], material: kinds[shelf[r.Stock].Material], pairs: pairs, around: circumstances[r.ID], at: now}
		g := drawGate(r, lanes[i].Machine, b, given[r.ID], standing[standingKey{r.Machine, r.Operator}])
		lanes[i].Gate = &g
	}
	return nil
}

// shelf reads several lots and their materials.
func (s *Store) shelf(ctx context.Context, ids []uuid.UUID) (map[uuid.UUID]Stock, map[uuid.UUID]Material, error) {
	list, err := s.stocks(ctx, `id = ANY($1)`, ids)
	if err != nil {
		return nil, nil, err
	}
	stock := make(map[uuid.UUID]Stock, len(list))
	for _, st := range list {
		stock[st.ID] = st
	}
	all, err := s.materials(ctx, `m.id IN (SELECT material FROM stock WHERE id = ANY($1))`, ids)
	if err != nil {
		return nil, nil, err
	}
	kinds := make(map[uuid.UUID]Material, len(all))
	for _, m := range all {
		kinds[m.ID] = m
	}
	return stock, kinds, nil
}
