package api

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"testing"
	"time"

	"github.com/fxamacker/cbor/v2"

	"kerfgate/api/wire"
	"kerfgate/db"
)

// authenticator answers as WebAuthn Level 3 (6.1, 6.5) says, and wrongly where a test wants it so.
type authenticator struct {
	key    *ecdsa.PrivateKey
	id     []byte
	handle string
	count  uint32
	origin string
	rpID   string
	flags  byte
}

// Flags of authenticator data, 6.1.
const (
	flagPresent  = 1 << 0
	flagVerified = 1 << 2
	flagAttested = 1 << 6
)

func newAuthenticator(t *testing.T) *authenticator {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	a := &authenticator{key: key, id: make([]byte, 32), origin: "https://garden.example", rpID: "garden.example", flags: flagPresent | flagVerified}
	_, _ = rand.Read(a.id)
	return a
}

func (a *authenticator) data(flags byte) []byte {
	hash := sha256.Sum256([]byte(a.rpID))
	return binary.BigEndian.AppendUint32(append(hash[:], flags), a.count)
}

func (a *authenticator) clientData(t *testing.T, kind, challenge string) []byte {
	t.Helper()
	data, err := json.Marshal(map[string]any{"type": kind, "challenge": challenge, "origin": a.origin, "crossOrigin": false})
	if err != nil {
		t.Fatal(err)
	}
	return data
}

func packed(b []byte) string { return base64.RawURLEncoding.EncodeToString(b) }

// makes is the body by which a passkey is added.
func (a *authenticator) makes(t *testing.T, o wire.PasskeyOptions, name string) string {
	t.Helper()
	a.handle = o.UserID
	point, err := a.key.PublicKey.Bytes() // 4, x, y
	if err != nil {
		t.Fatal(err)
	}
	public, err := cbor.Marshal(map[int]any{1: 2, 3: -7, -1: 1, -2: point[1:33], -3: point[33:]}) // RFC 9053, 7.1.1
	if err != nil {
		t.Fatal(err)
	}
	data := append(a.data(a.flags|flagAttested), make([]byte, 16)...)
	data = append(binary.BigEndian.AppendUint16(data, uint16(len(a.id))), append(a.id, public...)...)
	object, err := cbor.Marshal(map[string]any{"fmt": "none", "attStmt": map[string]any{}, "authData": data})
	if err != nil {
		t.Fatal(err)
	}
	return fmt.Sprintf(`{"name":%q,"credential_id":%q,"client_data":%q,"attestation":%q}`, name, packed(a.id),
		packed(a.clientData(t, "webauthn.create", o.Challenge)), packed(object))
}

// signs is the body by which a passkey signs in.
func (a *authenticator) signs(t *testing.T, challenge string) string {
	t.Helper()
	a.count++
	data, client := a.data(a.flags), a.clientData(t, "webauthn.get", challenge)
	hash := sha256.Sum256(client)
	digest := sha256.Sum256(append(append([]byte{}, data...), hash[:]...))
	signature, err := ecdsa.SignASN1(rand.Reader, a.key, digest[:])
	if err != nil {
		t.Fatal(err)
	}
	return fmt.Sprintf(`{"credential_id":%q,"client_data":%q,"authenticator_data":%q,"signature":%q,"user_handle":%q}`,
		packed(a.id), packed(client), packed(data), packed(signature), a.handle)
}

// named makes the workshop's server one that is reached by a name.
func (w *workshop) named(t *testing.T) {
	t.Helper()
	var err error
	if w.s.passkeys, err = newPasskeys("https://garden.example", "garden"); err != nil || w.s.passkeys == nil {
		t.Fatalf("%v, %v", w.s.passkeys, err)
	}
}

func (w *workshop) passkeyChallenge(t *testing.T) string {
	t.Helper()
	var asked wire.PasskeyChallenge
	w.as(t, "", http.MethodPost, "/sessions/passkey/challenge", "", http.StatusCreated, &asked)
	if asked.RpID != "garden.example" || len(asked.Challenge) < 43 {
		t.Fatalf("challenge %+v", asked)
	}
	return asked.Challenge
}

