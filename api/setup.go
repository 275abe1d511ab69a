package api

import (
	"context"
	"fmt"
	"sync"
	"time"

	"github.com/google/uuid"

	"kerfgate/api/wire"
	"kerfgate/checklist"
	"kerfgate/db"
	"kerfgate/plan/geom"
	"kerfgate/queue/broker"
)

// SetUp is POST /runs/{id}/setup.
func (s *Server) SetUp(ctx context.Context, request wire.SetUpRequestObject) (wire.SetUpResponseObject, error) {
	if !request.Body.Kind.Valid() {
		return nil, invalid("kind", "no such set-up move", "use home, jog or where")
	}
	command := broker.SetupCommand{Kind: string(request.Body.Kind), OnMark: request.Body.OnMark != nil && *request.Body.OnMark}
	var err error
	if command.By.X, err = fieldMM("by_x_mm", request.Body.ByXMm); err != nil {
		return nil, err
	}
	if command.By.Y, err = fieldMM("by_y_mm", request.Body.ByYMm); err != nil {
		return nil, err
	}
	r, err := s.run(ctx, request.ID)
	if err != nil {
		return nil, err
	}
	done, err := s.setUp(ctx, r, command)
	if err != nil {
		return nil, err
	}
	return wire.SetUp200JSONResponse{PositionXMm: mm(done.Position.X), PositionYMm: mm(done.Position.Y), Homed: done.Homed}, nil
}

func fieldMM(field string, value *float64) (int64, error) {
	if value == nil {
		return 0, nil
	}
	return micrometres(field, *value)
}

// setUp sends one command without beam under a set-up leave and waits for what the worker did.
func (s *Server) setUp(ctx context.Context, r db.Run, command broker.SetupCommand) (broker.SetupResult, error) {
	m, err := s.store.Machine(ctx, r.Machine)
	if err != nil {
		return broker.SetupResult{}, err
	}
	if no := r.Placed().MayMove(m.Profile); len(no) > 0 && command.Kind != broker.SetupWhere {
		return broker.SetupResult{}, &db.Refused{Reasons: no}
	}
	key := leaveKey{run: r.ID, person: actorIn(ctx).Person}
	if command.Leave, command.Number, err = s.leave(ctx, key, r); err != nil {
		return broker.SetupResult{}, err
	}
	done, err := s.floor.Setup(ctx, r.Machine, command)
	if err != nil {
		s.leaves.drop(key)
		return broker.SetupResult{}, unreached(err)
	}
	if no := m.Profile.SpanProblems(done.Span); command.Kind == broker.SetupHome && done.Problem != "" && done.Span != (geom.Point{}) && len(no) > 0 {
		s.leaves.drop(key)
		return broker.SetupResult{}, spanRefused(no)
	}
	if done.Problem != "" {
		// Whatever it was, the next command starts from a fresh leave.
		s.leaves.drop(key)
		return broker.SetupResult{}, unreached(fmt.Errorf("%w: %.200s", broker.ErrWorkerSays, done.Problem))
	}
	return done, nil
}

// spanRefused says with both numbers why the axes have no place.
func spanRefused(problems []string) error {
	no := &db.Refused{}
	for _, text := range problems {
		no.Reasons = append(no.Reasons, checklist.Reason{What: text,
			Next: "look for what is in the carriage's way, for a loose belt or a mark that moved, then home again"})
	}
	return no
}

// leave gives the set-up leave in hand with its next number, or asks for a new one.
func (s *Server) leave(ctx context.Context, key leaveKey, r db.Run) (note []byte, number int64, err error) {
	if held, ok := s.leaves.next(key); ok {
		return held.note, held.number, nil
	}
	challenge, err := s.floor.Challenge(ctx, r.Machine, r.ID, broker.PurposeSetup)
	if err != nil {
		return nil, 0, unreached(err)
	}
	note, err = s.store.Leave(ctx, actorIn(ctx), r.ID, challenge)
	if err != nil {
		return nil, 0, err
	}
	return note, s.leaves.keep(key, heldLeave{note: note, machine: r.Machine}), nil
}

// leaves holds the set-up leaves in use, so that a jog of many steps is one leave and one entry.
type leaves struct {
	now func() time.Time

	mu   sync.Mutex
	held map[leaveKey]heldLeave
}

type leaveKey struct{ run, person uuid.UUID }

type heldLeave struct {
	note    []byte
	machine uuid.UUID
	number  int64
	until   time.Time
}

// leaveLasts is well under the 10 minutes that a leave is good for at the worker.
const leaveLasts = 5 * time.Minute

func newLeaves(now func() time.Time) *leaves {
	return &leaves{now: now, held: map[leaveKey]heldLeave{}}
}

func (l *leaves) next(key leaveKey) (heldLeave, bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	h, ok := l.held[key]
	if !ok || !l.now().Before(h.until) {
		return heldLeave{}, false
	}
	h.number++
	l.held[key] = h
	return h, true
}

func (l *leaves) keep(key leaveKey, h heldLeave) (number int64) {
	l.mu.Lock()
	defer l.mu.Unlock()
	now := l.now()
	for k, other := range l.held {
		if !now.Before(other.until) || k.run == key.run {
			delete(l.held, k)
		}
	}
	h.number, h.until = 1, now.Add(leaveLasts)
	l.held[key] = h
	return 1
}

// drop forgets a leave.
func (l *leaves) drop(key leaveKey) {
	l.mu.Lock()
	defer l.mu.Unlock()
	delete(l.held, key)
}

// dropRun forgets every leave of a run: a newer challenge has cancelled them.
func (l *leaves) dropRun(run uuid.UUID) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for k := range l.held {
		if k.run == run {
			delete(l.held, k)
		}
	}
}
