package api

import (
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"net"
	"net/url"
	"strings"

	"github.com/go-webauthn/webauthn/protocol"
	"github.com/go-webauthn/webauthn/webauthn"
	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"kerfgate/api/web"
	"kerfgate/api/wire"
	"kerfgate/checklist"
	"kerfgate/db"
)

var errNoPasskeys = errors.New("passkeys need a server that is reached by a name, over TLS")

// passkeyOrigin is the one origin whose pages may use passkeys: the server's own as it was configured, never a
// request's. A browser allows them for a name alone, and without TLS only on localhost (WebAuthn Level 3, 5.1.2
// and 13.4.9), which is what a loopback address is called there; "" where there is none.
func passkeyOrigin(own string) string {
	u, err := url.Parse(own)
	if err != nil || u.Host == "" {
		return ""
	}
	host := strings.ToLower(u.Hostname())
	if ip := net.ParseIP(host); ip != nil && ip.IsLoopback() {
		host = "localhost"
	} else if ip != nil {
		return ""
	}
	if host != "localhost" && u.Scheme != "https" {
		return ""
	}
	if port := u.Port(); port != "" && !(u.Scheme == "https" && port == "443") && !(u.Scheme == "http" && port == "80") {
		host = net.JoinHostPort(host, port)
	}
	return u.Scheme + "://" + host
}

// passkeysOn says whether passkeys work on the page that is asked for, or where they do. The request's own host
// decides what is shown and nothing else.
func (s *Server) passkeysOn(c echo.Context) web.PasskeysView {
	if s.passkeys == nil {
		return web.PasskeysView{}
	}
	origin := s.passkeys.Config.RPOrigins[0]
	_, host, _ := strings.Cut(origin, "://")
	return web.PasskeysView{Here: strings.EqualFold(c.Request().Host, host), At: origin}
}

// newPasskeys makes what judges passkeys; nil where the server's origin allows none.
func newPasskeys(origin, site string) (*webauthn.WebAuthn, error) {
	if origin = passkeyOrigin(origin); origin == "" {
		return nil, nil
	}
	u, err := url.Parse(origin)
	if err != nil {
		return nil, err
	}
	// Required everywhere: without it a found phone would sign in (S1: a full sign-in).
	return webauthn.New(&webauthn.Config{RPID: u.Hostname(), RPDisplayName: site, RPOrigins: []string{origin},
		AttestationPreference:  protocol.PreferNoAttestation,
		AuthenticatorSelection: protocol.AuthenticatorSelection{ResidentKey: protocol.ResidentKeyRequirementRequired, RequireResidentKey: protocol.ResidentKeyRequired(), UserVerification: protocol.VerificationRequired}})
}

// passkeyHolder is a person as the library wants to know them.
type passkeyHolder struct {
	person db.Person
	keys   []db.Passkey
}

// WebAuthnID is the person's id, which tells nothing about them.
func (h passkeyHolder) WebAuthnID() []byte { return h.person.ID[:] }

// WebAuthnName is what the authenticator shows.
func (h passkeyHolder) WebAuthnName() string { return h.person.SignInName }

// WebAuthnDisplayName is what the authenticator shows.
func (h passkeyHolder) WebAuthnDisplayName() string { return h.person.Name }

// WebAuthnCredentials are the person's passkeys.
func (h passkeyHolder) WebAuthnCredentials() []webauthn.Credential {
	list := make([]webauthn.Credential, len(h.keys))
	for i, k := range h.keys {
		list[i] = webauthn.Credential{ID: k.Credential, PublicKey: k.PublicKey, Flags: webauthn.NewCredentialFlags(protocol.AuthenticatorFlags(k.Flags)),
			Authenticator: webauthn.Authenticator{SignCount: k.SignCount}}
	}
	return list
}

// keepCeremony keeps a challenge until it is answered.
func (s *Server) keepCeremony(ctx context.Context, session uuid.UUID, ceremony *webauthn.SessionData) error {
	data, err := json.Marshal(ceremony)
	if err != nil {
		return err
	}
	return s.store.KeepChallenge(ctx, sha256.Sum256([]byte(ceremony.Challenge)), session, data)
}

// takeCeremony finds what an answered challenge was given for; it can be answered this once.
func (s *Server) takeCeremony(ctx context.Context, session uuid.UUID, challenge string) (ceremony webauthn.SessionData, err error) {
	data, err := s.store.TakeChallenge(ctx, sha256.Sum256([]byte(challenge)), session)
	if err != nil {
		return ceremony, err
	}
	return ceremony, json.Unmarshal(data, &ceremony)
}