const beginsPasskey = `{"password":"a long enough password"}`

// TestPasskeyOrigin: the server's own configured origin says where passkeys work, as browsers have it
// (WebAuthn Level 3, 5.1.3: a domain; 13.4.9: secure contexts).
func TestPasskeyOrigin(t *testing.T) {
	t.Parallel()
	for own, want := range map[string]string{
		"https://garden.local:8443": "https://garden.local:8443", "https://Garden.example": "https://garden.example", "https://garden.example:443/": "https://garden.example",
		"http://127.0.0.1:8180": "http://localhost:8180", "https://127.0.0.1:8443": "https://localhost:8443", "http://[::1]:8180": "http://localhost:8180",
		"http://localhost:8180": "http://localhost:8180", "https://192.168.1.5:8443": "", "http://garden.local:8180": "", "": "", "garden": "",
	} {
		if got := passkeyOrigin(own); got != want {
			t.Errorf("%q: %q, want %q", own, got, want)
		}
	}
	// A server without such an origin says so and answers.
	w := newWorkshop(t)
	_, token := w.joined(t, "Fern of bed 3", "fern", db.RoleMember)
	a := newAuthenticator(t)
	w.as(t, "", http.MethodPost, "/sessions/passkey/challenge", "", http.StatusConflict, nil)
	w.as(t, "", http.MethodPost, "/sessions/passkey", a.signs(t, "x"), http.StatusConflict, nil)
	w.as(t, token, http.MethodPost, "/me/passkeys/challenge", beginsPasskey, http.StatusConflict, nil)
	w.as(t, token, http.MethodPost, "/me/passkeys", a.makes(t, wire.PasskeyOptions{}, "phone"), http.StatusConflict, nil)
}

