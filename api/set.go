package api

import (
	"context"

	"github.com/google/uuid"

	"kerfgate/api/wire"
	"kerfgate/db"
)

// ListSets is GET /sets.
func (s *Server) ListSets(ctx context.Context, request wire.ListSetsRequestObject) (wire.ListSetsResponseObject, error) {
	limit, err := pageLimit(request.Params.Limit)
	if err != nil {
		return nil, err
	}
	sets, err := s.store.Sets(ctx, actorIn(ctx), given(request.Params.Cursor), limit)
	if err != nil {
		return nil, err
	}
	page := wire.SetPage{}
	page.Sets, page.Next = paged(sets, limit, setShape, func(t db.Set) uuid.UUID { return t.ID })
	return wire.ListSets200JSONResponse(page), nil
}

// MakeSet is POST /sets.
func (s *Server) MakeSet(ctx context.Context, request wire.MakeSetRequestObject) (wire.MakeSetResponseObject, error) {
	t, err := s.store.MakeSet(ctx, actorIn(ctx), request.Body.Name)
	if err != nil {
		return nil, err
	}
	return wire.MakeSet201JSONResponse(setShape(t)), nil
}

// GetSet is GET /sets/{id}.
func (s *Server) GetSet(ctx context.Context, request wire.GetSetRequestObject) (wire.GetSetResponseObject, error) {
	t, err := s.store.Set(ctx, actorIn(ctx), request.ID)
	if err != nil {
		return nil, err
	}
	detail := wire.SetDetail{Set: setShape(t), Jobs: make([]wire.Job, 0, len(t.Jobs))}
	for _, j := range t.Jobs {
		detail.Jobs = append(detail.Jobs, jobShape(j))
	}
	return wire.GetSet200JSONResponse(detail), nil
}

func setShape(t db.Set) wire.Set {
	return wire.Set{ID: t.ID, Name: t.Name, MemberID: t.Member, MemberName: t.MemberName, MadeAt: utc(t.MadeAt), Jobs: t.JobCount,
		Sheets: t.Sheets, Done: t.Done, Waiting: t.Waiting}
}
