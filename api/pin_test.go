package api

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"kerfgate/api/wire"
	"kerfgate/db"
)

// station enrols a station by its code and gives the cookie that makes a browser it.
func (w *workshop) station(t *testing.T, machine uuid.UUID) (id uuid.UUID, cookie string) {
	t.Helper()
	var code wire.EnrolCode
	w.as(t, w.signedIn(t, w.Officer), http.MethodPost, "/machines/"+machine.String()+"/station-code", `{"name":"tablet"}`, http.StatusCreated, &code)
	var st wire.Station
	rec := w.as(t, "", http.MethodPost, "/enrol/station", fmt.Sprintf(`{"code":%q}`, strings.ToLower(code.Code)), http.StatusCreated, &st)
	w.as(t, "", http.MethodPost, "/enrol/station", fmt.Sprintf(`{"code":%q}`, code.Code), http.StatusForbidden, nil)
	return st.ID, cookieOf(t, rec)
}

func cookieOf(t *testing.T, rec *httptest.ResponseRecorder) string {
	t.Helper()
	cookies := rec.Result().Cookies()
	if len(cookies) != 1 || !cookies[0].HttpOnly {
		t.Fatalf("cookies %v", cookies)
	}
	return cookies[0].Name + "=" + cookies[0].Value
}

// person adds an account with a password and a PIN.
func (w *workshop) withPIN(t *testing.T, signIn, pin string, machine uuid.UUID) db.Actor {
	t.Helper()
	hash, err := HashPassword(t.Context(), "a long enough password")
	if err != nil {
		t.Fatal(err)
	}
	p, err := w.AddPerson(t.Context(), db.System, db.NewPerson{SignInName: signIn, Name: signIn, Role: db.RoleMember, PasswordHash: hash})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.Authorise(t.Context(), db.System, db.NewAuthorisation{Person: p.ID, Machine: machine, Until: time.Now().Add(time.Hour), Evidence: "supervised run"}); err != nil {
		t.Fatal(err)
	}
	who := db.Actor{Person: p.ID, Role: p.Role}
	token := w.signedIn(t, who)
	for _, bad := range []string{"12345", "1234567890123", "12345a", "111111", ""} {
		w.as(t, token, http.MethodPut, "/me/pin", fmt.Sprintf(`{"password":"a long enough password","pin":%q}`, bad), http.StatusUnprocessableEntity, nil)
	}
	w.as(t, token, http.MethodPut, "/me/pin", `{"password":"not the password","pin":"482913"}`, http.StatusUnprocessableEntity, nil)
	w.as(t, token, http.MethodPut, "/me/pin", fmt.Sprintf(`{"password":"a long enough password","pin":%q}`, pin), http.StatusNoContent, nil)
	return who
}

func pinBody(signIn, pin string) string { return fmt.Sprintf(`{"sign_in":%q,"pin":%q}`, signIn, pin) }

// TestS13_PIN: a PIN signs in at an enrolled station alone; five wrong ones close it, for the person at
// every station and at the station for everybody, with an entry; the right one then opens nothing.
func TestS13_PIN(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	now := time.Now()
	w.s.limiter.now = func() time.Time { return now }
	who := w.withPIN(t, "fern", "482913", w.Machine.ID)
	w.withPIN(t, "moss", "773310", w.Machine.ID)
	_, here := w.station(t, w.Machine.ID)
	_, there := w.station(t, w.Machine.ID)
	try := func(cookie, signIn, pin string, want int) *httptest.ResponseRecorder {
		t.Helper()
		return w.as(t, "", http.MethodPost, "/sessions/pin", pinBody(signIn, pin), want, nil, "Cookie", cookie)
	}
	w.as(t, "", http.MethodPost, "/sessions/pin", pinBody("fern", "482913"), http.StatusForbidden, nil)
	try("kerfgate_station=made-up", "fern", "482913", http.StatusForbidden)
	// A PIN is no password, and a password no PIN.
	w.as(t, "", http.MethodPost, "/sessions", `{"sign_in":"fern","password":"482913"}`, http.StatusUnauthorized, nil)
	try(there, "fern", "a long enough password", http.StatusUnauthorized)

	session := cookieOf(t, try(here, "fern", "482913", http.StatusCreated))
	var me wire.Me
	w.as(t, "", http.MethodGet, "/me", "", http.StatusOK, &me, "Cookie", session)
	if me.Person.ID != who.Person {
		t.Errorf("signed in as %s", me.Person.SignIn)
	}
	next := cookieOf(t, try(here, "moss", "773310", http.StatusCreated))
	w.as(t, "", http.MethodGet, "/me", "", http.StatusUnauthorized, nil, "Cookie", session)
	w.as(t, "", http.MethodGet, "/me", "", http.StatusOK, nil, "Cookie", next)

	for range 5 {
		try(here, "fern", "000000", http.StatusUnauthorized)
	}
	try(here, "fern", "482913", http.StatusTooManyRequests)  // the sixth
	try(there, "fern", "482913", http.StatusTooManyRequests) // the person, at another station
	try(here, "moss", "773310", http.StatusTooManyRequests)  // somebody else, at this one
	try(there, "moss", "773310", http.StatusCreated)
	list, err := w.LogEntries(t.Context(), db.LogFilter{Before: -1, Limit: 10, Kind: "pin.closed"})
	if err != nil || len(list) != 1 {
		t.Errorf("%d entries, %v", len(list), err)
	}
	now = now.Add(closedFor)
	try(here, "fern", "482913", http.StatusCreated)
}

