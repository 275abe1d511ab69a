package api

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"kerfgate/api/wire"
	"kerfgate/db"
	"kerfgate/db/logbook"
	"kerfgate/plan/geom"
	"kerfgate/queue/broker"
)

// sse is one event as it came over the wire (the HTML standard's event stream format).
type sse struct {
	kind, id string
	data     string
}

// listener reads an event stream.
type listener struct {
	t      *testing.T
	events chan sse
	ended  chan struct{}
}

// serve runs the workshop's server until the test ends and gives its address.
func (w *workshop) serve(t *testing.T) string {
	t.Helper()
	if w.url != "" {
		return w.url
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	w.url = w.serveOn(t, l)
	return w.url
}

func (w *workshop) serveOn(t *testing.T, l net.Listener) string {
	t.Helper()
	w.SetCommitHook(w.s.Nudge)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- w.s.Run(ctx, l) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("server: %v", err)
		}
	})
	return "http://" + l.Addr().String()
}

func listen(t *testing.T, url, token, lastID string) *listener {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, url+base+"/events", nil)
	if err != nil {
		t.Fatal(err)
	}
	if token != "" {
		req.Header.Set("Authorization", "Bearer "+token)
	}
	if lastID != "" {
		req.Header.Set("Last-Event-ID", lastID)
	}
	resp, err := (&http.Client{Transport: contractTransport{t, http.DefaultTransport}}).Do(req)
	if err != nil {
		t.Fatal(err)
	}
	if resp.StatusCode != http.StatusOK || resp.Header.Get("Content-Type") != "text/event-stream" {
		t.Fatalf("events: %s %v", resp.Status, resp.Header)
	}
	got := &listener{t: t, events: make(chan sse, 1024), ended: make(chan struct{})}
	go func() {
		defer close(got.ended)
		defer func() { _ = resp.Body.Close() }()
		var e sse
		for lines := bufio.NewScanner(resp.Body); lines.Scan(); {
			switch line := lines.Text(); {
			case line == "" && e.data != "":
				heldEvent(t, e)
				got.events <- e
				e = sse{}
			case strings.HasPrefix(line, "event: "):
				e.kind = line[7:]
			case strings.HasPrefix(line, "id: "):
				e.id = line[4:]
			case strings.HasPrefix(line, "data: "):
				e.data = line[6:]
			}
		}
	}()
	return got
}

// heldEvent holds an event to the description.
func heldEvent(t *testing.T, e sse) {
	c, err := openContract()
	if err != nil {
		t.Error(err)
		return
	}
	var data any
	if err := json.Unmarshal([]byte(e.data), &data); err != nil {
		t.Errorf("event %+v: %v", e, err)
		return
	}
	if err := c.event(e.kind, data); err != nil {
		t.Errorf("event %+v: %v", e, err)
	}
}

// until waits for an entry of a kind and gives it with everything that came before.
func (l *listener) until(kind string) (found sse, before []sse) {
	l.t.Helper()
	patience := time.After(20 * time.Second)
	for {
		select {
		case e := <-l.events:
			var entry wire.EventEntry
			if err := json.Unmarshal([]byte(e.data), &entry); err != nil {
				l.t.Fatal(err)
			}
			if e.kind == kind || entry.Kind == kind {
				return e, before
			}
			before = append(before, e)
		case <-patience:
			l.t.Fatalf("no %s came, only %v", kind, before)
		}
	}
}

