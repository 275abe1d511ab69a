package api

import (
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"

	"kerfgate/api/wire"
	"kerfgate/db"
	"kerfgate/db/dbtest"
	"kerfgate/plan/geom"
	"kerfgate/queue/broker"
)

// TestMain runs the tests, and after a whole run fails where the description declares an answer that no
// test has seen.
func TestMain(m *testing.M) {
	code := dbtest.Main(m)
	if whole := flag.Lookup("test.run").Value.String() == "" && flag.Lookup("test.skip").Value.String() == "" && !testing.Short(); code == 0 && whole {
		code = everyAnswerSeen()
	}
	os.Exit(code)
}

func everyAnswerSeen() int {
	c, err := openContract()
	if err != nil {
		fmt.Println(err)
		return 1
	}
	missing := c.missing()
	for _, answer := range missing {
		fmt.Println("openapi.yaml declares, and no test has seen (or it was seen and is no longer owed):", answer)
	}
	return min(1, len(missing))
}

// floorMan stands for the workers: it answers at once and remembers what it was sent.
type floorMan struct {
	mu        sync.Mutex
	challenge [32]byte
	position  geom.Point
	stops     []uuid.UUID
	permits   [][]byte
	voids     [][]byte
	resumes   [][]byte
	handovers [][]byte
	pauses    []uuid.UUID
	commands  []broker.SetupCommand
	reading   *broker.Reading
	readAt    time.Time
	// failPermit and failStop make sending fail; says is a worker's answer to a set-up command.
	failPermit, failStop error
	says                 string
	span                 geom.Point
	traced               bool // around the last grip's origin
	origin               geom.Point
}

func (f *floorMan) Challenge(context.Context, uuid.UUID, uuid.UUID, string) ([32]byte, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.challenge[0]++
	f.challenge[31] = 7
	return f.challenge, nil
}

func (f *floorMan) Permit(_ uuid.UUID, note []byte) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.permits = append(f.permits, note)
	return f.failPermit
}

func (f *floorMan) Void(_ uuid.UUID, note []byte) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.voids = append(f.voids, note)
	return nil
}

func (f *floorMan) Resume(_ uuid.UUID, note []byte) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.resumes = append(f.resumes, note)
	return nil
}

func (f *floorMan) Handover(_ uuid.UUID, note []byte) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.handovers = append(f.handovers, note)
	return nil
}

func (f *floorMan) Pause(machine uuid.UUID, _ broker.Pause) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.pauses = append(f.pauses, machine)
	return nil
}

func (f *floorMan) Setup(_ context.Context, _ uuid.UUID, c broker.SetupCommand) (broker.SetupResult, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.commands = append(f.commands, c)
	if c.Kind == broker.SetupJog {
		f.position = f.position.Add(c.By)
	}
	if c.Kind == broker.SetupMeasure {
		return broker.SetupResult{Number: c.Number, Homed: true, Problem: f.says, Numbers: []int64{3, 4, 3, 3, 6}}, nil
	}
	r := broker.SetupResult{Number: c.Number, Position: f.position, Homed: true, Problem: f.says, Span: f.span}
	if c.Kind == broker.SetupGrip || c.Kind == broker.SetupBeat {
		r.Grip, r.Tick = [16]byte{7}, c.Tick+1
		if c.Kind == broker.SetupGrip {
			f.origin = c.Origin
		}
		r.Traced, r.Origin = f.traced, f.origin
	}
	return r, nil
}

func (f *floorMan) Stop(machine uuid.UUID, _ broker.Stop) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.stops = append(f.stops, machine)
	return f.failStop
}

func (f *floorMan) Reading(uuid.UUID) (broker.Reading, time.Time, bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.reading == nil {
		return broker.Reading{}, time.Time{}, false
	}
	return *f.reading, f.readAt, true
}

func (f *floorMan) Connected() bool { return true }

func (f *floorMan) Heard(uuid.UUID) (time.Time, bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.readAt, !f.readAt.IsZero()
}

func (f *floorMan) stopped() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return len(f.stops)
}

// Callers of the matrix; the token of each is its own name.
var callers = []role{anyone, member, operator, officer, admin}

