package api

import (
	"context"
	"encoding/base64"
	"errors"

	"github.com/go-webauthn/webauthn/protocol"
	"github.com/go-webauthn/webauthn/webauthn"
	"github.com/google/uuid"

	"kerfgate/api/wire"
	"kerfgate/db"
)

// challengeTries is how many challenges one address may ask for without signing in by one.
const challengeTries = 40

var errWrongPasskey = errors.New("this passkey does not sign in here")

// ChallengePasskey is POST /sessions/passkey/challenge.
func (s *Server) ChallengePasskey(ctx context.Context, _ wire.ChallengePasskeyRequestObject) (wire.ChallengePasskeyResponseObject, error) {
	if s.passkeys == nil {
		return nil, errNoPasskeys
	}
	if _, err := s.limiter.count(challengesAt(ctx)); err != nil {
		return nil, err
	}
	options, ceremony, err := s.passkeys.BeginDiscoverableLogin()
	if err != nil {
		return nil, err
	}
	if err := s.keepCeremony(ctx, uuid.Nil, ceremony); err != nil {
		return nil, err
	}
	r := options.Response
	return wire.ChallengePasskey201JSONResponse{Challenge: r.Challenge.String(), RpID: r.RelyingPartyID, TimeoutMs: int64(r.Timeout)}, nil
}

func challengesAt(ctx context.Context) limit {
	return limit{triedKey{"passkey challenges of", visitIn(ctx).address}, challengeTries}
}

// OpenPasskeySession is POST /sessions/passkey.
func (s *Server) OpenPasskeySession(ctx context.Context, request wire.OpenPasskeySessionRequestObject) (wire.OpenPasskeySessionResponseObject, error) {
	o, err := s.signInByPasskey(ctx, *request.Body)
	if err != nil {
		return nil, err
	}
	// Whoever was signed in before in this browser no longer is.
	if who, ok := personIn(ctx); ok {
		if err := s.store.EndSession(ctx, who.Actor(), who.Session.ID); err != nil && !errors.Is(err, db.ErrNotFound) {
			s.log.Warn("session not ended", "request", visitIn(ctx).id, "error", err)
		}
	}
	body := wire.OpenPasskeySession201JSONResponse{Person: personShape(o.Person), ExpiresAt: o.Session.ExpiresAt}
	return cookieAnswer{s.sessionCookie(o.Token, o.Session.ExpiresAt), body.VisitOpenPasskeySessionResponse}, nil
}

// signInByPasskey opens a session, at the station that asks or in any other browser. Errors are
// errWrongPasskey whatever was wrong, db.ErrPasskeyCopied, and a limitedError after too many wrong tries.
func (s *Server) signInByPasskey(ctx context.Context, b wire.PasskeySignIn) (opened, error) {
	if s.passkeys == nil {
		return opened{}, errNoPasskeys
	}
	// Counted apart from passwords: who guesses at those closes no passkey.
	succeeded, err := s.limiter.count(limit{triedKey{"passkey", b.CredentialID}, accountTries}, limit{triedKey{"address", visitIn(ctx).address}, addressTries})
	if err != nil {
		return opened{}, err
	}
	k, person, count, err := s.passkeyOf(ctx, b)
	if err != nil {
		return opened{}, err
	}
	station, _, err := s.stationIn(ctx)
	if err != nil {
		return opened{}, err
	}
	lasts := browserLasts
	if station.ID != uuid.Nil {
		lasts = db.StationSessionLasts
	}
	token, tokenHash := newToken()
	session, err := s.store.UsePasskey(ctx, k, count, station, tokenHash[:], lasts)
	if err != nil {
		if errors.Is(err, db.ErrPasskeyCopied) {
			s.log.Warn("passkey counts as if there were two", "request", visitIn(ctx).id, "passkey", k.ID, "error", err)
		}
		return opened{}, err
	}
	succeeded()
	s.limiter.forget(challengesAt(ctx).key)
	return opened{Person: person, Session: session, Token: token}, nil
}

// passkeyOf says whose passkey answered a challenge of this server, and how many signatures it has counted.
func (s *Server) passkeyOf(ctx context.Context, b wire.PasskeySignIn) (k db.Passkey, person db.Person, count uint32, err error) {
	wrong := func(why error) (db.Passkey, db.Person, uint32, error) {
		s.log.Warn("wrong passkey", "request", visitIn(ctx).id, "address", visitIn(ctx).address, "error", why)
		return db.Passkey{}, db.Person{}, 0, errWrongPasskey
	}
	answer := protocol.CredentialAssertionResponse{}
	answer.ID, answer.Type = b.CredentialID, string(protocol.PublicKeyCredentialType)
	a := &answer.AssertionResponse
	for _, field := range []struct {
		text string
		to   *protocol.URLEncodedBase64
	}{{b.CredentialID, &answer.RawID}, {b.ClientData, &a.ClientDataJSON}, {b.AuthenticatorData, &a.AuthenticatorData}, {b.Signature, &a.Signature}, {b.UserHandle, &a.UserHandle}} {
		if *field.to, err = base64.RawURLEncoding.DecodeString(field.text); err != nil {
			return wrong(err)
		}
	}
	parsed, err := answer.Parse()
	if err != nil {
		return wrong(err)
	}
	ceremony, err := s.takeCeremony(ctx, uuid.Nil, parsed.Response.CollectedClientData.Challenge)
	if errors.Is(err, db.ErrNotFound) {
		return wrong(err)
	} else if err != nil {
		return db.Passkey{}, db.Person{}, 0, err
	}
	k, person, err = s.store.PasskeyByCredential(ctx, parsed.RawID)
	if errors.Is(err, db.ErrNotFound) {
		return wrong(err)
	} else if err != nil {
		return db.Passkey{}, db.Person{}, 0, err
	}
	holder := passkeyHolder{person, []db.Passkey{k}}
	// The library holds the user handle to the holder, and everything else of WebAuthn Level 3, 7.2 but the count,
	// which the store compares where it is kept.
	if _, _, err := s.passkeys.ValidatePasskeyLogin(func(_, _ []byte) (webauthn.User, error) { return holder, nil }, ceremony, parsed); err != nil {
		return wrong(err)
	}
	return k, person, parsed.Response.AuthenticatorData.Counter, nil
}