// BeginPasskey is POST /me/passkeys/challenge.
func (s *Server) BeginPasskey(ctx context.Context, request wire.BeginPasskeyRequestObject) (wire.BeginPasskeyResponseObject, error) {
	who, _ := personIn(ctx)
	if s.passkeys == nil {
		return nil, errNoPasskeys
	}
	if who.Session.Kind == db.SessionStation {
		return nil, &db.Refused{Reasons: []checklist.Reason{{What: "a shared station keeps nobody's passkey", Next: "add it on a computer or phone of your own"}}}
	}
	if err := s.ownPassword(ctx, who, request.Body.Password); err != nil {
		return nil, err
	}
	keys, err := s.store.Passkeys(ctx, who.Person.ID)
	if err != nil {
		return nil, err
	}
	options, ceremony, err := s.passkeys.BeginRegistration(passkeyHolder{who.Person, keys})
	if err != nil {
		return nil, err
	}
	if err := s.keepCeremony(ctx, who.Session.ID, ceremony); err != nil {
		return nil, err
	}
	r := options.Response
	answer := wire.BeginPasskey201JSONResponse{Challenge: r.Challenge.String(), RpID: r.RelyingParty.ID, RpName: r.RelyingParty.Name,
		UserID: base64.RawURLEncoding.EncodeToString(who.Person.ID[:]), UserName: r.User.Name, DisplayName: r.User.DisplayName,
		Algorithms: []int64{}, Known: []string{}, TimeoutMs: int64(r.Timeout)}
	for _, p := range r.Parameters {
		answer.Algorithms = append(answer.Algorithms, int64(p.Algorithm))
	}
	for _, k := range keys {
		answer.Known = append(answer.Known, base64.RawURLEncoding.EncodeToString(k.Credential))
	}
	return answer, nil
}

// AddPasskey is POST /me/passkeys.
func (s *Server) AddPasskey(ctx context.Context, request wire.AddPasskeyRequestObject) (wire.AddPasskeyResponseObject, error) {
	who, _ := personIn(ctx)
	b := request.Body
	if s.passkeys == nil {
		return nil, errNoPasskeys
	}
	notMade := func(why error) (wire.AddPasskeyResponseObject, error) {
		s.log.Warn("passkey not added", "request", visitIn(ctx).id, "error", why)
		return nil, invalid("attestation", "this is no passkey for this site, or its challenge is over", "begin again; the device must ask for its PIN or your finger")
	}
	answer := protocol.CredentialCreationResponse{}
	answer.ID, answer.Type = b.CredentialID, string(protocol.PublicKeyCredentialType)
	var err error
	for _, field := range []struct {
		text string
		to   *protocol.URLEncodedBase64
	}{{b.CredentialID, &answer.RawID}, {b.ClientData, &answer.AttestationResponse.ClientDataJSON}, {b.Attestation, &answer.AttestationResponse.AttestationObject}} {
		if *field.to, err = base64.RawURLEncoding.DecodeString(field.text); err != nil {
			return notMade(err)
		}
	}
	parsed, err := answer.Parse()
	if err != nil {
		return notMade(err)
	}
	ceremony, err := s.takeCeremony(ctx, who.Session.ID, parsed.Response.CollectedClientData.Challenge)
	if errors.Is(err, db.ErrNotFound) {
		return notMade(err)
	} else if err != nil {
		return nil, err
	}
	made, err := s.passkeys.CreateCredential(passkeyHolder{person: who.Person}, ceremony, parsed)
	if err != nil {
		return notMade(err)
	}
	k, err := s.store.AddPasskey(ctx, who.Actor(), db.Passkey{Name: b.Name, Credential: made.ID, PublicKey: made.PublicKey,
		Flags: byte(parsed.Response.AttestationObject.AuthData.Flags), SignCount: made.Authenticator.SignCount})
	if err != nil {
		return nil, err
	}
	return wire.AddPasskey201JSONResponse(passkeyShape(k)), nil
}

// ListPasskeys is GET /me/passkeys.
func (s *Server) ListPasskeys(ctx context.Context, _ wire.ListPasskeysRequestObject) (wire.ListPasskeysResponseObject, error) {
	who, _ := personIn(ctx)
	keys, err := s.store.Passkeys(ctx, who.Person.ID)
	if err != nil {
		return nil, err
	}
	list := wire.ListPasskeys200JSONResponse{Passkeys: []wire.Passkey{}}
	for _, k := range keys {
		list.Passkeys = append(list.Passkeys, passkeyShape(k))
	}
	return list, nil
}

// RemovePasskey is DELETE /me/passkeys/{id}.
func (s *Server) RemovePasskey(ctx context.Context, request wire.RemovePasskeyRequestObject) (wire.RemovePasskeyResponseObject, error) {
	if err := s.store.RemovePasskey(ctx, actorIn(ctx), request.ID); err != nil {
		return nil, err
	}
	return wire.RemovePasskey204Response{}, nil
}

func passkeyShape(k db.Passkey) wire.Passkey {
	shape := wire.Passkey{ID: k.ID, Name: k.Name, AddedAt: utc(k.AddedAt)}
	if k.UsedAt != nil {
		used := utc(*k.UsedAt)
		shape.UsedAt = &used
	}
	return shape
}