// gateless is a server without a database: sessions are made up, and whatever would reach the
// store fails the test.
func gateless(t *testing.T, change func(*Config)) (*Server, *floorMan) {
	t.Helper()
	floor := &floorMan{}
	cfg := Config{Store: &db.Store{}, Floor: floor, Site: "garden", Log: slog.New(slog.NewTextHandler(io.Discard, nil))}
	if change != nil {
		change(&cfg)
	}
	s, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	ids := map[role]uuid.UUID{}
	for i, r := range callers {
		ids[r] = uuid.UUID{15: byte(i + 1)}
	}
	s.sessionByToken = func(_ context.Context, hash []byte) (db.Session, db.Person, error) {
		for _, r := range callers[1:] {
			if want := hashToken(string(r)); bytes.Equal(hash, want[:]) {
				p := db.Person{ID: ids[r], Role: db.RoleMember}
				if r == officer || r == admin {
					p.Role = db.Role(r)
				}
				return db.Session{ID: uuid.UUID{14: 1}, Person: p.ID}, p, nil
			}
		}
		return db.Session{}, db.Person{}, db.ErrNotFound
	}
	s.authorisations = func(_ context.Context, person uuid.UUID) ([]db.Authorisation, error) {
		old := db.Authorisation{Person: person, ExpiresAt: s.now().Add(-time.Second)}
		if person == ids[operator] {
			return []db.Authorisation{old, {Person: person, ExpiresAt: s.now().Add(time.Hour)}}, nil
		}
		return []db.Authorisation{old}, nil // an expired one makes nobody an operator
	}
	s.noteRefusal = func(context.Context, db.Actor, string) error { return nil }
	s.noteStopped = func(context.Context, db.Actor, uuid.UUID, string) error { return nil }
	return s, floor
}

// ask sends one request to a handler and reads the answer.
func ask(t *testing.T, h http.Handler, method, target, token, body string, header ...string) *httptest.ResponseRecorder {
	t.Helper()
	req := httptest.NewRequestWithContext(t.Context(), method, target, strings.NewReader(body))
	if body != "" {
		req.Header.Set("Content-Type", "application/json")
	}
	if token != "" {
		req.Header.Set("Authorization", "Bearer "+token)
	}
	for i := 0; i+1 < len(header); i += 2 {
		req.Header.Set(header[i], header[i+1])
	}
	rec := httptest.NewRecorder()
	h.ServeHTTP(rec, req)
	held(t, method, target, req.Header, []byte(body), rec.Code, rec.Header(), rec.Body.Bytes())
	return rec
}

// problemIn reads a problem and checks its form (RFC 9457 §3).
func problemIn(t *testing.T, rec *httptest.ResponseRecorder) wire.Problem {
	t.Helper()
	if got := rec.Header().Get("Content-Type"); got != "application/problem+json" {
		t.Fatalf("content type %q of status %d: %s", got, rec.Code, rec.Body)
	}
	var p wire.Problem
	if err := json.Unmarshal(rec.Body.Bytes(), &p); err != nil {
		t.Fatal(err)
	}
	if int(p.Status) != rec.Code || p.Type == "" || p.Title == "" || !strings.HasPrefix(p.Instance, "urn:uuid:") {
		t.Errorf("problem %+v of status %d", p, rec.Code)
	}
	if id := rec.Header().Get("X-Request-Id"); p.Instance != "urn:uuid:"+id {
		t.Errorf("instance %q, request id %q", p.Instance, id)
	}
	return p
}

// concrete fills a route's parameters.
func concrete(path string) string {
	return strings.NewReplacer(":id", uuid.UUID{0: 1}.String(), ":digest", strings.Repeat("ab", 32), ":item", "eyewear", ":index", "0").Replace(path)
}