// TestEvents: each sees what they may, live and again by Last-Event-ID.
func TestEvents(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	url := w.serve(t)
	member, officer := w.signedIn(t, w.Member), w.signedIn(t, w.Officer)
	wall := listen(t, url, "", "")
	mine, all := listen(t, url, member, ""), listen(t, url, officer, "")
	job := w.handIn(t, member, 1)
	w.as(t, officer, http.MethodPost, "/machines/"+w.Machine.ID.String()+"/lockout", `{"reason":"lid hinge loose"}`, http.StatusCreated, nil)

	last, seen := wall.until("lockout.set")
	for _, e := range append(seen, last) {
		if strings.Contains(e.data, "actor") || strings.Contains(e.data, "job_id") || strings.Contains(e.data, "hinge") {
			t.Errorf("the wall sees %s", e.data)
		}
	}
	_, seen = mine.until("lockout.set")
	if !strings.Contains(joined(seen), `"job.submitted"`) || !strings.Contains(joined(seen), job.ID.String()) {
		t.Errorf("the member does not see their job: %v", seen)
	}
	lockout, _ := all.until("lockout.set")
	if !strings.Contains(lockout.data, "Officer of the garden") {
		t.Errorf("the officer sees %s", lockout.data)
	}
	if lockout.id != last.id || last.id == "" {
		t.Errorf("ids %q and %q", lockout.id, last.id)
	}
	// From the beginning: the log's first entry has index 0, so index 0 is the earliest to resume at.
	again := listen(t, url, officer, "0")
	if got, seen := again.until("lockout.set"); got.data != lockout.data || len(seen) == 0 {
		t.Errorf("again: %+v after %d", got, len(seen))
	}
	// Readings come unlogged, without an id.
	w.floor.mu.Lock()
	w.floor.reading = &broker.Reading{Run: job.Runs[0].ID, Phase: "running", DoneMS: 1500, TotalMS: 60_000, Position: geom.Pt(12_500, 0)}
	w.floor.readAt = time.Now()
	w.floor.mu.Unlock()
	reading, _ := wall.until("reading")
	var r wire.EventReading
	if err := json.Unmarshal([]byte(reading.data), &r); err != nil || reading.id != "" || r.DoneS != 1.5 || r.PositionXMm != 12.5 || r.MachineID != w.Machine.ID {
		t.Errorf("reading %+v, %v", reading, err)
	}
}

func joined(events []sse) string {
	var b strings.Builder
	for _, e := range events {
		b.WriteString(e.data + "\n")
	}
	return b.String()
}

// TestS11_RevokedWhileOpen: a stream ends with its session.
func TestS11_RevokedWhileOpen(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	url := w.serve(t)
	token := w.signedIn(t, w.Officer)
	open := listen(t, url, token, "")
	w.as(t, token, http.MethodDelete, "/sessions/current", "", http.StatusNoContent, nil)
	select {
	case <-open.ended:
	case <-time.After(20 * time.Second):
		t.Error("the stream outlives its session")
	}
	for len(open.events) > 0 {
		if e := <-open.events; strings.Contains(e.data, "session.ended") {
			t.Errorf("an event after the session's end: %s", e.data)
		}
	}
}

// TestS11_RightsWithdrawnWhileOpen: an officer whose role is taken away sees no more of what officers see, in the
// stream that is open and from the next request on.
func TestS11_RightsWithdrawnWhileOpen(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	url := w.serve(t)
	token := w.signedIn(t, w.Officer)
	open := listen(t, url, token, "")
	lock := func(reason string) {
		t.Helper()
		if _, err := w.SetLockout(t.Context(), w.Admin, w.Machine.ID, reason); err != nil {
			t.Fatal(err)
		}
	}
	lock("lid hinge loose")
	before, _ := open.until("lockout.set")
	if !strings.Contains(before.data, "Admin of the garden") {
		t.Fatalf("the officer sees %s", before.data)
	}
	w.as(t, token, http.MethodGet, "/logbook", "", http.StatusOK, nil)
	if _, err := w.ChangePerson(t.Context(), w.Admin, w.Officer.Person, 0, db.PersonChange{Name: "Officer of the garden", Role: db.RoleMember}); err != nil {
		t.Fatal(err)
	}
	w.as(t, token, http.MethodGet, "/logbook", "", http.StatusForbidden, nil)
	if err := w.LiftLockout(t.Context(), db.Actor{Person: w.Admin.Person, Role: db.RoleOfficer}, w.Machine.ID, "hinge mended"); err != nil {
		t.Fatal(err)
	}
	if after, _ := open.until("lockout.lifted"); strings.Contains(after.data, "actor") {
		t.Errorf("who is no officer any more sees %s", after.data)
	}
}