// TestS1_Passkey: a passkey is added with the password, signs in without a name, is listed with its last use
// and removed; whatever is wrong with an answer signs nobody in, and says the same.
func TestS1_Passkey(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	w.named(t)
	id, token := w.joined(t, "Fern of bed 3", "fern", db.RoleMember)
	_, other := w.joined(t, "Moss", "moss", db.RoleMember)
	a := newAuthenticator(t)
	begin := func() (o wire.PasskeyOptions) {
		t.Helper()
		w.as(t, token, http.MethodPost, "/me/passkeys/challenge", beginsPasskey, http.StatusCreated, &o)
		return o
	}
	w.as(t, token, http.MethodPost, "/me/passkeys/challenge", `{"password":"wrong"}`, http.StatusUnprocessableEntity, nil)
	o := begin()
	if o.UserName != "fern" || len(o.Known) != 0 || len(o.Algorithms) < 3 || o.UserID != packed(id[:]) {
		t.Errorf("options %+v", o)
	}
	// Another session's challenge, another site's page, another site's name, no user verification, a challenge that was answered.
	w.as(t, other, http.MethodPost, "/me/passkeys", a.makes(t, o, "phone"), http.StatusUnprocessableEntity, nil)
	for what, spoil := range map[string]func(*authenticator){
		"origin": func(a *authenticator) { a.origin = "https://garden.example.elsewhere.example" }, "port": func(a *authenticator) { a.origin += ":8443" },
		"plain": func(a *authenticator) { a.origin = "http://garden.example" }, "rp": func(a *authenticator) { a.rpID = "elsewhere.example" }, "unverified": func(a *authenticator) { a.flags = flagPresent },
	} {
		wrong := *a
		spoil(&wrong)
		if rec := w.as(t, token, http.MethodPost, "/me/passkeys", wrong.makes(t, begin(), "phone"), http.StatusUnprocessableEntity, nil); problemIn(t, rec).Reasons == nil {
			t.Errorf("%s: %s", what, rec.Body)
		}
	}
	o = begin()
	var made wire.Passkey
	body := a.makes(t, o, "phone")
	w.as(t, token, http.MethodPost, "/me/passkeys", body, http.StatusCreated, &made)
	w.as(t, token, http.MethodPost, "/me/passkeys", body, http.StatusUnprocessableEntity, nil)
	if o = begin(); len(o.Known) != 1 || o.Known[0] != packed(a.id) {
		t.Errorf("known %v", o.Known)
	}

	signIn := func(a *authenticator, challenge string, want int, header ...string) *httptest.ResponseRecorder {
		t.Helper()
		return w.as(t, "", http.MethodPost, "/sessions/passkey", a.signs(t, challenge), want, nil, header...)
	}
	challenge := w.passkeyChallenge(t)
	cookie := cookieOf(t, signIn(a, challenge, http.StatusCreated))
	var me wire.Me
	w.as(t, "", http.MethodGet, "/me", "", http.StatusOK, &me, "Cookie", cookie)
	if me.Person.ID != id {
		t.Errorf("signed in as %+v", me.Person)
	}
	signIn(a, challenge, http.StatusUnauthorized) // replayed
	signIn(a, "made up", http.StatusUnauthorized)
	for _, spoil := range []func(*authenticator){
		func(a *authenticator) { a.origin = "https://elsewhere.example" }, func(a *authenticator) { a.rpID = "elsewhere.example" }, func(a *authenticator) { a.flags = flagPresent },
		func(a *authenticator) { a.flags = flagVerified }, func(a *authenticator) { a.handle = packed(w.Officer.Person[:]) }, func(a *authenticator) { a.key = newAuthenticator(t).key },
	} {
		wrong := *a
		spoil(&wrong)
		w.s.limiter.forget(triedKey{"passkey", packed(a.id)})
		signIn(&wrong, w.passkeyChallenge(t), http.StatusUnauthorized)
	}
	w.s.limiter.forget(triedKey{"passkey", packed(a.id)})

	// A copy that counts less than was seen is told apart and logged; the true one goes on.
	copied := *a
	copied.count = 0
	if p := problemIn(t, signIn(&copied, w.passkeyChallenge(t), http.StatusUnauthorized)); p.Type != "/problems/passkey-copied" {
		t.Errorf("a copy: %+v", p)
	}
	signIn(a, w.passkeyChallenge(t), http.StatusCreated)
	entries, err := w.LogEntries(t.Context(), db.LogFilter{Before: -1, Limit: 50, Kind: "passkey.refused"})
	if err != nil || len(entries) != 1 {
		t.Errorf("%d entries of a copy, %v", len(entries), err)
	}

	// Whoever was signed in before in this browser no longer is.
	cookie = cookieOf(t, signIn(a, w.passkeyChallenge(t), http.StatusCreated, "Cookie", cookie))
	var list wire.PasskeyList
	w.as(t, "", http.MethodGet, "/me/passkeys", "", http.StatusOK, &list, "Cookie", cookie)
	if len(list.Passkeys) != 1 || list.Passkeys[0].UsedAt == nil || time.Since(*list.Passkeys[0].UsedAt) > time.Minute || list.Passkeys[0].Name != "phone" {
		t.Errorf("listed %+v", list)
	}
	w.as(t, other, http.MethodDelete, "/me/passkeys/"+made.ID.String(), "", http.StatusNotFound, nil)
	w.as(t, token, http.MethodDelete, "/me/passkeys/"+made.ID.String(), "", http.StatusNoContent, nil)
	signIn(a, w.passkeyChallenge(t), http.StatusUnauthorized)
	for kind, want := range map[string]int{"passkey.added": 1, "passkey.removed": 1} {
		if entries, err := w.LogEntries(t.Context(), db.LogFilter{Before: -1, Limit: 50, Kind: kind}); err != nil || len(entries) != want {
			t.Errorf("%d entries %s, %v", len(entries), kind, err)
		}
	}

	// The last way to sign in stays.
	w.as(t, token, http.MethodPost, "/me/passkeys", a.makes(t, begin(), "phone"), http.StatusCreated, &made)
	if _, err := w.Pool.Exec(t.Context(), `UPDATE person SET password_hash = '' WHERE id = $1`, id); err != nil {
		t.Fatal(err)
	}
	w.as(t, token, http.MethodDelete, "/me/passkeys/"+made.ID.String(), "", http.StatusUnprocessableEntity, nil)
}

