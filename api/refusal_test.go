package api

import (
	"bytes"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"sync"
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/db"
	"kerfgate/db/cluster"
	"kerfgate/db/dbtest"
	"kerfgate/plan/material"
)

// refusal is one row of the list of what the server says no to. A row either does it over HTTP, as a
// person of its own in a workshop of its own, or names the test elsewhere that holds it.
type refusal struct {
	name string
	// prepare brings the workshop to where one more request is refused, and gives that request.
	prepare func(t *testing.T, w *workshop) attempt
	status  int
	slug    string
	what    string // in one of the reasons
	drawing bool   // nothing but a drawing is refused
	leaves  int64  // set-up leaves that the request was given before it was refused

	heldBy string // file and test that hold the row instead
}

// attempt is a request that must be refused.
type attempt struct {
	as           db.Actor
	method, path string
	body         string
	header       []string
}

// TestRefusals is the list: each row is refused clearly (what, and what to do next), changes nothing
// and is written down once. Rows about drawings alone share a workshop.
func TestRefusals(t *testing.T) {
	t.Parallel()
	shared := newWorkshop(t)
	for _, r := range refusals {
		t.Run(r.name, func(t *testing.T) {
			switch {
			case r.heldBy != "":
				heldElsewhere(t, r.heldBy)
			case r.drawing:
				r.try(t, shared)
			default:
				t.Parallel()
				r.try(t, newWorkshop(t))
			}
		})
	}
}

func (r refusal) try(t *testing.T, w *workshop) {
	a := r.prepare(t, w)
	token := w.signedIn(t, a.as)
	state, size, noted := w.state(t), w.logSize(t), w.noted(t, a.as)
	rec := ask(t, w.s.Handler(), a.method, base+a.path, token, a.body, a.header...)
	if rec.Code != r.status {
		t.Fatalf("%s %s: %d, want %d: %s", a.method, a.path, rec.Code, r.status, rec.Body)
	}
	saysWhatAndNext(t, rec, r.slug, r.what)
	if now := w.state(t); now != state {
		t.Errorf("the refused request changed\n%s", difference(state, now))
	}
	if grown, more := w.logSize(t)-size, w.noted(t, a.as)-noted; grown != 1+r.leaves || more != 1 {
		t.Errorf("the logbook grew by %d entries, %d of them this refusal; want %d and 1", grown, more, 1+r.leaves)
	}
}

func saysWhatAndNext(t *testing.T, rec *httptest.ResponseRecorder, slug, what string) {
	t.Helper()
	p := problemIn(t, rec)
	if p.Type != "/problems/"+slug {
		t.Errorf("type %s, want %s", p.Type, slug)
	}
	if p.Reasons == nil || len(*p.Reasons) == 0 {
		t.Fatalf("no reasons: %s", rec.Body)
	}
	found := false
	for _, reason := range *p.Reasons {
		found = found || strings.Contains(reason.What, what)
		if reason.What == "" || reason.Next == "" {
			t.Errorf("a reason without what or next: %+v", reason)
		}
	}
	if !found {
		t.Errorf("no reason with %q: %s", what, rec.Body)
	}
}

