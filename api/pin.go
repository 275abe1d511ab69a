package api

import (
	"context"
	"errors"
	"net/http"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/alexedwards/argon2id"
	"github.com/google/uuid"

	"kerfgate/api/wire"
	"kerfgate/db"
)

// Lengths of a PIN in digits.
const (
	minPIN = 6
	maxPIN = 12
)

// stationKept is how long a device keeps its station credential; it is good until it is revoked.
const stationKept = 10 * 365 * 24 * time.Hour

var (
	errNoStation = errors.New("this browser is no enrolled station")
	errWrongPIN  = errors.New("sign-in name or PIN is wrong")
)

// stationCookieName is the name of the cookie that makes a browser a station.
func (s *Server) stationCookieName() string {
	return strings.Replace(s.cookieName(), "session", "station", 1)
}

func (s *Server) stationCookie(token string) *http.Cookie {
	c := s.sessionCookie(token, s.now().Add(stationKept))
	c.Name = s.stationCookieName()
	c.SameSite = http.SameSiteStrictMode
	return c
}

// stationTokenOf gives the hash of the station credential that came with a request, nil for none.
func (s *Server) stationTokenOf(r *http.Request) []byte {
	c, err := r.Cookie(s.stationCookieName())
	if err != nil || c.Value == "" || len(c.Value) > 256 {
		return nil
	}
	hash := hashToken(c.Value)
	return hash[:]
}

// stationIn finds the station that a request comes from; false for any other browser.
func (s *Server) stationIn(ctx context.Context) (db.Station, bool, error) {
	token := visitIn(ctx).station
	if token == nil {
		return db.Station{}, false, nil
	}
	st, err := s.store.StationByToken(ctx, token)
	if errors.Is(err, db.ErrNotFound) {
		return db.Station{}, false, nil
	}
	return st, err == nil, err
}

// OpenStationSession is POST /sessions/pin.
func (s *Server) OpenStationSession(ctx context.Context, request wire.OpenStationSessionRequestObject) (wire.OpenStationSessionResponseObject, error) {
	o, err := s.signInByPIN(ctx, request.Body.SignIn, request.Body.Pin)
	if err != nil {
		return nil, err
	}
	body := wire.OpenStationSession201JSONResponse{Person: personShape(o.Person), ExpiresAt: o.Session.ExpiresAt}
	return cookieAnswer{s.sessionCookie(o.Token, o.Session.ExpiresAt), body.VisitOpenStationSessionResponse}, nil
}

// signInByPIN opens a session at the station that asks. Errors are errNoStation, errWrongPIN whatever
// was wrong, and a limitedError after five wrong tries for the person or at the station.
func (s *Server) signInByPIN(ctx context.Context, name, pin string) (opened, error) {
	person, station, succeeded, err := s.personByPIN(ctx, name, pin)
	if err != nil {
		return opened{}, err
	}
	o, err := s.openAtStation(ctx, person, station)
	if err != nil {
		return opened{}, err
	}
	succeeded()
	return o, nil
}

// personByPIN says whose PIN was typed at the station that asks, without opening a session; succeeded takes
// the try off the count. Errors are those of signInByPIN.
func (s *Server) personByPIN(ctx context.Context, name, pin string) (db.Person, db.Station, func(), error) {
	none := func(err error) (db.Person, db.Station, func(), error) { return db.Person{}, db.Station{}, nil, err }
	station, ok, err := s.stationIn(ctx)
	if err != nil {
		return none(err)
	}
	if !ok {
		return none(errNoStation)
	}
	name = strings.TrimSpace(name)
	if n := utf8.RuneCountInString(name); n == 0 || n > 100 {
		return none(errWrongPIN)
	}
	byPerson := triedKey{"PIN of", strings.ToLower(name)}
	byStation := triedKey{"PIN at", station.ID.String()}
	succeeded, err := s.limiter.count(limit{byPerson, accountTries}, limit{byStation, accountTries})
	if err != nil {
		return none(err)
	}
	person, hash, err := s.store.PINBySignIn(ctx, name)
	if err != nil && !errors.Is(err, db.ErrNotFound) {
		return none(err)
	}
	if err != nil {
		hash = ""
	}
	matches, err := passwordMatches(ctx, pin, hash)
	if err != nil {
		return none(err)
	}
	if !matches {
		s.log.Warn("wrong PIN", "request", visitIn(ctx).id, "station", station.ID)
		if s.limiter.closed(limit{byPerson, accountTries}) || s.limiter.closed(limit{byStation, accountTries}) {
			s.notePINClosed(ctx, person.ID, station.ID)
		}
		return none(errWrongPIN)
	}
	return person, station, succeeded, nil
}

func (s *Server) openAtStation(ctx context.Context, person db.Person, station db.Station) (opened, error) {
	token, tokenHash := newToken()
	session, err := s.store.OpenStationSession(ctx, person.ID, station, tokenHash[:])
	return opened{Person: person, Session: session, Token: token}, err
}

func (s *Server) notePINClosed(ctx context.Context, person, station uuid.UUID) {
	if err := s.store.NotePINClosed(ctx, person, station); err != nil {
		s.log.Error("closed PIN not logged", "request", visitIn(ctx).id, "station", station, "error", err)
	}
}

// SetPIN is PUT /me/pin.
func (s *Server) SetPIN(ctx context.Context, request wire.SetPINRequestObject) (wire.SetPINResponseObject, error) {
	who, _ := personIn(ctx)
	if err := s.choosePIN(ctx, who, request.Body.Password, request.Body.Pin); err != nil {
		return nil, err
	}
	return wire.SetPIN204Response{}, nil
}

func (s *Server) choosePIN(ctx context.Context, who signedIn, password, pin string) error {
	if len(pin) < minPIN || len(pin) > maxPIN || strings.Trim(pin, "0123456789") != "" || strings.Trim(pin, pin[:1]) == "" {
		return invalid("pin", "a PIN has 6 to 12 digits that are not all the same", "choose another")
	}
	if err := s.ownPassword(ctx, who, password); err != nil {
		return err
	}
	release, err := hashing.take(ctx)
	if err != nil {
		return err
	}
	pinHash, err := argon2id.CreateHash(pin, &passwordParams)
	release()
	if err != nil {
		return err
	}
	return s.store.SetPIN(ctx, who.Actor(), pinHash)
}
