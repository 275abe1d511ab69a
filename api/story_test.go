package api

import (
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"kerfgate/api/enrol"
	"kerfgate/api/wire"
	"kerfgate/checklist"
	"kerfgate/checklist/permit"
	"kerfgate/db"
	"kerfgate/db/dbtest"
	"kerfgate/plan"
	"kerfgate/plan/canon"
	"kerfgate/plan/settingsgrid"
	"kerfgate/queue"
	"kerfgate/queue/broker"
)

// workshop is a server on a real database, with a floor that answers.
type workshop struct {
	*dbtest.Workshop
	s     *Server
	floor *floorMan
	url   string // where it is served; a server runs once
}

func newWorkshop(t *testing.T) *workshop {
	t.Helper()
	if testing.Short() {
		t.Skip("needs a database")
	}
	w := &workshop{Workshop: dbtest.NewWorkshop(t), floor: &floorMan{}}
	var err error
	w.s, err = New(Config{Store: w.Store, Floor: w.floor, Site: dbtest.Site, Log: slog.New(slog.NewTextHandler(io.Discard, nil)),
		Trust: enrol.Trust{PermitKey: w.PermitKey, LogKey: w.LogKey}})
	if err != nil {
		t.Fatal(err)
	}
	return w
}

// signedIn gives a script's token for somebody of the workshop.
func (w *workshop) signedIn(t *testing.T, who db.Actor) string {
	t.Helper()
	token, hash := newToken()
	if _, err := w.OpenSession(t.Context(), who.Person, db.SessionScript, hash[:], time.Hour); err != nil {
		t.Fatal(err)
	}
	return token
}

// as sends a request as somebody and wants a status; answer may be nil.
func (w *workshop) as(t *testing.T, token, method, path, body string, status int, answer any, header ...string) *httptest.ResponseRecorder {
	t.Helper()
	rec := ask(t, w.s.Handler(), method, base+path, token, body, header...)
	if rec.Code != status {
		t.Fatalf("%s %s: %d, want %d: %s", method, path, rec.Code, status, rec.Body)
	}
	if answer != nil {
		if err := json.Unmarshal(rec.Body.Bytes(), answer); err != nil {
			t.Fatalf("%s %s: %v in %s", method, path, err, rec.Body)
		}
	}
	return rec
}

// handIn takes a drawing through planning to a job, all by HTTP.
func (w *workshop) handIn(t *testing.T, token string, copies int) wire.Job {
	t.Helper()
	var d wire.Drawing
	w.as(t, token, http.MethodPost, "/drawings?name=square.svg", dbtest.Square, http.StatusCreated, &d, "Content-Type", "image/svg+xml")
	var p wire.Plan
	w.as(t, token, http.MethodPost, "/plans", w.choice(d.ID), http.StatusOK, &p)
	var j wire.Job
	w.as(t, token, http.MethodPost, "/jobs", w.wanted("bed sign", p.Digest, copies), http.StatusCreated, &j)
	return j
}

// wanted is the body of a job.
func (w *workshop) wanted(title, plan string, copies int) string {
	return fmt.Sprintf(`{"title":%q,"plan":%q,"machine_id":%q,"stock_id":%q,"copies":%d}`, title, plan, w.Machine.ID, w.Stock.ID, copies)
}

func (w *workshop) choice(drawing uuid.UUID) string {
	return fmt.Sprintf(`{"drawing_id":%q,"machine_id":%q,"tool":"beam","material_id":%q,"stock_id":%q,"default_operation":"cut"}`,
		drawing, w.Machine.ID, w.Material.ID, w.Stock.ID)
}

// ready is the worker's report that it has the plan and the machine answers.
func (w *workshop) ready(t *testing.T, run uuid.UUID, number int64) {
	t.Helper()
	n, _, err := w.Apply(t.Context(), w.Machine.ID, broker.Report{Number: number, Kind: broker.ReportReady, Run: run, Revision: 1})
	if err != nil || n != number {
		t.Fatalf("applied %d, %v", n, err)
	}
}

