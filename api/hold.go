package api

import (
	"context"
	"encoding/hex"
	"fmt"

	"github.com/google/uuid"

	"kerfgate/api/wire"
	"kerfgate/plan/geom"
	"kerfgate/queue/broker"
)

// ways are the directions of a hold, as somebody before the machine would say them.
var ways = map[wire.HoldBeatWay]geom.Point{
	wire.HoldLeft: geom.Pt(-1, 0), wire.HoldRight: geom.Pt(1, 0),
	wire.HoldToward: geom.Pt(0, -1), wire.HoldAway: geom.Pt(0, 1),
}

// HoldRun is PUT /runs/{id}/hold. The worker alone decides how long the carriage moves: what is late here
// is late there.
func (s *Server) HoldRun(ctx context.Context, request wire.HoldRunRequestObject) (wire.HoldRunResponseObject, error) {
	b := request.Body
	key := leaveKey{run: request.ID, person: actorIn(ctx).Person}
	var done broker.SetupResult
	var err error
	switch {
	case begins(b) == (b.Grip != nil) || b.Way != nil && b.Trace != nil:
		return nil, invalid("way", "a hold is begun with a way or an outline, or goes on with its grip", "give one of the three")
	case b.Way != nil:
		way, ok := ways[*b.Way]
		if !ok {
			return nil, invalid("way", "no such way", "use left, right, toward or away")
		}
		done, err = s.grip(ctx, request.ID, broker.SetupCommand{Kind: broker.SetupGrip, By: way, Fine: b.Fine != nil && *b.Fine})
	case b.Trace != nil:
		if !b.Trace.Valid() {
			return nil, invalid("trace", "no such outline", "use outline or box")
		}
		done, err = s.gripTrace(ctx, request.ID, *b.Trace)
	default:
		command := broker.SetupCommand{Kind: broker.SetupBeat, Release: b.Release != nil && *b.Release}
		if raw, bad := hex.DecodeString(*b.Grip); bad != nil || len(raw) != len(command.Grip) {
			return nil, invalid("grip", "not the grip of a hold", "give it back as it was told")
		} else {
			copy(command.Grip[:], raw)
		}
		if b.Tick != nil {
			command.Tick = *b.Tick
		}
		done, err = s.beat(ctx, key, command)
	}
	if err != nil {
		return nil, err
	}
	return wire.HoldRun200JSONResponse{Grip: hex.EncodeToString(done.Grip[:]), Tick: done.Tick,
		PositionXMm: mm(done.Position.X), PositionYMm: mm(done.Position.Y), Homed: done.Homed, Traced: done.Traced}, nil
}

func begins(b *wire.HoldBeat) bool { return b.Way != nil || b.Trace != nil }

// gripTrace begins a hold that goes around what the plan marks.
func (s *Server) gripTrace(ctx context.Context, id uuid.UUID, shape wire.HoldBeatTrace) (broker.SetupResult, error) {
	r, err := s.run(ctx, id)
	if err != nil {
		return broker.SetupResult{}, err
	}
	if r.Placement == nil {
		return broker.SetupResult{}, invalid("trace", "the plan has no place on the bed yet", "set the origin, then trace")
	}
	row, err := s.store.Plan(ctx, actorIn(ctx), r.Plan)
	if err != nil {
		return broker.SetupResult{}, err
	}
	m, err := s.store.Machine(ctx, r.Machine)
	if err != nil {
		return broker.SetupResult{}, err
	}
	corners := row.Plan.Outline()
	if shape == wire.TraceBox {
		corners = row.Plan.TracedBox()
	}
	return s.setUp(ctx, r, broker.SetupCommand{Kind: broker.SetupGrip, Origin: r.Placement.Origin, Around: row.Plan.ToldAround(m.Profile, corners)})
}

// grip begins a hold: the run is read, and who holds it, as for any other move.
func (s *Server) grip(ctx context.Context, id uuid.UUID, command broker.SetupCommand) (broker.SetupResult, error) {
	r, err := s.run(ctx, id)
	if err != nil {
		return broker.SetupResult{}, err
	}
	return s.setUp(ctx, r, command)
}

// beat goes by the leave that the grip was taken under, so that a hold asks the database for nothing but
// who is signed in, and once more to keep that the outline was traced.
func (s *Server) beat(ctx context.Context, key leaveKey, command broker.SetupCommand) (broker.SetupResult, error) {
	held, ok := s.leaves.next(key)
	if !ok {
		return broker.SetupResult{}, unreached(fmt.Errorf("%w: nobody holds this move any more", broker.ErrWorkerSays))
	}
	command.Leave, command.Number = held.note, held.number
	done, err := s.floor.Setup(ctx, held.machine, command)
	if err != nil {
		return broker.SetupResult{}, unreached(err)
	}
	if done.Problem != "" {
		return broker.SetupResult{}, unreached(fmt.Errorf("%w: %.200s", broker.ErrWorkerSays, done.Problem))
	}
	if done.Traced {
		// The worker says around which origin; one that was set since makes the trace stand for nothing.
		if _, err := s.store.Traced(ctx, actorIn(ctx), key.run, done.Origin); err != nil {
			return broker.SetupResult{}, err
		}
	}
	return done, nil
}