// TestServerEnds: event streams do not hold up the end.
func TestServerEnds(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- w.s.Run(ctx, l) }()
	open := listen(t, "http://"+l.Addr().String(), "", "")
	began := time.Now()
	cancel()
	if err := <-done; err != nil {
		t.Error(err)
	}
	<-open.ended
	if took := time.Since(began); took > shutdownPatience/2 {
		t.Errorf("the end took %v", took)
	}
}

// TestSlowClient: who does not keep up is cut, the others are not.
func TestSlowClient(t *testing.T) {
	t.Parallel()
	s, _ := gateless(t, nil)
	h := s.hub
	close(h.started)
	slow, err := h.join(t.Context(), "192.0.2.1")
	if err != nil {
		t.Fatal(err)
	}
	quick, err := h.join(t.Context(), "192.0.2.2")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []*client{slow, quick} {
		if _, err := h.goLive(c); err != nil {
			t.Fatal(err)
		}
	}
	for i := range buffered + 1 {
		h.hand([]*event{{index: int64(i)}}, 1)
		<-quick.events
	}
	n := 0
	for range slow.events {
		n++
	}
	if n != buffered {
		t.Errorf("the slow client got %d events before it was cut, want %d", n, buffered)
	}
	if len(h.clients) != 1 || h.peers["192.0.2.1"] != 0 {
		t.Errorf("%d clients, peers %v", len(h.clients), h.peers)
	}
	for range maxPerPeer - 1 {
		if _, err := h.join(t.Context(), "192.0.2.2"); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := h.join(t.Context(), "192.0.2.2"); !errors.Is(err, errBusy) {
		t.Errorf("one stream too many: %v", err)
	}
}

// TestSeenBy: kinds that are not the board's reach only who they concern, officers and admins.
func TestSeenBy(t *testing.T) {
	t.Parallel()
	s, _ := gateless(t, nil)
	self, other, job := uuid.UUID{0: 1}, uuid.UUID{0: 2}, uuid.UUID{0: 3}
	entry := func(kind logbook.Kind, actor uuid.UUID) *event {
		return s.eventOf(db.LogEntry{Index: 5, Owner: self, ActorName: "Fern of the garden", Entry: logbook.Entry{Kind: kind, Actor: logbook.ID(actor),
			Subjects: []logbook.Subject{{Role: logbook.RoleJob, ID: logbook.ID(job)}},
			Body:     logbook.Body{logbook.FieldTo: "paused", logbook.FieldReason: "lid hinge loose"}}})
	}
	person := func(id uuid.UUID, r db.Role) signedIn { return signedIn{Person: db.Person{ID: id, Role: r}} }
	for _, kind := range logbook.Kinds() {
		e := entry(kind, uuid.Nil)
		if e.seenBy(person(self, db.RoleMember), true) == nil || e.seenBy(person(other, db.RoleOfficer), true) == nil {
			t.Errorf("%s is hidden from its owner or the officer", kind)
		}
		board := e.seenBy(signedIn{}, false)
		if string(board) != string(e.seenBy(person(other, db.RoleMember), true)) {
			t.Errorf("%s: another member and the wall differ", kind)
		}
		if strings.Contains(string(board), "Fern") || strings.Contains(string(board), "hinge") || strings.Contains(string(board), job.String()) {
			t.Errorf("%s tells the wall %s", kind, board)
		}
	}
	for _, kind := range []logbook.Kind{logbook.PersonAdded, logbook.SessionOpened, logbook.JobSubmitted, logbook.DrawingReceived,
		logbook.AuthorisationGranted, logbook.Refused, logbook.IncidentOpened, logbook.PlanMade} {
		if board := entry(kind, uuid.Nil).board; board != nil {
			t.Errorf("the wall hears of %s: %s", kind, board)
		}
	}
	if entry(logbook.SessionOpened, other).seenBy(person(other, db.RoleMember), true) == nil {
		t.Error("a person does not see their own session")
	}
}
