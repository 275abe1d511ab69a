package api

import (
	"context"
	"errors"
	"strings"
	"time"
	"unicode/utf8"

	"kerfgate/api/wire"
	"kerfgate/db"
)

// opened is a session just opened; Token is shown once and kept nowhere.
type opened struct {
	Person  db.Person
	Session db.Session
	Token   string
}

// signIn opens a session for who knows name and password. Errors are errWrongSignIn, whatever was
// wrong, and a limitedError after too many wrong tries.
func (s *Server) signIn(ctx context.Context, name, password string, kind db.SessionKind) (opened, error) {
	person, succeeded, err := s.personByPassword(ctx, name, password)
	if err != nil {
		return opened{}, err
	}
	if kind == db.SessionBrowser {
		// A station is the next person's too: whoever signs in there with a password gets no more than by PIN.
		if station, at, err := s.stationIn(ctx); err != nil {
			return opened{}, err
		} else if at {
			o, err := s.openAtStation(ctx, person, station)
			if err == nil {
				succeeded()
			}
			return o, err
		}
	}
	lasts := browserLasts
	if kind == db.SessionScript {
		lasts = scriptLasts
	}
	token, tokenHash := newToken()
	session, err := s.store.OpenSession(ctx, person.ID, kind, tokenHash[:], lasts)
	if err != nil {
		return opened{}, err
	}
	succeeded()
	return opened{Person: person, Session: session, Token: token}, nil
}

// personByPassword says whose password was typed, without opening a session; succeeded takes the try off the
// count. Errors are those of signIn.
func (s *Server) personByPassword(ctx context.Context, name, password string) (db.Person, func(), error) {
	name = strings.TrimSpace(name)
	if n := utf8.RuneCountInString(name); n == 0 || n > 100 {
		return db.Person{}, nil, errWrongSignIn
	}
	succeeded, err := s.limiter.begin(strings.ToLower(name), visitIn(ctx).address)
	if err != nil {
		return db.Person{}, nil, err
	}
	person, hash, err := s.store.PersonBySignIn(ctx, name)
	if err != nil && !errors.Is(err, db.ErrNotFound) {
		return db.Person{}, nil, err
	}
	if err != nil || person.Disabled {
		hash = ""
	}
	ok, err := passwordMatches(ctx, password, hash)
	if err != nil {
		return db.Person{}, nil, err
	}
	if !ok {
		s.log.Warn("wrong sign-in", "request", visitIn(ctx).id, "address", visitIn(ctx).address)
		return db.Person{}, nil, errWrongSignIn
	}
	return person, succeeded, nil
}

// OpenSession is POST /sessions.
func (s *Server) OpenSession(ctx context.Context, request wire.OpenSessionRequestObject) (wire.OpenSessionResponseObject, error) {
	kind := db.SessionScript
	if k := request.Body.Kind; k != nil {
		if !k.Valid() {
			return nil, invalid("kind", "no such kind of session", "use browser or script")
		}
		kind = db.SessionKind(*k)
	}
	o, err := s.signIn(ctx, request.Body.SignIn, request.Body.Password, kind)
	if err != nil {
		return nil, err
	}
	body := wire.OpenSession201JSONResponse{Person: personShape(o.Person), ExpiresAt: o.Session.ExpiresAt}
	if kind == db.SessionBrowser {
		return cookieAnswer{s.sessionCookie(o.Token, o.Session.ExpiresAt), body.VisitOpenSessionResponse}, nil
	}
	body.Token = &o.Token
	return body, nil
}

// EndSession is DELETE /sessions/current.
func (s *Server) EndSession(ctx context.Context, _ wire.EndSessionRequestObject) (wire.EndSessionResponseObject, error) {
	who, _ := personIn(ctx)
	if err := s.store.EndSession(ctx, who.Actor(), who.Session.ID); err != nil {
		return nil, err
	}
	return cookieAnswer{s.endedCookie(), wire.EndSession204Response{}.VisitEndSessionResponse}, nil
}

// GetMe is GET /me.
func (s *Server) GetMe(ctx context.Context, _ wire.GetMeRequestObject) (wire.GetMeResponseObject, error) {
	who, _ := personIn(ctx)
	all, err := s.store.Authorisations(ctx, who.Person.ID)
	if err != nil {
		return nil, err
	}
	me := wire.Me{Person: personShape(who.Person), Roles: []string{string(member)}, Authorisations: []wire.Authorisation{}}
	now, isOperator := s.now(), false
	for _, a := range all {
		isOperator = isOperator || valid(a, now)
		me.Authorisations = append(me.Authorisations, authorisationShape(a))
	}
	if isOperator {
		me.Roles = append(me.Roles, string(operator))
	}
	if who.Person.Role != db.RoleMember {
		me.Roles = append(me.Roles, string(who.Person.Role))
	}
	return wire.GetMe200JSONResponse(me), nil
}

func personShape(p db.Person) wire.Person {
	return wire.Person{ID: p.ID, SignIn: p.SignInName, Name: p.Name, Role: string(p.Role)}
}

func utc(t time.Time) time.Time { return t.UTC() }
