package api

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"net/http"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"kerfgate/db"
)

// How long a session lasts at most; the idle limit is the store's.
const (
	browserLasts = 12 * time.Hour
	scriptLasts  = 30 * 24 * time.Hour
)

// tokenBytes is the length of session and attendance tokens: 256 bits of randomness.
const tokenBytes = 32

// signedIn is the person behind a request.
type signedIn struct {
	Person  db.Person
	Session db.Session
}

// Actor is the person as the store wants to know them.
func (w signedIn) Actor() db.Actor {
	return db.Actor{Person: w.Person.ID, Role: w.Person.Role, Station: w.Session.Station}
}

type personKey struct{}

// personOf is the person behind a request; false when nobody is signed in.
func personOf(c echo.Context) (signedIn, bool) { return personIn(c.Request().Context()) }

// personIn is personOf for what has only a context.
func personIn(ctx context.Context) (signedIn, bool) {
	who, ok := ctx.Value(personKey{}).(signedIn)
	return who, ok
}

// actorIn is the actor behind a request; the zero Actor when nobody is signed in.
func actorIn(ctx context.Context) db.Actor {
	who, ok := personIn(ctx)
	if !ok {
		return db.Actor{}
	}
	return who.Actor()
}

// identify finds out who is signed in. A token that no longer holds is as none.
func (s *Server) identify(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		v := visitOf(c)
		if v.token == nil {
			return next(c)
		}
		ctx := c.Request().Context()
		who, ok, err := s.whoHas(ctx, v.token)
		if err != nil && !v.rule.open() {
			return err
		}
		if err != nil {
			// An open route answers without a database: health says so, sign-in fails by itself.
			s.log.Warn("session not read", "request", v.id, "error", err)
		}
		if ok && who.Session.Kind == db.SessionStation && v.method != http.MethodGet {
			if err := s.store.TouchSession(ctx, who.Session.ID); err != nil {
				s.log.Warn("session not kept awake", "request", v.id, "error", err)
			}
		}
		if ok {
			c.SetRequest(c.Request().WithContext(context.WithValue(ctx, personKey{}, who)))
		}
		return next(c)
	}
}

// whoHas finds the person with a session token's hash; false when the session has ended.
func (s *Server) whoHas(ctx context.Context, tokenHash []byte) (signedIn, bool, error) {
	session, person, err := s.sessionByToken(ctx, tokenHash)
	switch {
	case errors.Is(err, db.ErrNotFound):
		return signedIn{}, false, nil
	case err != nil:
		return signedIn{}, false, err
	case person.Disabled:
		return signedIn{}, false, nil
	}
	return signedIn{Person: person, Session: session}, true, nil
}

// newToken makes a random token and the hash that is kept of it.
func newToken() (token string, hash [sha256.Size]byte) {
	raw := make([]byte, tokenBytes)
	_, _ = rand.Read(raw) // never fails: crypto/rand ends the program instead
	token = base64.RawURLEncoding.EncodeToString(raw)
	return token, hashToken(token)
}

func hashToken(token string) [sha256.Size]byte { return sha256.Sum256([]byte(token)) }

// tokenOf gives the hash of the token that came with a request: a bearer token, else the cookie.
func tokenOf(r *http.Request, cookieName string) []byte {
	token := ""
	if scheme, rest, ok := strings.Cut(r.Header.Get("Authorization"), " "); ok && strings.EqualFold(scheme, "Bearer") {
		token = strings.TrimSpace(rest)
	} else if cookie, err := r.Cookie(cookieName); err == nil {
		token = cookie.Value
	}
	if token == "" || len(token) > 256 {
		return nil
	}
	hash := hashToken(token)
	return hash[:]
}

// cookieName is the session cookie's: with TLS a browser holds __Host- names to Secure, to Path=/
// and to this host alone.
func (s *Server) cookieName() string {
	if s.cfg.TLS != nil {
		return "__Host-kerfgate_session"
	}
	return "kerfgate_session"
}

// sessionCookie carries a browser's token until the session ends.
func (s *Server) sessionCookie(token string, expires time.Time) *http.Cookie {
	return &http.Cookie{
		Name:     s.cookieName(),
		Value:    token,
		Path:     "/",
		Expires:  expires,
		Secure:   s.cfg.TLS != nil,
		HttpOnly: true,
		SameSite: http.SameSiteLaxMode,
	}
}

// cookieAnswer is an answer that also gives a browser its cookie, or takes it away; nil for none.
type cookieAnswer struct {
	cookie *http.Cookie
	write  func(http.ResponseWriter) error
}

func (a cookieAnswer) visit(w http.ResponseWriter) error {
	if a.cookie != nil {
		http.SetCookie(w, a.cookie)
	}
	return a.write(w)
}

// VisitOpenSessionResponse writes the answer.
func (a cookieAnswer) VisitOpenSessionResponse(w http.ResponseWriter) error { return a.visit(w) }

// VisitOpenPasskeySessionResponse writes the answer.
func (a cookieAnswer) VisitOpenPasskeySessionResponse(w http.ResponseWriter) error { return a.visit(w) }

// VisitOpenStationSessionResponse writes the answer.
func (a cookieAnswer) VisitOpenStationSessionResponse(w http.ResponseWriter) error { return a.visit(w) }

// VisitEndSessionResponse writes the answer.
func (a cookieAnswer) VisitEndSessionResponse(w http.ResponseWriter) error { return a.visit(w) }

// VisitEnrolStationResponse writes the answer.
func (a cookieAnswer) VisitEnrolStationResponse(w http.ResponseWriter) error { return a.visit(w) }

// endedCookie makes a browser forget its token.
func (s *Server) endedCookie() *http.Cookie {
	c := s.sessionCookie("", time.Unix(1, 0))
	c.MaxAge = -1
	return c
}
