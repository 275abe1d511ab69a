package api

import (
	"context"

	"kerfgate/api/wire"
)

// GetQueue is GET /machines/{id}/queue.
func (s *Server) GetQueue(ctx context.Context, request wire.GetQueueRequestObject) (wire.GetQueueResponseObject, error) {
	q, err := s.store.Queue(ctx, request.ID)
	if err != nil {
		return nil, err
	}
	shape := wire.Queue{MachineID: request.ID, LockedOut: q.Lane.LockedOut, Places: make([]wire.QueuePlace, 0, len(q.Places))}
	if p := q.Lane.Pace; p.Known() {
		typical, slow := float64(p.Typical)/10, float64(p.Slow)/10
		shape.PaceRuns, shape.TypicalPercent, shape.SlowPercent = int64(p.Runs), &typical, &slow
	}
	for _, p := range q.Places {
		shape.Places = append(shape.Places, wire.QueuePlace{RunID: p.Run, Number: p.Number, Why: string(p.Why), Reason: p.Reason, Due: someTime(p.Due),
			Promised: p.Promised, Absent: p.Absent, Start: someTime(p.Start), Ready: someTime(p.End), ReadyBy: someTime(p.Slowest)})
	}
	return wire.GetQueue200JSONResponse(shape), nil
}

// TakeRun is POST /runs/{id}/take.
func (s *Server) TakeRun(ctx context.Context, request wire.TakeRunRequestObject) (wire.TakeRunResponseObject, error) {
	if err := s.store.TakeRun(ctx, actorIn(ctx), request.ID, request.Body.Reason); err != nil {
		return nil, err
	}
	return wire.TakeRun204Response{}, nil
}

// CallMember is POST /runs/{id}/call.
func (s *Server) CallMember(ctx context.Context, request wire.CallMemberRequestObject) (wire.CallMemberResponseObject, error) {
	if err := s.store.CallMember(ctx, actorIn(ctx), request.ID); err != nil {
		return nil, err
	}
	return wire.CallMember204Response{}, nil
}

// MemberCame is POST /runs/{id}/came.
func (s *Server) MemberCame(ctx context.Context, request wire.MemberCameRequestObject) (wire.MemberCameResponseObject, error) {
	if err := s.store.MemberCame(ctx, actorIn(ctx), request.ID); err != nil {
		return nil, err
	}
	return wire.MemberCame204Response{}, nil
}

// SwapRun is POST /runs/{id}/swap. A plan is made, so it waits for a slot.
func (s *Server) SwapRun(ctx context.Context, request wire.SwapRunRequestObject) (wire.SwapRunResponseObject, error) {
	release, err := s.plans.take(ctx)
	if err != nil {
		return nil, err
	}
	defer release()
	r, err := s.store.SwapStock(ctx, actorIn(ctx), request.ID, request.Body.StockID, request.Body.Reason)
	if err != nil {
		return nil, err
	}
	return wire.SwapRun200JSONResponse(runShape(r)), nil
}
