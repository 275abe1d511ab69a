package api

import (
	"context"

	"kerfgate/api/wire"
	"kerfgate/db"
)

// StandBy is PUT /runs/{id}/second.
func (s *Server) StandBy(ctx context.Context, request wire.StandByRequestObject) (wire.StandByResponseObject, error) {
	// Whoever may not see the run learns nothing of passwords either.
	if _, err := s.run(ctx, request.ID); err != nil {
		return nil, err
	}
	b := request.Body
	var second db.Person
	var succeeded func()
	var err error
	switch {
	case b.Pin != nil && *b.Pin != "":
		second, _, succeeded, err = s.personByPIN(ctx, b.SignIn, *b.Pin)
	case b.Password != nil && *b.Password != "":
		second, succeeded, err = s.personByPassword(ctx, b.SignIn, *b.Password)
	default:
		return nil, invalid("password", "neither password nor PIN was given", "the second person types their own")
	}
	if err != nil {
		return nil, err
	}
	g, err := s.store.Second(ctx, actorIn(ctx), request.ID, second.ID)
	if err != nil {
		return nil, err
	}
	succeeded()
	return wire.StandBy200JSONResponse(gateShape(g)), nil
}