var refusals = []refusal{
	{name: "not XML", drawing: true, prepare: handsIn("M 0 0 L 10 10\n"), status: 422, slug: "invalid", what: "neither XML nor DXF"},
	{name: "XML that breaks off", drawing: true, prepare: plans(`<svg xmlns="http://www.w3.org/2000/svg"><g`), status: 422, slug: "no-plan", what: "well-formed"},
	{name: "not SVG", drawing: true, prepare: handsIn("<html><body/></html>"), status: 422, slug: "invalid", what: "no SVG drawing"},
	{name: "empty", drawing: true, prepare: handsIn(""), status: 422, slug: "invalid", what: "empty"},
	{name: "over 32 MiB", drawing: true, prepare: handsIn("<svg>" + strings.Repeat(" ", drawingLimit)), status: 413, slug: "too-large", what: "over the limit"},
	{name: "over 32 MiB and the form around it", drawing: true, prepare: handsIn("<svg>" + strings.Repeat(" ", drawingBody)), status: 413, slug: "too-large", what: "over the limit"},
	{name: "entity expansion", drawing: true, prepare: plans(manyLaughs()), status: 422, slug: "no-plan", what: "entities"},
	{name: "100,000 nested groups", drawing: true, prepare: plans(inMM(strings.Repeat("<g>", 100_000) + strings.Repeat("</g>", 100_000))),
		status: 422, slug: "no-plan", what: "nested too deeply"},
	{name: "use cycle", drawing: true, prepare: plans(inMM(`<g id="a"><use href="#b"/></g><g id="b"><use href="#a"/></g>`)),
		status: 422, slug: "no-plan", what: "refers to itself"},
	{name: "use fan-out", drawing: true, prepare: plans(inMM(fanOut(20))), status: 422, slug: "no-plan", what: "multiply"},
	{name: "infinite coordinate", drawing: true, prepare: plans(inMM(`<path d="M0 0L1e999 5"/>`)), status: 422, slug: "no-plan", what: "is infinite"},
	{name: "infinite by its transform", drawing: true, prepare: plans(inMM(`<g transform="scale(1e300)"><rect transform="scale(1e300)" width="9" height="9"/></g>`)),
		status: 422, slug: "no-plan", what: "infinite or not a number"},
	{name: "NaN", drawing: true, prepare: plans(inMM(`<path d="M0 0LNaN 5"/>`)), status: 422, slug: "no-plan", what: "NaN is not a number"},
	{name: "path that leaves the machine", drawing: true, prepare: plans(inMM(`<path d="M0 0H401"/>`)), status: 422, slug: "no-plan", what: "larger than the machine's travel"},
	{name: "origin outside the bed", prepare: func(t *testing.T, w *workshop) attempt {
		run := w.checking(t)
		return attempt{as: w.Operator, method: http.MethodPut, path: "/runs/" + run.String() + "/placement", body: `{"origin_x_mm":399,"origin_y_mm":20}`}
	}, status: 422, slug: "refused", what: "outside", leaves: 1},
	{name: "origin that is no place", prepare: func(t *testing.T, w *workshop) attempt {
		run := w.checking(t)
		return attempt{as: w.Operator, method: http.MethodPut, path: "/runs/" + run.String() + "/placement", body: `{"origin_x_mm":1e300,"origin_y_mm":20}`}
	}, status: 422, slug: "invalid", what: ""},
	{name: "forbidden material", prepare: onSheetOf(material.Forbidden), status: 422, slug: "no-plan", what: "must not go under a beam"},
	{name: "material that nobody judged", prepare: func(t *testing.T, w *workshop) attempt {
		a := plans(dbtest.Square)(t, w)
		w.asOwner(t, `ALTER TABLE material DROP CONSTRAINT material_verdict_check; UPDATE material SET verdict = 'unknown'`)
		return a
	}, status: 422, slug: "no-plan", what: "unknown is forbidden"},
	{name: "unknown material", prepare: func(t *testing.T, w *workshop) attempt {
		a := plans(dbtest.Square)(t, w)
		a.body = strings.Replace(a.body, w.Material.ID.String(), uuid.NewString(), 1)
		return a
	}, status: 422, slug: "refused", what: "not of that material"},
	{name: "more copies than stock", prepare: func(t *testing.T, w *workshop) attempt {
		job := w.handIn(t, w.signedIn(t, w.Member), 1)
		return attempt{as: w.Member, method: http.MethodPost, path: "/jobs", body: w.wanted("bed sign", job.Plan, 10)}
	}, status: 422, slug: "refused", what: "not enough sheets"},
	{name: "expired authorisation", prepare: func(t *testing.T, w *workshop) attempt {
		a := w.signing(t)
		// Another machine's authorisation still makes an operator of them.
		w.asOwner(t, `INSERT INTO machine SELECT gen_random_uuid(), name, 'Bay 2', profile, tool, 'another key', worker_url, checklist, checklist_digest FROM machine;
			INSERT INTO authorisation (id, person, machine, expires_at) SELECT gen_random_uuid(), a.person, m.id, now() + interval '1 day'
				FROM authorisation a, machine m WHERE m.bay = 'Bay 2';
			UPDATE authorisation SET expires_at = now() - interval '1 second' WHERE machine <> (SELECT id FROM machine WHERE bay = 'Bay 2')`)
		return a
	}, status: 422, slug: "refused", what: "authoris"},
	{name: "expired authorisation, the only one", prepare: func(t *testing.T, w *workshop) attempt {
		a := w.signing(t)
		w.asOwner(t, `UPDATE authorisation SET expires_at = now() - interval '1 second'`)
		return a
	}, status: 403, slug: "not-allowed", what: "not allowed"},
	{name: "stale If-Match", prepare: func(t *testing.T, w *workshop) attempt {
		job := w.handIn(t, w.signedIn(t, w.Member), 2)
		return attempt{as: w.Member, method: http.MethodPost, path: "/jobs/" + job.ID.String() + "/withdraw", header: []string{"If-Match", `"999"`}}
	}, status: 412, slug: "stale", what: "changed since it was read"},
	{name: "same Idempotency-Key with another body", prepare: func(t *testing.T, w *workshop) attempt {
		member, key := w.signedIn(t, w.Member), uuid.NewString()
		job := w.handIn(t, member, 1)
		w.as(t, member, http.MethodPost, "/jobs", w.wanted("label", job.Plan, 1), http.StatusCreated, nil, "Idempotency-Key", key)
		return attempt{as: w.Member, method: http.MethodPost, path: "/jobs", body: w.wanted("another", job.Plan, 1), header: []string{"Idempotency-Key", key}}
	}, status: 409, slug: "key-reused", what: "another body"},
	{name: "locked-out machine", prepare: func(t *testing.T, w *workshop) attempt {
		a := w.signing(t)
		// Set behind the store's back: the store would have taken the checklist back first.
		w.asOwner(t, `INSERT INTO lockout (id, machine, reason, salt) SELECT gen_random_uuid(), id, 'lid hinge loose', '\x00' FROM machine`)
		return a
	}, status: 422, slug: "refused", what: "locked out"},
	{name: "plan altered in storage", prepare: func(t *testing.T, w *workshop) attempt {
		a := w.signing(t)
		w.asOwner(t, `UPDATE blob_chunk SET data = set_byte(data, 40, get_byte(data, 40) # 1) WHERE digest IN (SELECT plan FROM run)`)
		return a
	}, status: 409, slug: "altered", what: "digest"},
	{name: "plan altered in storage, found by the worker", heldBy: "../worker/setup_test.go TestF1_Offers"},
	{name: "another's credentials on every subject", heldBy: "../queue/broker/embedded/embedded_test.go TestS24_WorkerGrants"},
}

