package db

import (
	"context"
	"time"

	"github.com/google/uuid"

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
// and nothing is in order where more runs wait than are put into order, or the job asks for none. Errors: ErrNotFound.
func (s *Store) IfJoined(ctx context.Context, actor Actor, j Joining) (q Queue, first, last queue.Place, ok bool, err error) {
	m, err := s.Machine(ctx, j.Machine)
	if err != nil {
		return q, first, last, false, err
	}
	lanes, err := s.lanes(ctx, []Machine{m})
	if err != nil {
		return q, first, last, false, err
	}
	lane := lanes[j.Machine]
	if len(lane.Waiting) >= queueAhead || j.Copies < 1 || j.Copies > MaxCopies {
		return Queue{Lane: *lane}, first, last, false, nil
	}
	number := int64(0)
	for _, w := range lane.Waiting {
		number = max(number, w.Number)
	}
	mine := make(map[uuid.UUID]bool, j.Copies)
	for n := range j.Copies {
		w := queue.Waiting{Run: newID(), Number: number + 1 + n, Member: actor.Person, Stock: j.Stock, Takes: onMachine(m.Profile, j.TotalMS), Due: j.Due}
		mine[w.Run] = true
		lane.Waiting = append(lane.Waiting, w)
	}
	q = Queue{Lane: *lane, Places: queue.Order(*lane)}
	for _, place := range q.Places {
		if !mine[place.Run] {
			continue
		}
		if !ok {
			first = place
		}
		last, ok = place, true
	}
	return q, first, last, ok, nil
}
