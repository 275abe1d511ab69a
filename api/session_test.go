package api

import (
	"crypto/sha256"
	"crypto/tls"
	"encoding/json"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"kerfgate/api/wire"
	"kerfgate/db"
	"kerfgate/db/dbtest"
)

// TestS4_Cookie: on loopback without TLS the cookie lacks Secure and the prefix, and nothing else.
func TestS4_Cookie(t *testing.T) {
	t.Parallel()
	plain, _ := gateless(t, nil)
	secure, _ := gateless(t, func(c *Config) { c.TLS = &tls.Config{MinVersion: tls.VersionTLS12} })
	token, hash := newToken()
	if hash != sha256.Sum256([]byte(token)) || len(token) < 43 { // S1: 256 bits in base64
		t.Fatalf("token %q", token)
	}
	until := time.Now().Add(time.Hour)
	p, s := plain.sessionCookie(token, until), secure.sessionCookie(token, until)
	if p.Name != "kerfgate_session" || s.Name != "__Host-kerfgate_session" || p.Secure || !s.Secure {
		t.Errorf("cookies %s, %s", p, s)
	}
	for _, c := range []*http.Cookie{p, s, plain.endedCookie(), secure.endedCookie()} {
		if err := c.Valid(); err != nil {
			t.Error(err)
		}
		// RFC 6265bis §4.1.3.2: a __Host- cookie has Path=/ and no Domain.
		if !c.HttpOnly || c.SameSite != http.SameSiteLaxMode || c.Path != "/" || c.Domain != "" {
			t.Errorf("cookie %s", c)
		}
	}
	if ended := plain.endedCookie(); ended.MaxAge >= 0 || ended.Value != "" {
		t.Errorf("ended cookie %s", ended)
	}
	// The cookie signs in as the bearer token does.
	req := httptest.NewRequestWithContext(t.Context(), http.MethodGet, base+"/logbook", nil)
	req.AddCookie(plain.sessionCookie(string(member), until))
	rec := httptest.NewRecorder()
	plain.Handler().ServeHTTP(rec, req)
	if rec.Code != http.StatusForbidden {
		t.Errorf("a member's cookie on the logbook: %d", rec.Code)
	}
}

// TestS1_S2_SignIn: a new token at each sign-in, the same answer whatever was wrong; signed out, it is worth nothing.
func TestS1_S2_SignIn(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	password := strings.Repeat("long ", 20) + "1" // S12: nothing is cut off
	hash, err := HashPassword(t.Context(), password)
	if err != nil {
		t.Fatal(err)
	}
	// PHC string format as RFC 9106's reference implementation writes it.
	if !strings.HasPrefix(hash, "$argon2id$v=19$m=19456,t=2,p=1$") {
		t.Errorf("hash %s", hash)
	}
	if _, err := w.AddPerson(t.Context(), db.System, db.NewPerson{SignInName: "fern", Name: "Fern of the garden", Role: db.RoleMember, PasswordHash: hash}); err != nil {
		t.Fatal(err)
	}
	body := func(name, password, kind string) string {
		data, err := json.Marshal(map[string]string{"sign_in": name, "password": password, "kind": kind})
		if err != nil {
			t.Fatal(err)
		}
		return string(data)
	}
	wrongPassword := problemIn(t, w.as(t, "", http.MethodPost, "/sessions", body("fern", password[:100]+"2", "script"), http.StatusUnauthorized, nil))
	wrongName := problemIn(t, w.as(t, "", http.MethodPost, "/sessions", body("nobody", password, "script"), http.StatusUnauthorized, nil))
	if wrongPassword.Type != wrongName.Type || wrongPassword.Title != wrongName.Title {
		t.Errorf("the answers tell which was wrong: %+v, %+v", wrongPassword, wrongName)
	}
	var one, two wire.SessionOpened
	w.as(t, "", http.MethodPost, "/sessions", body("Fern", password, "script"), http.StatusCreated, &one)
	w.as(t, "", http.MethodPost, "/sessions", body("fern", password, "script"), http.StatusCreated, &two)
	if one.Token == nil || two.Token == nil || *one.Token == *two.Token {
		t.Fatal("tokens")
	}
	rec := w.as(t, "", http.MethodPost, "/sessions", body("fern", password, "browser"), http.StatusCreated, &two)
	cookies := rec.Result().Cookies()
	if len(cookies) != 1 || !cookies[0].HttpOnly || strings.Contains(rec.Body.String(), "token") {
		t.Errorf("a browser's session: %v %s", cookies, rec.Body)
	}
	var me wire.Me
	w.as(t, *one.Token, http.MethodGet, "/me", "", http.StatusOK, &me)
	if me.Person.SignIn != "fern" || !slices.Equal(me.Roles, []string{"member"}) {
		t.Errorf("me: %+v", me)
	}
	w.as(t, *one.Token, http.MethodDelete, "/sessions/current", "", http.StatusNoContent, nil)
	w.as(t, *one.Token, http.MethodGet, "/me", "", http.StatusUnauthorized, nil)
	if _, err := HashPassword(t.Context(), "short"); err == nil {
		t.Error("a password of five letters")
	}
}

// TestS4_ServedWithTLS: a real server with a certificate gives the __Host- cookie, over HTTP/2, and
// plain HTTP on that port gets nothing.
func TestS4_ServedWithTLS(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	lender := httptest.NewTLSServer(http.NotFoundHandler()) // lends its certificate
	defer lender.Close()
	var err error
	w.s, err = New(Config{Store: w.Store, Floor: w.floor, Site: dbtest.Site, Log: slog.New(slog.DiscardHandler),
		TLS: &tls.Config{Certificates: lender.TLS.Certificates, MinVersion: tls.VersionTLS12}})
	if err != nil {
		t.Fatal(err)
	}
	hash, err := HashPassword(t.Context(), "a long enough password")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.AddPerson(t.Context(), db.System, db.NewPerson{SignInName: "fern", Name: "Fern of the garden", Role: db.RoleMember, PasswordHash: hash}); err != nil {
		t.Fatal(err)
	}
	plain := w.serve(t) + base + "/sessions"
	body := `{"sign_in":"fern","password":"a long enough password","kind":"browser"}`
	post := func(url string) (*http.Response, error) {
		req, err := http.NewRequestWithContext(t.Context(), http.MethodPost, url, strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Content-Type", "application/json")
		return lender.Client().Do(req)
	}
	transport := lender.Client().Transport.(*http.Transport)
	transport.ForceAttemptHTTP2 = true
	defer transport.CloseIdleConnections()
	resp, err := post(strings.Replace(plain, "http:", "https:", 1))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = resp.Body.Close() }()
	cookies := resp.Cookies()
	if resp.StatusCode != http.StatusCreated || resp.ProtoMajor != 2 || len(cookies) != 1 || cookies[0].Name != "__Host-kerfgate_session" || !cookies[0].Secure {
		t.Errorf("%s over %s: %v", resp.Status, resp.Proto, cookies)
	}
	if resp, err := post(plain); err == nil {
		defer func() { _ = resp.Body.Close() }()
		if resp.StatusCode < http.StatusBadRequest || len(resp.Cookies()) != 0 {
			t.Errorf("plain HTTP: %s", resp.Status)
		}
	}
}
