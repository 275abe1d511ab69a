package api

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"kerfgate/db"
	"kerfgate/db/dbtest"
	"kerfgate/plan/geom"
	"kerfgate/plan/material"
	"kerfgate/queue"
	"kerfgate/queue/broker"
)

// pageShop is the garden's workshop behind its pages; a person signs in by name alone.
type pageShop struct {
	*dbtest.Workshop
	server *Server
	floor  *floorMan
}

func openPages(t *testing.T) *pageShop {
	t.Helper()
	w := dbtest.NewWorkshop(t)
	floor := &floorMan{position: geom.Pt(40_000, 30_000)}
	s, err := New(Config{Store: w.Store, Floor: floor, Site: dbtest.Site, Log: slog.New(slog.NewTextHandler(io.Discard, nil))})
	if err != nil {
		t.Fatal(err)
	}
	people := map[string]db.Person{}
	for name, a := range map[string]db.Actor{"member": w.Member, "operator": w.Operator, "officer": w.Officer} {
		people[name] = db.Person{ID: a.Person, Role: a.Role, Name: "Kari " + name}
	}
	s.sessionByToken = func(_ context.Context, hash []byte) (db.Session, db.Person, error) {
		for name, p := range people {
			if want := hashToken(name); bytes.Equal(hash, want[:]) {
				return db.Session{ID: uuid.UUID{14: 1}, Person: p.ID}, p, nil
			}
		}
		return db.Session{}, db.Person{}, db.ErrNotFound
	}
	return &pageShop{Workshop: w, server: s, floor: floor}
}

type answer struct {
	*http.Response
	html string
}

func (p *pageShop) ask(t *testing.T, as, method, address, contentType, body string) answer {
	t.Helper()
	req := httptest.NewRequestWithContext(t.Context(), method, address, strings.NewReader(body))
	if contentType != "" {
		req.Header.Set("Content-Type", contentType)
	}
	req.Header.Set("Sec-Fetch-Site", "same-origin")
	req.Header.Set("Accept", "text/html,application/xhtml+xml,*/*;q=0.8")
	if as != "" {
		req.AddCookie(&http.Cookie{Name: "kerfgate_session", Value: as})
	}
	rec := httptest.NewRecorder()
	p.server.Handler().ServeHTTP(rec, req)
	return answer{Response: rec.Result(), html: rec.Body.String()}
}

func (p *pageShop) get(t *testing.T, as, address string) answer {
	t.Helper()
	return p.ask(t, as, http.MethodGet, address, "", "")
}

func (p *pageShop) post(t *testing.T, as, address string, form url.Values) answer {
	t.Helper()
	return p.ask(t, as, http.MethodPost, address, "application/x-www-form-urlencoded", form.Encode())
}

func (a answer) wants(t *testing.T, status int, texts ...string) answer {
	t.Helper()
	if a.StatusCode != status {
		t.Fatalf("status %d, want %d: %.600s", a.StatusCode, status, a.html)
	}
	for _, text := range texts {
		if !strings.Contains(a.html, text) {
			t.Errorf("the page has no %q", text)
		}
	}
	return a
}

func (a answer) lacks(t *testing.T, texts ...string) answer {
	t.Helper()
	for _, text := range texts {
		if strings.Contains(a.html, text) {
			t.Errorf("the page holds %q", text)
		}
	}
	return a
}

// uploadForm is the hand-in form as a browser sends it.
func (p *pageShop) uploadForm(t *testing.T, fileName, drawing string) (contentType, body string) {
	t.Helper()
	var b bytes.Buffer
	m := multipart.NewWriter(&b)
	part, err := m.CreateFormFile("file", fileName)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := io.WriteString(part, drawing); err != nil {
		t.Fatal(err)
	}
	for name, value := range map[string]string{"tool": p.Machine.ID.String() + "|beam", "stock": p.Stock.ID.String()} {
		if err := m.WriteField(name, value); err != nil {
			t.Fatal(err)
		}
	}
	if err := m.Close(); err != nil {
		t.Fatal(err)
	}
	return m.FormDataContentType(), b.String()
}

