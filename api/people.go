package api

import (
	"context"

	"github.com/google/uuid"

	"kerfgate/api/wire"
	"kerfgate/db"
	"kerfgate/plan/material"
)

// ListPeople is GET /people.
func (s *Server) ListPeople(ctx context.Context, request wire.ListPeopleRequestObject) (wire.ListPeopleResponseObject, error) {
	limit, err := pageLimit(request.Params.Limit)
	if err != nil {
		return nil, err
	}
	people, err := s.store.Accounts(ctx, given(request.Params.Cursor), limit)
	if err != nil {
		return nil, err
	}
	page := wire.PeoplePage{}
	page.People, page.Next = paged(people, limit, accountShape, func(a db.Account) uuid.UUID { return a.ID })
	return wire.ListPeople200JSONResponse(page), nil
}

// GetPerson is GET /people/{id}.
func (s *Server) GetPerson(ctx context.Context, request wire.GetPersonRequestObject) (wire.GetPersonResponseObject, error) {
	a, err := s.store.Account(ctx, request.ID)
	if err != nil {
		return nil, err
	}
	return wire.GetPerson200JSONResponse{Body: accountShape(a), Headers: wire.GetPerson200ResponseHeaders{ETag: etag(a.Rev)}}, nil
}

// ChangePerson is PUT /people/{id}.
func (s *Server) ChangePerson(ctx context.Context, request wire.ChangePersonRequestObject) (wire.ChangePersonResponseObject, error) {
	rev, err := revOf(request.Params.IfMatch)
	if err != nil {
		return nil, err
	}
	b := request.Body
	if !b.Role.Valid() {
		return nil, invalid("role", "there is no such role", "choose member, officer or admin; all on a site of one")
	}
	a, err := s.store.ChangePerson(ctx, actorIn(ctx), request.ID, rev, db.PersonChange{Name: b.Name, Role: db.Role(b.Role), Disabled: b.Disabled})
	if err != nil {
		return nil, stale(rev, err)
	}
	return wire.ChangePerson200JSONResponse{Body: accountShape(a), Headers: wire.ChangePerson200ResponseHeaders{ETag: etag(a.Rev)}}, nil
}

// ErasePerson is DELETE /people/{id}.
func (s *Server) ErasePerson(ctx context.Context, request wire.ErasePersonRequestObject) (wire.ErasePersonResponseObject, error) {
	if err := s.store.ErasePerson(ctx, actorIn(ctx), request.ID); err != nil {
		return nil, err
	}
	return wire.ErasePerson204Response{}, nil
}

// Authorise is POST /people/{id}/authorisations.
func (s *Server) Authorise(ctx context.Context, request wire.AuthoriseRequestObject) (wire.AuthoriseResponseObject, error) {
	b := request.Body
	wanted := db.NewAuthorisation{Person: request.ID, Machine: b.MachineID, Until: b.ExpiresAt, Evidence: b.Evidence}
	if b.IdleMonths != nil {
		wanted.IdleMonths = *b.IdleMonths
	}
	if b.Groups != nil {
		wanted.Groups = groupsOf(*b.Groups)
	}
	a, err := s.store.Authorise(ctx, actorIn(ctx), wanted)
	if err != nil {
		return nil, err
	}
	return wire.Authorise201JSONResponse(authorisationShape(a)), nil
}

// WithdrawAuthorisation is DELETE /authorisations/{id}.
func (s *Server) WithdrawAuthorisation(ctx context.Context, request wire.WithdrawAuthorisationRequestObject) (wire.WithdrawAuthorisationResponseObject, error) {
	if err := s.store.WithdrawAuthorisation(ctx, actorIn(ctx), request.ID); err != nil {
		return nil, err
	}
	return wire.WithdrawAuthorisation204Response{}, nil
}

func accountShape(a db.Account) wire.Account {
	shape := wire.Account{ID: a.ID, SignIn: a.SignInName, Name: a.Name, Role: string(a.Role), Disabled: a.Disabled, AddedAt: utc(a.AddedAt),
		ErasedAt: someTime(a.ErasedAt), Rev: a.Rev, Authorisations: make([]wire.Authorisation, 0, len(a.Authorisations))}
	for _, au := range a.Authorisations {
		shape.Authorisations = append(shape.Authorisations, authorisationShape(au))
	}
	return shape
}

func authorisationShape(a db.Authorisation) wire.Authorisation {
	shape := wire.Authorisation{ID: a.ID, MachineID: a.Machine, GrantedAt: utc(a.GrantedAt), ExpiresAt: utc(a.ExpiresAt),
		GrantedBy: optional(a.GrantedBy), Evidence: optional(a.Evidence), MachineName: optional(a.MachineName)}
	if a.IdleMonths != 0 {
		shape.IdleMonths = &a.IdleMonths
	}
	if len(a.Groups) > 0 {
		words := make([]string, len(a.Groups))
		for i, g := range a.Groups {
			words[i] = string(g)
		}
		shape.Groups = &words
	}
	return shape
}

func groupsOf(words []string) []material.Group {
	groups := make([]material.Group, len(words))
	for i, word := range words {
		groups[i] = material.Group(word)
	}
	return groups
}