// atTheGate brings a run to where only the signature is missing.
func (w *workshop) atTheGate(t *testing.T, token string, run wire.Run) {
	t.Helper()
	path := "/runs/" + run.ID.String()
	w.as(t, token, http.MethodPost, path+"/checklist", "", http.StatusOK, &run)
	if run.Phase != string(queue.Checking) {
		t.Fatalf("phase %s", run.Phase)
	}
	w.as(t, token, http.MethodPost, path+"/setup", `{"kind":"home"}`, http.StatusUnprocessableEntity, nil)
	w.as(t, token, http.MethodPut, path+"/placement", `{"supply_off":true}`, http.StatusOK, nil)
	w.as(t, token, http.MethodPost, path+"/setup", `{"kind":"home"}`, http.StatusOK, nil)
	var at wire.SetupDone
	w.as(t, token, http.MethodPost, path+"/setup", `{"kind":"jog","by_x_mm":20,"by_y_mm":20.5}`, http.StatusOK, &at)
	if at.PositionXMm != 20 || at.PositionYMm != 20.5 || !at.Homed {
		t.Fatalf("after the jog: %+v", at)
	}
	w.as(t, token, http.MethodPut, path+"/placement", `{"here":true}`, http.StatusOK, &run)
	if run.Placement == nil || run.Placement.OriginXMm != 20 || run.Placement.OriginYMm != 20.5 {
		t.Fatalf("placement %+v", run.Placement)
	}
	var gate wire.Gate
	for _, a := range dbtest.GoodAnswers(time.Now()) {
		body, err := json.Marshal(wire.AnswerValues{Values: a.Values})
		if err != nil {
			t.Fatal(err)
		}
		// What a run asks for itself comes before the supply: a second person, for instance.
		if asked := func(b wire.Bar) bool { return b.Key == checklist.ItemSecond }; a.Item == checklist.ItemSupply && slices.ContainsFunc(gate.Bars, asked) {
			if _, err := w.Second(t.Context(), w.Operator, run.ID, w.Member.Person); err != nil {
				t.Fatal(err)
			}
		}
		w.as(t, token, http.MethodPut, path+"/answers/"+a.Item, string(body), http.StatusOK, &gate)
	}
	if !gate.Open {
		t.Fatalf("the gate is not open: %+v", gate)
	}
}

// TestSignAndStart: from the drawing to the permit, as a script would do it.
func TestSignAndStart(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	job := w.handIn(t, w.signedIn(t, w.Member), 1)
	if job.State != string(queue.JobQueued) || len(job.Runs) != 1 {
		t.Fatalf("job %+v", job)
	}
	run, operator := job.Runs[0], w.signedIn(t, w.Operator)
	path := "/runs/" + run.ID.String()
	w.ready(t, run.ID, 1)

	rec := w.as(t, operator, http.MethodPost, path+"/sign", "", http.StatusUnprocessableEntity, nil)
	problemIn(t, rec) // nobody has taken the checklist

	w.atTheGate(t, operator, run)
	key := uuid.NewString()
	var done wire.SignedOff
	w.as(t, operator, http.MethodPost, path+"/sign", "", http.StatusOK, &done, "Idempotency-Key", key)
	if done.Run.Phase != string(queue.Permitted) || done.WorkerURL != w.Machine.WorkerURL || len(w.floor.permits) != 1 {
		t.Fatalf("signed: %+v, %d permits", done, len(w.floor.permits))
	}
	p, err := permit.OpenPermit(w.floor.permits[0], w.PermitVerify)
	if err != nil {
		t.Fatal(err)
	}
	if p.Challenge != w.floor.challenge || p.Attendance != sha256.Sum256([]byte(done.AttendanceToken)) || uuid.UUID(p.Run) != run.ID ||
		p.OriginXUM != 20_000 || p.OriginYUM != 20_500 || permit.Digest(w.floor.permits[0]) != mustDigest(t, done.PermitDigest) {
		t.Errorf("permit %+v", p)
	}
	// The same request again gives the same answer, token and all, and no second permit; the
	// database cannot read the token.
	var again wire.SignedOff
	rec = w.as(t, operator, http.MethodPost, path+"/sign", "", http.StatusOK, &again, "Idempotency-Key", key)
	if again.AttendanceToken != done.AttendanceToken || len(w.floor.permits) != 1 || rec.Header().Get("Idempotent-Replay") == "" {
		t.Errorf("signed again: %+v", again)
	}
	var kept int
	if err := w.Pool.QueryRow(t.Context(), `SELECT count(*) FROM idempotency WHERE position($1::bytea in answer) > 0 OR key = $2`,
		[]byte(done.AttendanceToken), key).Scan(&kept); err != nil || kept != 0 {
		t.Errorf("the token stands in the database: %d, %v", kept, err)
	}
	// Stop by anybody: the worker first, and the permit is void.
	w.as(t, "", http.MethodPost, path+"/stop", "", http.StatusAccepted, nil)
	if w.floor.stopped() != 1 {
		t.Error("no stop went out")
	}
	w.as(t, operator, http.MethodGet, path, "", http.StatusOK, &run)
	if run.Phase != string(queue.Checking) {
		t.Errorf("after a stop in permitted: %s", run.Phase)
	}
}