// TestS20_HeadersOnEveryAnswer walks all routes; errors carry the headers too.
func TestS20_HeadersOnEveryAnswer(t *testing.T) {
	t.Parallel()
	s, _ := gateless(t, nil)
	for key, r := range s.rules {
		if r.open() && !r.stop {
			continue // would ask the store
		}
		rec := ask(t, s.Handler(), key.method, concrete(key.path), "", "")
		checkHeaders(t, key.method+" "+key.path, rec.Header())
	}
	checkHeaders(t, "no route", ask(t, s.Handler(), http.MethodGet, "/nowhere", "", "").Header())
}

// TestS20_HeadersOfOpenPages: the pages and routes that ask for no sign-in, as they are really answered.
func TestS20_HeadersOfOpenPages(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	n := 0
	for key, r := range w.s.rules {
		if !r.open() || r.stop || r.stream || key.method != http.MethodGet {
			continue
		}
		target := strings.NewReplacer(":id", w.Machine.ID.String(), ":code", "AAAA-BBBB-CCCC-DDDD", "*", "page.css").Replace(key.path)
		rec := ask(t, w.s.Handler(), key.method, target, "", "", "Accept", "text/html")
		if rec.Code == http.StatusOK {
			n++
		}
		checkHeaders(t, target, rec.Header())
	}
	if n < 10 {
		t.Errorf("%d pages were answered", n)
	}
}

func checkHeaders(t *testing.T, what string, h http.Header) {
	t.Helper()
	policy := h.Get("Content-Security-Policy")
	for _, part := range []string{"default-src 'none'", "script-src 'self'", "style-src 'self'", "form-action 'self'", "frame-ancestors 'none'", "base-uri 'none'"} {
		if !strings.Contains(policy, part) {
			t.Errorf("%s: policy %q lacks %s", what, policy, part)
		}
	}
	if strings.Contains(policy, "unsafe") {
		t.Errorf("%s: policy %q", what, policy)
	}
	if h.Get("X-Content-Type-Options") != "nosniff" || h.Get("Referrer-Policy") != "no-referrer" || h.Get("X-Request-Id") == "" {
		t.Errorf("%s: headers %v", what, h)
	}
}

// TestForgedAddress: echo's default takes the client's word for its address (GO-2026-6872); here the
// peer's address is what is logged and counted.
func TestForgedAddress(t *testing.T) {
	t.Parallel()
	var out bytes.Buffer
	s, _ := gateless(t, func(c *Config) { c.Log = slog.New(slog.NewTextHandler(&out, nil)) })
	forged := []string{"X-Forwarded-For", "203.0.113.9", "X-Real-IP", "203.0.113.9", "Forwarded", "for=203.0.113.9"}
	// httptest's requests come from 192.0.2.1.
	for range addressTries {
		if _, err := s.limiter.begin(uuid.NewString(), "192.0.2.1"); err != nil {
			t.Fatal(err)
		}
	}
	rec := ask(t, s.Handler(), http.MethodPost, base+"/sessions", "", `{"sign_in":"fern","password":"x"}`, forged...)
	if rec.Code != http.StatusTooManyRequests || rec.Header().Get("Retry-After") == "" {
		t.Errorf("a forged header got past the limiter: %d %s", rec.Code, rec.Body)
	}
	if log := out.String(); !strings.Contains(log, "address=192.0.2.1") || strings.Contains(log, "203.0.113.9") {
		t.Errorf("log: %s", log)
	}
}

// TestS5_CrossSite: every state change from another site's page is refused, and so are the live
// events; a stop is not, since a stop too many hurts nobody (I5).
func TestS5_CrossSite(t *testing.T) {
	t.Parallel()
	s, floor := gateless(t, nil)
	stops := 0
	for key, r := range s.rules {
		if key.method == http.MethodGet && !r.stream {
			continue
		}
		for _, header := range [][]string{{"Sec-Fetch-Site", "cross-site"}, {"Origin", "https://elsewhere.example"}} {
			rec := ask(t, s.Handler(), key.method, concrete(key.path), string(admin), "", header...)
			if r.stop {
				stops++
				continue
			}
			if rec.Code != http.StatusForbidden || problemIn(t, rec).Type != "/problems/cross-site" {
				t.Errorf("%s %s with %v: %d %s", key.method, key.path, header, rec.Code, rec.Body)
			}
		}
	}
	// Of the two stop routes the one by run finds no machine here and asks the store, which is not
	// there; the one by machine must have gone out.
	if stops != 4 || floor.stopped() != 2 {
		t.Errorf("%d stop requests, %d stops sent", stops, floor.stopped())
	}
}

