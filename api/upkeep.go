package api

import (
	"context"

	"kerfgate/api/wire"
	"kerfgate/db"
)

// ListUpkeep is GET /upkeep.
func (s *Server) ListUpkeep(ctx context.Context, request wire.ListUpkeepRequestObject) (wire.ListUpkeepResponseObject, error) {
	all, err := s.store.Upkeep(ctx, given(request.Params.MachineID))
	if err != nil {
		return nil, err
	}
	list := wire.UpkeepList{Tasks: make([]wire.UpkeepTask, 0, len(all))}
	for _, t := range all {
		list.Tasks = append(list.Tasks, upkeepShape(t))
	}
	return wire.ListUpkeep200JSONResponse(list), nil
}

// SetUpkeep is POST /upkeep.
func (s *Server) SetUpkeep(ctx context.Context, request wire.SetUpkeepRequestObject) (wire.SetUpkeepResponseObject, error) {
	b := request.Body
	n := db.NewUpkeep{Machine: b.MachineID, What: b.What, Critical: b.Critical}
	for to, from := range map[*int64]*int64{&n.Rule.Days: b.Days, &n.Rule.Hours: b.Hours, &n.Rule.Runs: b.Runs} {
		if from != nil {
			*to = *from
		}
	}
	t, err := s.store.SetUpkeep(ctx, actorIn(ctx), n)
	if err != nil {
		return nil, err
	}
	return wire.SetUpkeep201JSONResponse(upkeepShape(t)), nil
}

// DoUpkeep is POST /upkeep/{id}/done.
func (s *Server) DoUpkeep(ctx context.Context, request wire.DoUpkeepRequestObject) (wire.DoUpkeepResponseObject, error) {
	t, err := s.store.DoUpkeep(ctx, actorIn(ctx), request.ID, request.Body.Note, nil)
	if err != nil {
		return nil, err
	}
	return wire.DoUpkeep200JSONResponse(upkeepShape(t)), nil
}

// RetireUpkeep is DELETE /upkeep/{id}.
func (s *Server) RetireUpkeep(ctx context.Context, request wire.RetireUpkeepRequestObject) (wire.RetireUpkeepResponseObject, error) {
	if err := s.store.RetireUpkeep(ctx, actorIn(ctx), request.ID); err != nil {
		return nil, err
	}
	return wire.RetireUpkeep204Response{}, nil
}

func upkeepShape(t db.UpkeepTask) wire.UpkeepTask {
	return wire.UpkeepTask{ID: t.ID, MachineID: t.Machine, MachineName: t.MachineName, What: t.What, Days: t.Rule.Days, Hours: t.Rule.Hours, Runs: t.Rule.Runs,
		Critical: t.Critical, Since: utc(t.Since), State: wire.UpkeepTaskState(t.State), Why: t.Why, LastNote: t.LastNote, LastBy: t.LastBy}
}