// TestS13_EnrolCode: the sixth try from an address is not even looked at; another address goes on.
func TestS13_EnrolCode(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	for range 5 {
		w.as(t, "", http.MethodPost, "/enrol/station", `{"code":"AAAA-BBBB-CCCC-DDDD"}`, http.StatusForbidden, nil)
	}
	var code wire.EnrolCode
	w.as(t, w.signedIn(t, w.Officer), http.MethodPost, "/machines/"+w.Machine.ID.String()+"/station-code", `{"name":"tablet"}`, http.StatusCreated, &code)
	body := fmt.Sprintf(`{"code":%q}`, code.Code)
	w.as(t, "", http.MethodPost, "/enrol/station", body, http.StatusTooManyRequests, nil)
	req := httptest.NewRequestWithContext(t.Context(), http.MethodPost, base+"/enrol/station", strings.NewReader(body))
	req.Header.Set("Content-Type", "application/json")
	req.RemoteAddr = "192.0.2.77:1234"
	rec := httptest.NewRecorder()
	w.s.Handler().ServeHTTP(rec, req)
	if rec.Code != http.StatusCreated {
		t.Errorf("another address: %d %s", rec.Code, rec.Body)
	}
}

// A signature names person and station, ends the signing rights with it, and is taken at the machine's
// own station only.
func TestSignatureAtAStation(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	w.withPIN(t, "fern", "482913", w.Machine.ID)
	elsewhere, err := w.AddMachine(t.Context(), db.System, db.NewMachine{Name: "second cutter", Bay: "Bay 2", Profile: w.Machine.Profile, Tool: "beam"})
	if err != nil {
		t.Fatal(err)
	}
	station, cookie := w.station(t, w.Machine.ID)
	_, other := w.station(t, elsewhere.ID)
	signInAt := func(cookie string) string {
		return cookieOf(t, w.as(t, "", http.MethodPost, "/sessions/pin", pinBody("fern", "482913"), http.StatusCreated, nil, "Cookie", cookie))
	}
	run := w.Submit(t, 1).Runs[0].ID
	w.ready(t, run, 1)
	session := signInAt(cookie)
	path := "/runs/" + run.String()
	w.as(t, "", http.MethodPost, path+"/checklist", "", http.StatusOK, nil, "Cookie", session)
	w.as(t, "", http.MethodPut, path+"/placement", `{"origin_x_mm":20,"origin_y_mm":20}`, http.StatusOK, nil, "Cookie", session)
	wrong := signInAt(other)
	if rec := w.as(t, "", http.MethodPost, path+"/sign", "", http.StatusUnprocessableEntity, nil, "Cookie", wrong); !strings.Contains(rec.Body.String(), "another machine") {
		t.Errorf("%s", rec.Body)
	}
	if rec := w.as(t, "", http.MethodPost, path+"/sign", "", http.StatusUnprocessableEntity, nil, "Cookie", session); strings.Contains(rec.Body.String(), "another machine") {
		t.Errorf("%s", rec.Body)
	}
	opened, err := w.LogEntries(t.Context(), db.LogFilter{Before: -1, Limit: 1, Kind: "run.opened"})
	if err != nil || len(opened) != 1 || uuid.UUID(opened[0].Entry.Station) != station {
		t.Errorf("the entry names station %v, %v", opened, err)
	}
	w.as(t, w.signedIn(t, w.Officer), http.MethodDelete, "/stations/"+station.String(), "", http.StatusNoContent, nil)
	w.as(t, "", http.MethodGet, "/me", "", http.StatusUnauthorized, nil, "Cookie", session)
	w.as(t, "", http.MethodPost, "/sessions/pin", pinBody("fern", "482913"), http.StatusForbidden, nil, "Cookie", cookie)
}