func TestUnknownRoute(t *testing.T) {
	t.Parallel()
	s, _ := gateless(t, nil)
	for _, path := range []string{"/nowhere", base, base + "/nowhere", base + "/runs/archive/1", "/api/v2/me"} {
		rec := ask(t, s.Handler(), http.MethodGet, path, string(admin), "")
		if rec.Code != http.StatusNotFound {
			t.Errorf("%s: %d", path, rec.Code)
		}
		problemIn(t, rec)
	}
	rec := ask(t, s.Handler(), http.MethodPatch, base+"/me", string(admin), "")
	if rec.Code != http.StatusMethodNotAllowed || !strings.Contains(rec.Header().Get("Allow"), http.MethodGet) {
		t.Errorf("PATCH /me: %d, Allow %q", rec.Code, rec.Header().Get("Allow"))
	}
}

// TestS10_UnknownFields: nobody can believe to have set a field that is not theirs.
func TestS10_UnknownFields(t *testing.T) {
	t.Parallel()
	s, _ := gateless(t, nil)
	for _, x := range []struct{ method, path, body string }{
		{http.MethodPost, "/jobs", `{"title":"bed sign","plan":"00","copies":1,"state":"done"}`},
		{http.MethodPost, "/sessions", `{"sign_in":"fern","password":"x","role":"admin"}`},
		{http.MethodPut, "/runs/" + uuid.Nil.String() + "/placement", `{"origin_x_mm":1,"origin_y_mm":1,"homed":true}`},
		{http.MethodPost, "/jobs", `{"title":"bed sign"} {"title":"another"}`},
		{http.MethodPost, "/jobs", `{"copies":"many"}`},
		{http.MethodPost, "/jobs", `not json`},
	} {
		rec := ask(t, s.Handler(), x.method, base+x.path, string(operator), x.body)
		if rec.Code != http.StatusBadRequest {
			t.Errorf("%s %s: %d %s", x.path, x.body, rec.Code, rec.Body)
		}
	}
	rec := ask(t, s.Handler(), http.MethodPost, base+"/jobs", string(member), `{}`, "Content-Type", "text/plain")
	if rec.Code != http.StatusUnsupportedMediaType {
		t.Errorf("text/plain: %d", rec.Code)
	}
}

// TestS7_LiveEventsFromAnotherSite: a page of another origin gets no live events, wherever it says it comes from.
func TestS7_LiveEventsFromAnotherSite(t *testing.T) {
	t.Parallel()
	s, _ := gateless(t, nil)
	for _, header := range [][]string{{"Origin", "https://elsewhere.example"}, {"Origin", "null"}, {"Sec-Fetch-Site", "cross-site"}, {"Sec-Fetch-Site", "same-site"}} {
		rec := ask(t, s.Handler(), http.MethodGet, base+"/events", string(admin), "", header...)
		if rec.Code != http.StatusForbidden || problemIn(t, rec).Type != "/problems/cross-site" {
			t.Errorf("%v: %d %s", header, rec.Code, rec.Body)
		}
	}
}

func TestS7_S25_RunRefusesPlainOffLoopback(t *testing.T) {
	t.Parallel()
	s, _ := gateless(t, nil)
	l := &offLoopback{}
	if err := s.Run(t.Context(), l); err == nil || !strings.Contains(err.Error(), ErrPlain.Error()) || !l.closed {
		t.Errorf("plain HTTP on %s: %v", l.Addr(), err)
	}
}

// offLoopback is a listener on a documentation address (RFC 5737).
type offLoopback struct{ closed bool }

func (*offLoopback) Accept() (net.Conn, error) { return nil, net.ErrClosed }
func (*offLoopback) Addr() net.Addr            { return &net.TCPAddr{IP: net.IPv4(192, 0, 2, 7), Port: 80} }
func (l *offLoopback) Close() error {
	l.closed = true
	return nil
}