// TestPages_HandIn goes through the plain forms, as a browser without scripts does.
func TestPages_HandIn(t *testing.T) {
	t.Parallel()
	p := openPages(t)
	p.get(t, "member", "/hand-in").wants(t, 200, `type="file"`, "Bay 1 · lidded cutter: beam", "lot P118")

	kind, body := p.uploadForm(t, "thyme.svg", dbtest.Square)
	planned := p.ask(t, "member", http.MethodPost, "/hand-in", kind, body).wants(t, 303).Header.Get("Location")
	shown := p.get(t, "member", planned).wants(t, 200, "thyme.svg", `class="letter">A<`, `value="cut" checked`, "1 piece, 1 drop-out",
		"travel, beam off", `class="plan"`, "purge", fmt.Sprintf(`name="copies" type="number" min="1" max="%d"`, db.MaxCopies))
	drawing := field(t, shown.html, "drawing")

	// Another operation for group A, as the page offers it.
	form := url.Values{"drawing": {drawing}, "tool": {p.Machine.ID.String() + "|beam"}, "stock": {p.Stock.ID.String()}, "operation_A": {"mark"}}
	marked := p.post(t, "member", "/hand-in/plan", form).wants(t, 303).Header.Get("Location")
	if marked == planned {
		t.Error("another operation gave the same plan")
	}
	shown = p.get(t, "member", marked).wants(t, 200, `value="mark" checked`, "nothing comes loose")

	// Handed in again, the same file begins with what was chosen for it last; it is remembered for the
	// drawing's bytes, so another file of that name begins anew.
	form.Set("columns", "2")
	form.Set("gap", "3,5")
	p.post(t, "member", "/hand-in/plan", form).wants(t, 303)
	again := p.ask(t, "member", http.MethodPost, "/hand-in", kind, body).wants(t, 303).Header.Get("Location")
	p.get(t, "member", again).wants(t, 200, `value="mark" checked`, `name="columns" inputmode="decimal" maxlength="20" value="2"`, `value="3.5"`)
	otherKind, otherBody := p.uploadForm(t, "thyme.svg", dbtest.Square+"\n")
	other := p.ask(t, "member", http.MethodPost, "/hand-in", otherKind, otherBody).wants(t, 303).Header.Get("Location")
	p.get(t, "member", other).wants(t, 200, `value="cut" checked`, `name="columns" inputmode="decimal" maxlength="20" value=""`)
	form.Set("columns", "many")
	p.post(t, "member", "/hand-in/plan", form).wants(t, 422, "The number of columns is out of range", "1 to 200")
	form.Del("columns")
	form.Del("gap")

	// What cannot be planned is refused with what to do next, and every choice stays.
	form.Set("operation_A", "engrave")
	form.Set("group_A", "layer “outline”, line #000000, 2 shapes, 191 mm")
	p.post(t, "member", "/hand-in/plan", form).wants(t, 422, `class="refusal"`, `value="engrave" checked`, "layer “outline”", `value="`+drawing+`"`).
		lacks(t, `name="copies"`)

	digest := field(t, shown.html, "plan")
	p.post(t, "member", "/hand-in/submit", url.Values{"plan": {digest}, "title": {"bed sign <b>thyme</b>"}, "copies": {"99"}}).
		wants(t, 422, "Not enough sheets", "bed sign &lt;b&gt;thyme&lt;/b&gt;", `value="99"`)
	job := p.post(t, "member", "/hand-in/submit", url.Values{"plan": {digest}, "title": {"bed sign <b>thyme</b>"}, "copies": {"2"},
		"due": {"2099-06-01T12:00"}}).wants(t, 303).Header.Get("Location")
	p.get(t, "member", job).wants(t, 200, "Handed in.", "bed sign &lt;b&gt;thyme&lt;/b&gt;", "sheet 2 of 2", "Due ", "Withdraw", "Place 1 in", "the order of arrival", "Ready about", "in nine of ten cases by", "Too few runs are known here").
		lacks(t, "<b>thyme</b>")
}

// TestPages_HandInRefusesWhatIsNoDrawing: the page says so and keeps what was chosen.
func TestPages_HandInRefusesWhatIsNoDrawing(t *testing.T) {
	t.Parallel()
	p := openPages(t)
	kind, body := p.uploadForm(t, "page.svg", "<html><script>alert(1)</script></html>")
	p.ask(t, "member", http.MethodPost, "/hand-in", kind, body).wants(t, 422, "no SVG drawing", `type="file"`).lacks(t, "alert(1)")
	p.ask(t, "member", http.MethodPost, "/hand-in", "application/json", "{}").wants(t, 415)
	huge := strings.Repeat("x", drawingLimit+1)
	kind, body = p.uploadForm(t, "huge.svg", huge)
	if got := p.ask(t, "member", http.MethodPost, "/hand-in", kind, body).StatusCode; got != http.StatusRequestEntityTooLarge {
		t.Errorf("a drawing over the limit: %d", got)
	}
}