// TestS13_PasskeyThrottle: the sixth wrong try of one passkey is not looked at, nor the forty-first challenge of
// an address; passwords are counted apart, so guessing at those closes no passkey.
func TestS13_PasskeyThrottle(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	w.named(t)
	now := time.Now()
	w.s.limiter.now = func() time.Time { return now }
	_, token := w.joined(t, "Fern of bed 3", "fern", db.RoleMember)
	a := newAuthenticator(t)
	var o wire.PasskeyOptions
	w.as(t, token, http.MethodPost, "/me/passkeys/challenge", beginsPasskey, http.StatusCreated, &o)
	w.as(t, token, http.MethodPost, "/me/passkeys", a.makes(t, o, "phone"), http.StatusCreated, nil)
	for range accountTries {
		w.as(t, "", http.MethodPost, "/sessions", `{"sign_in":"fern","password":"guessed"}`, http.StatusUnauthorized, nil)
	}
	w.as(t, "", http.MethodPost, "/sessions", `{"sign_in":"fern","password":"a long enough password"}`, http.StatusTooManyRequests, nil)
	w.as(t, token, http.MethodPost, "/me/passkeys/challenge", beginsPasskey, http.StatusTooManyRequests, nil)
	w.as(t, "", http.MethodPost, "/sessions/passkey", a.signs(t, w.passkeyChallenge(t)), http.StatusCreated, nil)

	for range accountTries {
		w.as(t, "", http.MethodPost, "/sessions/passkey", a.signs(t, "made up"), http.StatusUnauthorized, nil)
	}
	w.as(t, "", http.MethodPost, "/sessions/passkey", a.signs(t, w.passkeyChallenge(t)), http.StatusTooManyRequests, nil)
	now = now.Add(closedFor)
	w.as(t, "", http.MethodPost, "/sessions/passkey", a.signs(t, w.passkeyChallenge(t)), http.StatusCreated, nil)
	for range challengeTries {
		w.passkeyChallenge(t)
	}
	w.as(t, "", http.MethodPost, "/sessions/passkey/challenge", "", http.StatusTooManyRequests, nil)
}

// TestPasskeyAtStation: at an enrolled station a passkey opens the station's session, which a PIN of the next
// person ends; the shared device makes none.
func TestPasskeyAtStation(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	w.named(t)
	_, token := w.joined(t, "Fern of bed 3", "fern", db.RoleMember)
	w.withPIN(t, "moss", "773310", w.Machine.ID)
	a := newAuthenticator(t)
	var o wire.PasskeyOptions
	w.as(t, token, http.MethodPost, "/me/passkeys/challenge", beginsPasskey, http.StatusCreated, &o)
	w.as(t, token, http.MethodPost, "/me/passkeys", a.makes(t, o, "phone"), http.StatusCreated, nil)
	station, cookie := w.station(t, w.Machine.ID)
	rec := w.as(t, "", http.MethodPost, "/sessions/passkey", a.signs(t, w.passkeyChallenge(t)), http.StatusCreated, nil, "Cookie", cookie)
	session := cookieOf(t, rec)
	var list wire.SessionList
	w.as(t, "", http.MethodGet, "/me/sessions", "", http.StatusOK, &list, "Cookie", session)
	at := false
	for _, se := range list.Sessions {
		at = at || se.Here && se.Kind == "station"
	}
	if !at {
		t.Errorf("sessions %+v", list)
	}
	entries, err := w.LogEntries(t.Context(), db.LogFilter{Before: -1, Limit: 1, Kind: "session.opened"})
	if err != nil || len(entries) != 1 || entries[0].Entry.Station != [16]byte(station) {
		t.Errorf("the entry names the station %v: %+v, %v", station, entries, err)
	}
	w.as(t, "", http.MethodPost, "/me/passkeys/challenge", beginsPasskey, http.StatusUnprocessableEntity, nil, "Cookie", session)
	w.as(t, "", http.MethodPost, "/sessions/pin", pinBody("moss", "773310"), http.StatusCreated, nil, "Cookie", cookie)
	w.as(t, "", http.MethodGet, "/me", "", http.StatusUnauthorized, nil, "Cookie", session)
}