func mustDigest(t *testing.T, text string) [32]byte {
	t.Helper()
	d, err := canon.Parse(text)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// TestPermitNotSent: when the permit cannot be sent, it is taken back at once.
func TestPermitNotSent(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	job := w.handIn(t, w.signedIn(t, w.Member), 1)
	run, operator := job.Runs[0], w.signedIn(t, w.Operator)
	w.ready(t, run.ID, 1)
	w.atTheGate(t, operator, run)
	w.floor.failPermit = broker.ErrNoBroker
	rec := w.as(t, operator, http.MethodPost, "/runs/"+run.ID.String()+"/sign", "", http.StatusServiceUnavailable, nil)
	problemIn(t, rec)
	if len(w.floor.voids) != 1 {
		t.Fatalf("%d voids sent", len(w.floor.voids))
	}
	if v, err := permit.OpenVoid(w.floor.voids[0], w.PermitVerify); err != nil || uuid.UUID(v.Run) != run.ID {
		t.Errorf("void %+v, %v", v, err)
	}
	w.as(t, operator, http.MethodGet, "/runs/"+run.ID.String(), "", http.StatusOK, &run)
	if run.Phase != string(queue.Checking) {
		t.Errorf("phase %s", run.Phase)
	}
}

// TestWorkerSaysNo: what the worker says against a set-up move reaches the operator, and the next
// move has a leave of its own.
func TestWorkerSaysNo(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	job := w.handIn(t, w.signedIn(t, w.Member), 1)
	operator, path := w.signedIn(t, w.Operator), "/runs/"+job.Runs[0].ID.String()
	w.ready(t, job.Runs[0].ID, 1)
	w.as(t, operator, http.MethodPost, path+"/checklist", "", http.StatusOK, nil)
	w.as(t, operator, http.MethodPut, path+"/placement", `{"supply_off":true}`, http.StatusOK, nil)
	for range 3 {
		w.as(t, operator, http.MethodPost, path+"/setup", `{"kind":"jog","by_x_mm":1}`, http.StatusOK, nil)
	}
	w.floor.says = "the move would reach the hard stop"
	p := problemIn(t, w.as(t, operator, http.MethodPost, path+"/setup", `{"kind":"jog","by_x_mm":5000}`, http.StatusUnprocessableEntity, nil))
	if !strings.Contains((*p.Reasons)[0].What, "hard stop") {
		t.Errorf("%+v", p)
	}
	w.floor.says = ""
	w.as(t, operator, http.MethodPost, path+"/setup", `{"kind":"where"}`, http.StatusOK, nil)
	var numbers []int64
	for _, c := range w.floor.commands {
		numbers = append(numbers, c.Number)
		if _, err := permit.OpenLeave(c.Leave, w.PermitVerify); err != nil {
			t.Error(err)
		}
	}
	if want := []int64{1, 2, 3, 4, 1}; !slices.Equal(numbers, want) {
		t.Errorf("numbers %v, want %v", numbers, want)
	}
	w.as(t, operator, http.MethodPut, path+"/hold", `{"trace":"outline"}`, http.StatusUnprocessableEntity, nil) // no origin yet
	w.as(t, operator, http.MethodPost, path+"/setup", `{"kind":"cut"}`, http.StatusUnprocessableEntity, nil)
}

// TestS9_SomebodyElses: another member's things are not there.
func TestS9_SomebodyElses(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	job := w.handIn(t, w.signedIn(t, w.Member), 1)
	p, err := w.AddPerson(t.Context(), db.System, db.NewPerson{SignInName: "moss", Name: "Another member", Role: db.RoleMember, PasswordHash: "none"})
	if err != nil {
		t.Fatal(err)
	}
	other := w.signedIn(t, db.Actor{Person: p.ID, Role: p.Role})
	id := job.ID.String()
	for _, path := range []string{"/jobs/" + id, "/drawings/" + job.DrawingID.String(), "/drawings/" + job.DrawingID.String() + "/original",
		"/runs/" + job.Runs[0].ID.String(), "/runs/" + job.Runs[0].ID.String() + "/picture.png",
		"/plans/" + job.Plan, "/plans/" + job.Plan + "/picture.svg", "/plans/" + job.Plan + "/steps"} {
		w.as(t, other, http.MethodGet, path, "", http.StatusNotFound, nil)
	}
	w.as(t, other, http.MethodPost, "/jobs/"+id+"/withdraw", "", http.StatusNotFound, nil)
	w.as(t, other, http.MethodPost, "/plans", w.choice(job.DrawingID), http.StatusNotFound, nil)
	var page wire.JobPage
	w.as(t, other, http.MethodGet, "/jobs", "", http.StatusOK, &page)
	if len(page.Jobs) != 0 {
		t.Errorf("jobs of somebody else: %+v", page)
	}
}

// TestS6_GetsChangeNothing: every GET, as somebody who may, leaves no entry.
func TestS6_GetsChangeNothing(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	job := w.handIn(t, w.signedIn(t, w.Member), 1)
	officer, adminToken := w.signedIn(t, w.Officer), w.signedIn(t, w.Admin)
	incident, err := w.ReportIncident(t.Context(), w.Member, db.NewIncident{Kind: db.IncidentNearMiss, Machine: w.Machine.ID, What: "lid opened", Known: db.Known{Severity: "none", Potential: "none"}, Photo: []byte("jpeg")})
	if err != nil {
		t.Fatal(err)
	}
	set, err := w.MakeSet(t.Context(), w.Officer, "herb bed")
	if err != nil {
		t.Fatal(err)
	}
	measuring, err := w.BeginCommissioning(t.Context(), w.Officer, w.Machine.ID, "beam")
	if err != nil {
		t.Fatal(err)
	}
	pattern, err := w.StartCalibration(t.Context(), w.Operator, db.NewCalibration{Machine: w.Machine.ID, Tool: "beam", Stock: w.Stock.ID, WidthUM: 100_000, HeightUM: 80_000})
	if err != nil {
		t.Fatal(err)
	}
	grid, err := w.StartSettingsGrid(t.Context(), w.Operator, db.NewSettingsGrid{Machine: w.Machine.ID, Tool: "beam", Stock: w.Stock.ID,
		Spec: settingsgrid.Spec{Operation: plan.Cut, Speeds: []int64{10_000}, Powers: []int64{500, 1000}, Passes: 1}})
	if err != nil {
		t.Fatal(err)
	}
	fill := strings.NewReplacer("/sets/:id", "/sets/"+set.ID.String(), "/materials/:id", "/materials/"+w.Material.ID.String(), "/calibrations/:id", "/calibrations/"+pattern.ID.String(), "/settings-grids/:id", "/settings-grids/"+grid.ID.String(), "/commissionings/:id", "/commissionings/"+measuring.ID.String(), "/people/:id", "/people/"+w.Member.Person.String(), "/incidents/:id", "/incidents/"+incident.ID.String(), ":n", "1", "/machines/:id", "/machines/"+w.Machine.ID.String(), "/drawings/:id", "/drawings/"+job.DrawingID.String(),
		"/jobs/:id", "/jobs/"+job.ID.String(), "/runs/:id", "/runs/"+job.Runs[0].ID.String(), ":digest", job.Plan, ":index", "0")
	before := w.rows(t)
	for _, r := range policy() {
		if r.method != http.MethodGet || r.stream {
			continue
		}
		token := officer
		if slices.Equal(r.roles, []role{admin}) {
			token = adminToken
		}
		rec := ask(t, w.s.Handler(), r.method, fill.Replace(r.path), token, "")
		if want := http.StatusOK; rec.Code != want && !strings.HasSuffix(r.path, "picture.png") {
			t.Errorf("GET %s: %d %s", r.path, rec.Code, rec.Body)
		}
	}
	for _, p := range w.s.pages() {
		if p.method != http.MethodGet || strings.Contains(p.path, "*") {
			continue
		}
		target := strings.NewReplacer(":item", "on", ":code", "AAAA-BBBB-CCCC-DDDD").Replace(strings.Replace(fill.Replace(p.path), "/station/:id", "/station/"+w.Machine.ID.String(), 1))
		if rec := ask(t, w.s.Handler(), http.MethodGet, target, officer, "", "Accept", "text/html"); rec.Code >= http.StatusInternalServerError {
			t.Errorf("GET %s: %d %s", target, rec.Code, rec.Body)
		}
	}
	if after := w.rows(t); after != before {
		t.Errorf("rows before and after:\n%s\n%s", before, after)
	}
}

// rows counts the rows of every table but signed heads: asking for a head signs and keeps one, which
// says what the logbook holds and changes nothing in it.
func (w *workshop) rows(t *testing.T) string {
	t.Helper()
	rows, err := w.Pool.Query(t.Context(), `SELECT tablename FROM pg_tables WHERE schemaname = 'public' AND tablename NOT LIKE 'goose%' AND tablename <> 'log_signed_head' ORDER BY 1`)
	if err != nil {
		t.Fatal(err)
	}
	var tables []string
	for rows.Next() {
		var name string
		if err := rows.Scan(&name); err != nil {
			t.Fatal(err)
		}
		tables = append(tables, name)
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	for _, name := range tables {
		var n int
		if err := w.Pool.QueryRow(t.Context(), `SELECT count(*) FROM `+name).Scan(&n); err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(&b, "%s %d, ", name, n)
	}
	return b.String()
}