// field reads a hidden field's value.
func field(t *testing.T, html, name string) string {
	t.Helper()
	m := regexp.MustCompile(`name="` + name + `" value="([^"]*)"`).FindStringSubmatch(html)
	if m == nil {
		t.Fatalf("no field %s in the page", name)
	}
	return m[1]
}

// TestPages_Board: a wall screen without sign-in sees lanes and numbers, no names, titles, reasons.
func TestPages_Board(t *testing.T) {
	t.Parallel()
	p := openPages(t)
	job := p.Submit(t, 5)
	if _, err := p.SetLockout(t.Context(), p.Officer, p.Machine.ID, "belt slipped on y"); err != nil {
		t.Fatal(err)
	}
	wall := p.get(t, "", "/").wants(t, 200, "Bay 1", "run 1<", "and 2 more", "Locked out", "locked out", "sheet 1 of 5")
	wall.lacks(t, "bed sign", "Member of the garden", "Member g.", "belt slipped", "/jobs/")
	p.get(t, "member", "/").wants(t, 200, "bed sign", "yours", "Belt slipped on y", "/jobs/"+job.ID.String(), "simulated: motion 20×, purge and watch 60×")
	if _, words := laneGate(db.Lane{Machine: p.Machine, Next: job.Runs}); words != "shut" {
		t.Errorf("a free machine's gate is %q", words)
	}
	if n := shutGate(db.Lane{Machine: p.Machine, Next: job.Runs}).Down(); n != 6 {
		t.Errorf("%d bars are down across the next run's way, want 6", n)
	}
	p.get(t, "operator", "/board/lanes").wants(t, 200, "Member g.").lacks(t, "<html", "yours")
}

// TestPages_Station walks one run from proposed to its record.
func TestPages_Station(t *testing.T) {
	t.Parallel()
	p := openPages(t)
	address := "/station/" + p.Machine.ID.String()

	// Signed out: Stop run is there, and the policy adds this machine's worker and nothing else.
	out := p.get(t, "", address).wants(t, 200, `id="stop"`, "Stop run", "/api/v1/machines/"+p.Machine.ID.String()+"/stop", "Nothing waits")
	if got, want := out.Header.Get("Content-Security-Policy"), "connect-src 'self' http://127.0.0.1:1;"; !strings.Contains(got, want) {
		t.Errorf("policy %q, want %q in it", got, want)
	}
	if got := p.get(t, "", "/").Header.Get("Content-Security-Policy"); !strings.Contains(got, "connect-src 'self';") {
		t.Errorf("the board's policy is %q", got)
	}

	job := p.Submit(t, 1)
	run := job.Runs[0].ID
	p.get(t, "", address).wants(t, 200, "Run 1", "Sign in to open the checklist").lacks(t, "bed sign")
	p.get(t, "member", address).wants(t, 200, "bed sign", "Only an operator who is authorised")
	p.get(t, "operator", address).wants(t, 200, "Open the checklist", "3 mm, caliper 2.8 to 3.2\u00a0mm", "300 × 200 mm", "cut 1 drop-out, then cut 1 piece")

	if _, err := p.OpenChecklist(t.Context(), p.Operator, run); err != nil {
		t.Fatal(err)
	}
	p.get(t, "operator", address).wants(t, 200, `data-phase="checking"`, "Place the sheet", "6 bars are down", `aria-disabled="true"`,
		"OD ≥ 5 at 10600 nm", `id="place" open`)
	p.get(t, "member", address).wants(t, 200, "has the checklist").lacks(t, "Sign and start", `name="marking"`)

	if _, err := p.Place(t.Context(), p.Operator, run, db.Placement{Origin: geom.Pt(40_000, 30_000), Homed: true}); err != nil {
		t.Fatal(err)
	}
	p.get(t, "operator", address+"/main").wants(t, 200, "origin x 40, y 30 mm, homed", `id="bar-eyewear" open`).lacks(t, "<html", `id="place" open`)
	p.AnswerAll(t, run)
	p.get(t, "operator", address).wants(t, 200, "118 Pa", "marking on the pair 10600 D LB6", "✓ up").lacks(t, "bars are down")

	if _, _, err := p.Apply(t.Context(), p.Machine.ID, broker.Report{Number: 1, Kind: broker.ReportReady, Run: run, Revision: p.revision(t, run)}); err != nil {
		t.Fatal(err)
	}
	p.get(t, "operator", address).wants(t, 200, "Sign and start").lacks(t, `aria-disabled="true"`, "says no")
	if _, err := p.SignOff(t.Context(), p.Operator, run, [32]byte{1}, [32]byte{2}); err != nil {
		t.Fatal(err)
	}
	p.get(t, "operator", address).wants(t, 200, `data-phase="permitted"`, "Signed. The machine is taking the permit", "gate: all 6 bars up")
	p.get(t, "member", "/").wants(t, 200, "open for run 1")
	// The record of the gate stands on the job's page, each answer on its bar and in words.
	p.get(t, "member", "/jobs/"+job.ID.String()).wants(t, 200, "The gate it went through", `class="gate gate-record"`, "within reach", "118 Pa",
		"The answers in words")
}