// handsIn uploads bytes under a drawing's name.
func handsIn(drawing string) func(*testing.T, *workshop) attempt {
	return func(t *testing.T, w *workshop) attempt {
		t.Helper()
		return attempt{as: w.someone(t), method: http.MethodPost, path: "/drawings?name=bed.svg", body: drawing, header: []string{"Content-Type", "image/svg+xml"}}
	}
}

// someone is a new member, whose refusals nobody has counted yet.
func (w *workshop) someone(t *testing.T) db.Actor {
	t.Helper()
	p, err := w.AddPerson(t.Context(), db.System, db.NewPerson{SignInName: uuid.NewString(), Name: "A new member", Role: db.RoleMember, PasswordHash: "none"})
	if err != nil {
		t.Fatal(err)
	}
	return db.Actor{Person: p.ID, Role: p.Role}
}

// plans hands a drawing in, which keeps it as it came, and asks for a plan of it.
func plans(drawing string) func(*testing.T, *workshop) attempt {
	return func(t *testing.T, w *workshop) attempt {
		t.Helper()
		who := w.someone(t)
		d, err := w.ReceiveDrawing(t.Context(), who, "bed.svg", []byte(drawing))
		if err != nil {
			t.Fatal(err)
		}
		return attempt{as: who, method: http.MethodPost, path: "/plans", body: w.choice(d.ID)}
	}
}

func onSheetOf(verdict material.Verdict) func(*testing.T, *workshop) attempt {
	return func(t *testing.T, w *workshop) attempt {
		t.Helper()
		a := plans(dbtest.Square)(t, w)
		w.asOwner(t, fmt.Sprintf(`UPDATE material SET verdict = '%s'`, verdict))
		return a
	}
}

// inMM is a drawing of 200 mm whose unit is the millimetre.
func inMM(content string) string {
	return `<svg xmlns="http://www.w3.org/2000/svg" width="200mm" height="200mm" viewBox="0 0 200 200"><g fill="none" stroke="black">` + content + `</g></svg>`
}

// manyLaughs is the entity expansion that RFC 3470 §7 warns of: ten levels, ten of the last in each.
func manyLaughs() string {
	var b strings.Builder
	b.WriteString(`<!DOCTYPE svg [<!ENTITY l0 "ha">`)
	for i := range 10 {
		fmt.Fprintf(&b, `<!ENTITY l%d "%s">`, i+1, strings.Repeat(fmt.Sprintf("&l%d;", i), 10))
	}
	b.WriteString(`]><svg xmlns="http://www.w3.org/2000/svg" width="200mm" height="200mm" viewBox="0 0 200 200"><desc>&l10;</desc><rect width="9" height="9"/></svg>`)
	return b.String()
}

// fanOut doubles a shape so many times by reference: 2^levels copies.
func fanOut(levels int) string {
	var b strings.Builder
	b.WriteString(`<rect id="u0" width="1" height="1"/>`)
	for i := range levels {
		fmt.Fprintf(&b, `<g id="u%d"><use href="#u%d"/><use href="#u%d" x="1"/></g>`, i+1, i, i)
	}
	return b.String()
}

// checking hands in a job and takes its checklist as the operator.
func (w *workshop) checking(t *testing.T) uuid.UUID {
	t.Helper()
	job := w.handIn(t, w.signedIn(t, w.Member), 1)
	w.ready(t, job.Runs[0].ID, 1)
	w.as(t, w.signedIn(t, w.Operator), http.MethodPost, "/runs/"+job.Runs[0].ID.String()+"/checklist", "", http.StatusOK, nil)
	return job.Runs[0].ID
}

