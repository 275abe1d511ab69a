package api

import (
	"context"
	"strings"

	"kerfgate/api/wire"
	"kerfgate/db"
)

// ownPassword asks the signed-in person's password again: a limitedError after too many wrong tries,
// a problem of the field where it is wrong.
func (s *Server) ownPassword(ctx context.Context, who signedIn, password string) error {
	succeeded, err := s.limiter.begin(strings.ToLower(who.Person.SignInName), visitIn(ctx).address)
	if err != nil {
		return err
	}
	_, hash, err := s.store.PersonBySignIn(ctx, who.Person.SignInName)
	if err != nil {
		return err
	}
	ok, err := passwordMatches(ctx, password, hash)
	if err != nil {
		return err
	}
	if !ok {
		return invalid("password", "the password is wrong", "give the password of the account that is signed in")
	}
	succeeded()
	return nil
}

// ChangePassword is PUT /me/password.
func (s *Server) ChangePassword(ctx context.Context, request wire.ChangePasswordRequestObject) (wire.ChangePasswordResponseObject, error) {
	who, _ := personIn(ctx)
	if err := s.changePassword(ctx, who, request.Body.Password, request.Body.NewPassword); err != nil {
		return nil, err
	}
	return wire.ChangePassword204Response{}, nil
}

func (s *Server) changePassword(ctx context.Context, who signedIn, before, after string) error {
	if err := s.ownPassword(ctx, who, before); err != nil {
		return err
	}
	hash, err := HashPassword(ctx, after)
	if err != nil {
		return err
	}
	return s.store.ChangePassword(ctx, who.Actor(), who.Session.ID, hash)
}

// ListSessions is GET /me/sessions.
func (s *Server) ListSessions(ctx context.Context, _ wire.ListSessionsRequestObject) (wire.ListSessionsResponseObject, error) {
	who, _ := personIn(ctx)
	all, err := s.store.Sessions(ctx, who.Person.ID)
	if err != nil {
		return nil, err
	}
	list := wire.SessionList{Sessions: []wire.SessionEntry{}}
	for _, se := range all {
		shape := wire.SessionEntry{ID: se.ID, Kind: wire.SessionEntryKind(se.Kind), Name: optional(se.Name), CreatedAt: utc(se.CreatedAt),
			UsedAt: utc(se.UsedAt), ExpiresAt: utc(se.ExpiresAt), Here: se.ID == who.Session.ID}
		if len(se.Scopes) > 0 {
			words := db.ScopeWords(se.Scopes)
			shape.Scopes = &words
		}
		list.Sessions = append(list.Sessions, shape)
	}
	return wire.ListSessions200JSONResponse(list), nil
}

// EndOneSession is DELETE /me/sessions/{id}.
func (s *Server) EndOneSession(ctx context.Context, request wire.EndOneSessionRequestObject) (wire.EndOneSessionResponseObject, error) {
	if err := s.store.EndSession(ctx, actorIn(ctx), request.ID); err != nil {
		return nil, err
	}
	return wire.EndOneSession204Response{}, nil
}

// MakeToken is POST /me/tokens.
func (s *Server) MakeToken(ctx context.Context, request wire.MakeTokenRequestObject) (wire.MakeTokenResponseObject, error) {
	b := request.Body
	wanted := db.NewToken{Name: b.Name, Until: b.ExpiresAt}
	for _, word := range b.Scopes {
		wanted.Scopes = append(wanted.Scopes, db.Scope(word))
	}
	made, token, err := s.makeToken(ctx, wanted)
	if err != nil {
		return nil, err
	}
	return wire.MakeToken201JSONResponse{ID: made.ID, Token: token, ExpiresAt: utc(made.ExpiresAt)}, nil
}

func (s *Server) makeToken(ctx context.Context, wanted db.NewToken) (db.Session, string, error) {
	token, hash := newToken()
	made, err := s.store.MakeToken(ctx, actorIn(ctx), wanted, hash[:])
	return made, token, err
}