// revision is what the newest offer of a run says.
func (p *pageShop) revision(t *testing.T, run uuid.UUID) int64 {
	t.Helper()
	offers, err := p.Offers(t.Context(), p.Machine.ID)
	if err != nil {
		t.Fatal(err)
	}
	for _, o := range offers {
		if o.Run == run {
			return o.Revision
		}
	}
	t.Fatal("the run is not offered")
	return 0
}

// TestPages_StationRunning shows the reading, the time left and attendance of a running machine,
// and marks a machine from which nothing is heard.
func TestPages_StationRunning(t *testing.T) {
	t.Parallel()
	p := openPages(t)
	job := p.Submit(t, 1)
	l := db.Lane{Machine: p.Machine, Active: &job.Runs[0]}
	l.Active.Phase, l.Active.Operator, l.Active.OperatorName = queue.Running, p.Operator.Person, "Kari Berg"
	who := reader{person: p.Member.Person, signed: true}

	quiet := p.server.laneView(l, who)
	if quiet.Now.HasLeft || quiet.Now.Then != "no news from the machine" {
		t.Errorf("without a reading the board says %+v", quiet.Now)
	}
	p.floor.reading = &broker.Reading{Run: l.Active.ID, Phase: "running", DoneMS: 60_000, TotalMS: 100_000, LeftMS: 42_000, AttendanceS: 31}
	p.floor.readAt = time.Now()
	heard := p.server.laneView(l, who)
	if !heard.Now.HasLeft || heard.Now.LeftText != "42 s" || heard.Now.DoneMS != 60_000 {
		t.Errorf("with a reading the board says %+v", heard.Now)
	}
	p.floor.readAt = time.Now().Add(-time.Minute)
	if old := p.server.laneView(l, who); old.Now.HasLeft {
		t.Error("a reading of a minute ago passes for the present")
	}
}

// TestPages_NotBefore: the estimate adds the machine time of what stands ahead, and what comes around each run: four
// minutes to lay a lot, one for another sheet of it, two until it is inspected.
func TestPages_NotBefore(t *testing.T) {
	t.Parallel()
	p := openPages(t)
	job := p.Submit(t, 3)
	lane, _, err := p.server.laneOf(t.Context(), p.Machine.ID)
	if err != nil {
		t.Fatal(err)
	}
	// The workshop's machine is simulated twenty times as fast.
	each := time.Duration(job.Runs[0].PlanTotalMS/20) * time.Millisecond
	v := p.server.laneView(lane, reader{})
	for i := range 3 {
		if v.Queue[i].NotBefore == nil {
			t.Fatalf("no estimate for ticket %d", i)
		}
		want := time.Now().Add(time.Duration(i+1)*(each+3*time.Minute) + 3*time.Minute)
		if off := v.Queue[i].NotBefore.Sub(want).Abs(); off > 10*time.Second {
			t.Errorf("ticket %d: not before %s, want about %s", i, v.Queue[i].NotBefore, want)
		}
	}
}

