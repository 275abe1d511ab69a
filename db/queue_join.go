package db

import (
	"context"
	"time"

	"github.com/google/uuid"

	"kerfgate/plan/machine"
	"kerfgate/queue"
)

// Joining is a job that may be handed in: what of it the order of a queue depends on.
type Joining struct {
	Machine uuid.UUID
	Stock   uuid.UUID
	TotalMS int64 // as planned
	Copies  int64
	Due     *time.Time
}

// IfJoined is a machine's queue as if a job joined it now, and the place of its first and its last run. ok is false
// where more runs wait than are put into order, or the job asks for none. Errors: ErrNotFound.
func (s *Store) IfJoined(ctx context.Context, actor Actor, j Joining) (q Queue, first, last queue.Place, ok bool, err error) {
	if q, err = s.Queue(ctx, j.Machine); err != nil {
		return q, first, last, false, err
	}
	m, err := s.Machine(ctx, j.Machine)
	if err != nil {
		return q, first, last, false, err
	}
	q, first, last, ok = q.with(actor.Person, m.Profile, j)
	return q, first, last, ok, nil
}

// with puts a job's runs behind what waits and the whole into order.
func (q Queue) with(member uuid.UUID, p machine.Profile, j Joining) (joined Queue, first, last queue.Place, ok bool) {
	lane := q.Lane
	if len(lane.Waiting) >= queueAhead || j.Copies < 1 || j.Copies > MaxCopies {
		return q, first, last, false
	}
	lane.Waiting = append([]queue.Waiting{}, lane.Waiting...)
	number := int64(0)
	for _, w := range lane.Waiting {
		number = max(number, w.Number)
	}
	mine := make(map[uuid.UUID]bool, j.Copies)
	for n := range j.Copies {
		w := queue.Waiting{Run: newID(), Number: number + 1 + n, Member: member, Stock: j.Stock, Takes: onMachine(p, j.TotalMS), Due: j.Due}
		mine[w.Run] = true
		lane.Waiting = append(lane.Waiting, w)
	}
	joined = Queue{Lane: lane, Places: queue.Order(lane)}
	for _, place := range joined.Places {
		if !mine[place.Run] {
			continue
		}
		if !ok {
			first = place
		}
		last, ok = place, true
	}
	return joined, first, last, ok
}
