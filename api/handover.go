package api

import (
	"context"

	"kerfgate/api/wire"
	"kerfgate/queue/broker"
)

// PauseRun is POST /runs/{id}/pause.
func (s *Server) PauseRun(ctx context.Context, request wire.PauseRunRequestObject) (wire.PauseRunResponseObject, error) {
	machine, err := s.store.NotePause(ctx, actorIn(ctx), request.ID)
	if err != nil {
		return nil, err
	}
	if err := s.floor.Pause(machine, broker.Pause{By: actorIn(ctx).Person}); err != nil {
		return nil, unreached(err)
	}
	return wire.PauseRun202Response{}, nil
}

// HandOverRun is POST /runs/{id}/handover: the caller takes attendance over. The worker also hears of
// it whenever it asks for its state, so that a message lost here holds nobody up for long.
func (s *Server) HandOverRun(ctx context.Context, request wire.HandOverRunRequestObject) (wire.HandOverRunResponseObject, error) {
	r, err := s.run(ctx, request.ID)
	if err != nil {
		return nil, err
	}
	m, err := s.store.Machine(ctx, r.Machine)
	if err != nil {
		return nil, err
	}
	token, hash := newToken()
	note, err := s.store.Handover(ctx, actorIn(ctx), r.ID, hashToken(request.Body.AttendanceToken), hash)
	if err != nil {
		return nil, err
	}
	if err := s.floor.Handover(r.Machine, note); err != nil {
		s.log.Warn("hand-over not sent; the worker will ask", "run", r.ID, "error", err)
	}
	return wire.HandOverRun200JSONResponse{AttendanceToken: token, WorkerURL: m.WorkerURL}, nil
}