// TestPages_OthersJobsAreNotFound holds S9 for the pages.
func TestPages_OthersJobsAreNotFound(t *testing.T) {
	t.Parallel()
	p := openPages(t)
	d, err := p.ReceiveDrawing(t.Context(), p.Officer, "x.svg", []byte(dbtest.Square))
	if err != nil {
		t.Fatal(err)
	}
	row, err := p.MakePlan(t.Context(), p.Officer, db.PlanChoice{Drawing: d.ID, Machine: p.Machine.ID, Tool: "beam", Stock: p.Stock.ID, Default: "cut"})
	if err != nil {
		t.Fatal(err)
	}
	j, err := p.SubmitJob(t.Context(), p.Officer, db.NewJob{Title: "dill", Plan: row.Digest, Copies: 1})
	if err != nil {
		t.Fatal(err)
	}
	for _, address := range []string{"/jobs/" + j.ID.String(), "/jobs/" + j.ID.String() + "/main", "/hand-in?plan=" + row.Digest.String(), "/jobs/none", "/nowhere"} {
		p.get(t, "member", address).wants(t, 404).lacks(t, "dill")
	}
	p.post(t, "member", "/jobs/"+j.ID.String()+"/withdraw", url.Values{"rev": {"1"}}).wants(t, 404)
	p.get(t, "officer", "/jobs/"+j.ID.String()).wants(t, 200, "dill")
}

func TestPages_Withdraw(t *testing.T) {
	t.Parallel()
	p := openPages(t)
	j := p.Submit(t, 1)
	address := "/jobs/" + j.ID.String()
	rev := field(t, p.get(t, "member", address).wants(t, 200).html, "rev")
	p.post(t, "member", address+"/withdraw", url.Values{"rev": {"77"}}).wants(t, 409, "Somebody changed it meanwhile")
	p.post(t, "member", address+"/withdraw", url.Values{"rev": {rev}}).wants(t, 303)
	p.get(t, "member", address).wants(t, 200, "withdrawn", "Withdrawn before it started.").lacks(t, ">Withdraw<")
}

func TestPages_Logbook(t *testing.T) {
	t.Parallel()
	p := openPages(t)
	p.Submit(t, 1)
	p.get(t, "", "/logbook").wants(t, 303)
	p.get(t, "member", "/logbook").wants(t, 403)
	all := p.get(t, "officer", "/logbook").wants(t, 200, "proposed a run", "submitted a job", "Member of the garden", "run 1", "prove", "granted an authorisation")
	p.get(t, "officer", "/logbook?kind=job.submitted").wants(t, 200, "submitted a job").lacks(t, "<b>proposed a run")
	p.get(t, "officer", "/logbook?run=1").wants(t, 200, "<b>proposed a run").lacks(t, "<b>submitted a job")
	p.get(t, "officer", "/logbook?run=77").wants(t, 200, "No run has that number")
	p.get(t, "officer", "/logbook?person=Member").wants(t, 200, "<b>submitted a job").lacks(t, "<b>added a machine")
	p.get(t, "officer", "/logbook?person=nobody").wants(t, 200, "Nobody has that sign-in name")
	p.get(t, "officer", "/logbook?person=member&run=1").wants(t, 200, "for a machine, or a person, or a run")
	p.get(t, "officer", "/logbook?machine="+p.Machine.ID.String()).wants(t, 200, "<b>added a machine").lacks(t, "<b>added a person")
	p.get(t, "officer", "/logbook/check").wants(t, 200, "Checked: nothing is wrong", "every hash computed anew")
	p.get(t, "member", "/logbook/head").wants(t, 200, "Head of the logbook", "Root, to read aloud", "<svg class=\"qr\"", "key</dt>").lacks(t, "/logbook/head/check")
	p.get(t, "officer", "/logbook/0/proof").wants(t, 200, "c2sp.org/tlog-proof@v1", "opened the site")
	p.get(t, "member", "/logbook/0/proof").wants(t, 200, "c2sp.org/tlog-proof@v1").lacks(t, "opened the site")
	p.get(t, "officer", "/logbook/99999/proof").wants(t, 404)
	if n := strings.Count(all.html, "<tr>"); n < 10 {
		t.Errorf("%d rows", n)
	}
}

// TestPages_EveryKindHasWords: an entry is told in words, whatever its kind.
func TestPages_EveryKindHasWords(t *testing.T) {
	t.Parallel()
	for _, choice := range kindChoices("") {
		if choice.Label == "" {
			t.Errorf("%s has no words", choice.Value)
		}
	}
}