// signing brings a run to the gate and gives the signature that only waits to be given.
func (w *workshop) signing(t *testing.T) attempt {
	t.Helper()
	job := w.handIn(t, w.signedIn(t, w.Member), 1)
	w.ready(t, job.Runs[0].ID, 1)
	w.atTheGate(t, w.signedIn(t, w.Operator), job.Runs[0])
	return attempt{as: w.Operator, method: http.MethodPost, path: "/runs/" + job.Runs[0].ID.String() + "/sign"}
}

// TestRefusals_SecondSignOffAtOnce: of sixteen signatures at one moment one gives a permit; the others
// are told what and what next, and the logbook has one sign-off.
func TestRefusals_SecondSignOffAtOnce(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	a := w.signing(t)
	token := w.signedIn(t, a.as)
	answers := make([]*httptest.ResponseRecorder, 16)
	var all sync.WaitGroup
	for i := range answers {
		all.Go(func() { answers[i] = ask(t, w.s.Handler(), a.method, base+a.path, token, "") })
	}
	all.Wait()
	signed := 0
	for _, rec := range answers {
		switch rec.Code {
		case http.StatusOK:
			signed++
		case http.StatusConflict, http.StatusUnprocessableEntity:
			saysWhatAndNext(t, rec, strings.TrimPrefix(problemIn(t, rec).Type, "/problems/"), "")
		default:
			t.Errorf("%d %s", rec.Code, rec.Body)
		}
	}
	entries, err := w.LogEntries(t.Context(), db.LogFilter{Before: -1, Limit: 50, Kind: "run.signed"})
	if err != nil || signed != 1 || len(entries) != 1 || len(w.floor.permits) != 1 {
		t.Errorf("%d signatures, %d in the logbook, %d permits sent, %v", signed, len(entries), len(w.floor.permits), err)
	}
	if noted := w.noted(t, a.as); noted < 1 || noted > 2 { // a minute may have passed between two of them
		t.Errorf("%d entries of refusals", noted)
	}
}

// heldElsewhere looks whether the test is still there.
func heldElsewhere(t *testing.T, where string) {
	t.Helper()
	file, test, _ := strings.Cut(where, " ")
	source, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Contains(source, []byte("\nfunc "+test+"(t *testing.T)")) {
		t.Errorf("%s has no test %s", file, test)
	}
}

// asOwner runs statements as the tables' owner, with the rights of whoever gets at the database itself.
func (w *workshop) asOwner(t *testing.T, statements string) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), w.URL(cluster.Supervisor))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(t.Context())
	if _, err := conn.Exec(t.Context(), statements); err != nil {
		t.Fatal(err)
	}
}

// notState are tables that say nothing of jobs, runs and machines: the logbook with what belongs to it,
// the count of refusals, and what a request leaves by being asked at all.
const notState = `'log_entry', 'log_head', 'log_hash', 'log_subject', 'log_signed_head', 'follower', 'refusal', 'session', 'idempotency'`

// state is one line a table: how many rows, and the digest of all of them.
func (w *workshop) state(t *testing.T) string {
	t.Helper()
	rows, err := w.Pool.Query(t.Context(), `SELECT tablename FROM pg_tables WHERE schemaname = 'public' AND tablename NOT LIKE 'goose%'
		AND tablename NOT IN (`+notState+`) ORDER BY 1`)
	if err != nil {
		t.Fatal(err)
	}
	tables, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	for _, name := range tables {
		var n int
		var digest string
		if err := w.Pool.QueryRow(t.Context(), `SELECT count(*), md5(coalesce(string_agg(x::text, E'\n' ORDER BY x::text), '')) FROM `+name+` x`).Scan(&n, &digest); err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(&b, "%s %d %s\n", name, n, digest)
	}
	return b.String()
}

func difference(before, after string) string {
	var b strings.Builder
	was := strings.Split(before, "\n")
	for i, line := range strings.Split(after, "\n") {
		if i >= len(was) || was[i] != line {
			fmt.Fprintf(&b, "%s\n", line)
		}
	}
	return b.String()
}

func (w *workshop) logSize(t *testing.T) int64 {
	t.Helper()
	size, err := w.LogSize(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return size
}

// noted counts the entries that say that somebody was refused.
func (w *workshop) noted(t *testing.T, who db.Actor) int {
	t.Helper()
	entries, err := w.LogEntries(t.Context(), db.LogFilter{Before: -1, Limit: 200, Kind: "refused"})
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, e := range entries {
		if uuid.UUID(e.Entry.Actor) == who.Person {
			n++
		}
	}
	return n
}