func TestPages_SignIn(t *testing.T) {
	t.Parallel()
	p := openPages(t)
	p.get(t, "", "/hand-in?plan=x").wants(t, 303)
	if got, want := p.get(t, "", "/hand-in?plan=x").Header.Get("Location"), "/sign-in?next=%2Fhand-in%3Fplan%3Dx"; got != want {
		t.Errorf("sent to %q, want %q", got, want)
	}
	p.get(t, "", "/sign-in?next=%2Fhand-in").wants(t, 200, `name="next" value="/hand-in"`)
	p.post(t, "", "/sign-in", url.Values{"sign_in": {"nobody"}, "password": {"wrong"}, "next": {"/hand-in"}}).
		wants(t, 401, `value="nobody"`, "Sign-in name or password is wrong").lacks(t, "wrong&#34;")

	hash, err := HashPassword(t.Context(), "a long enough password")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := p.AddPerson(t.Context(), p.Officer, db.NewPerson{SignInName: "siri", Name: "Siri Nes", Role: db.RoleMember, PasswordHash: hash}); err != nil {
		t.Fatal(err)
	}
	in := p.post(t, "", "/sign-in", url.Values{"sign_in": {"siri"}, "password": {"a long enough password"}, "next": {"//elsewhere.example/"}}).wants(t, 303)
	if got := in.Header.Get("Location"); got != "/" {
		t.Errorf("sent to %q", got)
	}
	if len(in.Cookies()) != 1 || !in.Cookies()[0].HttpOnly || in.Cookies()[0].SameSite != http.SameSiteLaxMode {
		t.Errorf("cookies %v", in.Cookies())
	}
	// A form of another site changes nothing.
	req := httptest.NewRequestWithContext(t.Context(), http.MethodPost, "/sign-out", nil)
	req.Header.Set("Sec-Fetch-Site", "cross-site")
	rec := httptest.NewRecorder()
	p.server.Handler().ServeHTTP(rec, req)
	if rec.Code != http.StatusForbidden {
		t.Errorf("cross-site sign-out: %d", rec.Code)
	}
}

func TestOwnPath(t *testing.T) {
	t.Parallel()
	for next, want := range map[string]string{
		"/": "/", "/hand-in?plan=1": "/hand-in?plan=1", "": "/", "//elsewhere.example": "/", "https://elsewhere.example": "/",
		"/\\elsewhere.example": "/", "javascript:alert(1)": "/", "hand-in": "/", "/a\r\nSet-Cookie: x": "/",
	} {
		if got := ownPath(next); got != want {
			t.Errorf("%q: %q, want %q", next, got, want)
		}
	}
}

func TestWorkerOrigin(t *testing.T) {
	t.Parallel()
	for address, want := range map[string]string{
		"https://bench-worker.lan:8443": "https://bench-worker.lan:8443", "http://127.0.0.1:7700/": "http://127.0.0.1:7700",
		"http://[::1]:7700": "http://[::1]:7700",
		"":                  "", "ftp://x": "", "https://a b": "", "https://x;script-src *": "", "https://u:p@x": "", "javascript:alert(1)": "", "https://x,y": "",
	} {
		if got, ok := workerOrigin(address); got != want || ok != (want != "") {
			t.Errorf("%q: %q, %t, want %q", address, got, ok, want)
		}
	}
}

func TestShortName(t *testing.T) {
	t.Parallel()
	for name, want := range map[string]string{"Tove Lind": "Tove L.", "Tove": "Tove", "": "", "Åse Marie Øy": "Åse Ø."} {
		if got := shortName(name); got != want {
			t.Errorf("%q: %q, want %q", name, got, want)
		}
	}
}

// TestPages_HowThickALotIs: a sheet that a caliper can measure is named by its thickness, also where its
// grammage is known; thin card by its grammage.
func TestPages_HowThickALotIs(t *testing.T) {
	t.Parallel()
	board := material.Stock{Lot: "P118", ThicknessUM: 3000, ToleranceUM: 200, GrammageGPerM2: 1350, SheetWidthUM: 300_000, SheetHeightUM: 200_000}
	card := material.Stock{Lot: "C204", ThicknessUM: 400, ToleranceUM: 50, GrammageGPerM2: 300, SheetWidthUM: 297_000, SheetHeightUM: 210_000}
	for want, st := range map[string]material.Stock{"3 mm, caliper 2.8 to 3.2\u00a0mm": board, "300 g/m²": card} {
		if got := thicknessWords(st); got != want {
			t.Errorf("station: %q, want %q", got, want)
		}
		choice := materialChoice(db.Material{Stock: []db.Stock{{Stock: st}}}, uuid.Nil).Stock[0].Label
		if part := ", " + strings.SplitN(want, ", ", 2)[0] + ", "; !strings.Contains(choice, part) {
			t.Errorf("hand in: %q lacks %q", choice, part)
		}
	}
}
