package generate_test

import (
	"crypto/sha256"
	"fmt"
	"strings"
	"testing"

	"github.com/google/uuid"

	"kerfgate/db/logbook"
	"kerfgate/deploy/generate"
)

func tokenHash(token string) []byte {
	hash := sha256.Sum256([]byte(token))
	return hash[:]
}

// request is one list as somebody asks for it.
type request struct {
	name, path string
	as         string // nobody where empty, member or officer
}

// requests are all lists, the first page and deep ones, with every filter, and the pages that show
// them. Cursors are read from the pages before.
func (s *site) requests(tb testing.TB) []request {
	tb.Helper()
	const v1 = "/api/v1"
	machine := s.Machine.ID.String()
	size, err := s.LogSize(tb.Context())
	if err != nil {
		tb.Fatal(err)
	}
	var run, job string
	var number int64
	if err := s.Pool.QueryRow(tb.Context(), `SELECT id, number, job FROM run WHERE phase = 'closed' AND outcome = 'completed' ORDER BY number OFFSET 20 LIMIT 1`).Scan(&run, &number, &job); err != nil {
		tb.Fatal(err)
	}
	var oldest uuid.UUID
	if err := s.Pool.QueryRow(tb.Context(), `SELECT id FROM job WHERE member = $1 ORDER BY id OFFSET 3 LIMIT 1`, s.busiest).Scan(&oldest); err != nil {
		tb.Fatal(err)
	}
	jobs, _ := s.get(tb, v1+"/jobs?limit=2", "member")
	newest, _ := s.get(tb, v1+"/logbook?limit=2", "officer")
	list := []request{
		{"board, nobody signed in", v1 + "/board", ""},
		{"board", v1 + "/board", "member"},
		{"page of the board", "/", "officer"},
		{"machines", v1 + "/machines", "member"},
		{"materials", v1 + "/materials", "member"},
		{"jobs", v1 + "/jobs", "member"},
		{"jobs, next page", v1 + "/jobs?cursor=" + cursor(tb, jobs), "member"},
		{"jobs, the last page", v1 + "/jobs?cursor=" + oldest.String(), "member"},
		{"job", v1 + "/jobs/" + job, "officer"},
		{"sets", v1 + "/sets", "member"},
		{"page to hand in", "/hand-in", "member"},
		{"run", v1 + "/runs/" + run, "officer"},
		{"history", v1 + "/runs", "officer"},
		{"history of one's own", v1 + "/runs", "member"},
		{"history, after a run of long ago", v1 + "/runs?cursor=" + run, "officer"},
		{"history of a machine", v1 + "/runs?machine_id=" + machine, "officer"},
		{"history of an outcome on a machine", v1 + "/runs?outcome=failed&machine_id=" + machine, "officer"},
		{"history of a person", v1 + "/runs?person_id=" + s.busiest.String(), "officer"},
		{"history of a material", v1 + "/runs?material_id=" + s.Material.ID.String(), "officer"},
		{"page of the history", "/history", "officer"},
		{"incidents", v1 + "/incidents", "member"},
		{"incidents by month", v1 + "/incidents/rates", "officer"},
		{"people", v1 + "/people", "officer"},
		{"gate", v1 + "/runs/" + run + "/gate", "officer"},
		{"logbook", v1 + "/logbook", "officer"},
		{"logbook, next page", v1 + "/logbook?before=" + cursor(tb, newest), "officer"},
		{"logbook, the middle", fmt.Sprintf("%s/logbook?before=%d", v1, size/2), "officer"},
		{"logbook, the beginning", v1 + "/logbook?before=20", "officer"},
		{"logbook of a machine", v1 + "/logbook?subject=" + machine, "officer"},
		{"logbook of a machine, deep", fmt.Sprintf("%s/logbook?subject=%s&before=%d", v1, machine, size/3), "officer"},
		{"logbook of a run", v1 + "/logbook?subject=" + run, "officer"},
		{"logbook of nothing", v1 + "/logbook?subject=" + uuid.NewString(), "officer"},
		{"logbook page of a run by number", fmt.Sprintf("/logbook?run=%d", number), "officer"},
		{"head", v1 + "/logbook/head", "officer"},
		{"proof of an old entry", v1 + "/logbook/7/proof", "officer"},
	}
	for _, kind := range []logbook.Kind{"run", logbook.RunMoved, logbook.AnswerGiven, "lockout", logbook.IncidentOpened, logbook.SiteRestored, "nosuch"} {
		list = append(list,
			request{"logbook, kind " + string(kind), v1 + "/logbook?kind=" + string(kind), "officer"},
			request{"logbook, kind " + string(kind) + ", deep", fmt.Sprintf("%s/logbook?kind=%s&before=%d", v1, kind, size/3), "officer"},
			request{"logbook of a machine, kind " + string(kind), v1 + "/logbook?kind=" + string(kind) + "&subject=" + machine, "officer"})
	}
	return list
}

// large are the tables that grow with the site's years.
var large = []string{"run", "job", "log_entry", "log_subject", "log_hash", "log_signed_head", "answer", "sign_off", "permit", "burn", "plan"}

// mostExamined is how many rows one step of a plan may look at: some pages of the largest size, and far
// fewer than there are.
const mostExamined = 3_000

// lookups is how many statements a list takes for the names of what it holds, which an empty one spares.
const lookups = 6

// TestLists_LookAtFewRows: no list walks a table that grows, whether Postgres plans it for its values or
// for any; and how many statements a list takes does not depend on how much there is.
func TestLists_LookAtFewRows(t *testing.T) {
	t.Parallel()
	size := generate.Size{Members: 40, Machines: 8, Runs: 1_200, Entries: 48_000, Waiting: 70}
	for _, mode := range []string{"force_custom_plan", "force_generic_plan"} {
		t.Run(mode, func(t *testing.T) {
			t.Parallel()
			// A test's tables are so small that to read one whole, or all of a kind, is often cheapest. What is
			// asked here is whether there is another way; the benchmark asks what Postgres does at full size.
			mode := "SET enable_seqscan = off; SET enable_bitmapscan = off; SET plan_cache_mode = " + mode
			big := open(t, size, mode)
			little := open(t, generate.Size{Members: 2, Machines: 8, Runs: 60, Entries: 1_800, Waiting: 1}, mode)
			few := map[string]int{}
			for _, r := range little.requests(t) {
				_, plans := little.get(t, r.path, r.as)
				few[r.name] = len(plans)
			}
			for _, r := range big.requests(t) {
				_, plans := big.get(t, r.path, r.as)
				if len(plans) == 0 || len(plans) > few[r.name]+lookups {
					t.Errorf("%s takes %d statements, %d where there is little", r.name, len(plans), few[r.name])
				}
				for _, p := range plans {
					p.Plan.walk(func(n node) { r.judge(t, p, n, mostExamined) })
				}
			}
		})
	}
}

func (r request) judge(t testing.TB, p explained, n node, most float64) {
	t.Helper()
	for _, table := range large {
		if n.Table == table && (n.Type == "Seq Scan" || n.examined() > most) {
			t.Errorf("%s: %s of %s (%s) looks at %.0f rows: %s", r.name, n.Type, n.Table, n.Index, n.examined(), strings.Join(strings.Fields(p.Query), " "))
		}
	}
}

// TestFill: what was generated is a site that the offline check finds good, with as much as was asked,
// and that goes on from there.
func TestFill(t *testing.T) {
	t.Parallel()
	size := generate.Size{Members: 20, Machines: 4, Runs: 600, Entries: 24_000, Waiting: 3}
	s := open(t, size, "")
	s.Submit(t, 1) // by the store itself, behind what was generated
	report, err := s.CheckLog(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	var runs, over int64
	if err := s.Pool.QueryRow(t.Context(), `SELECT count(*), count(*) FILTER (WHERE phase = 'closed') FROM run`).Scan(&runs, &over); err != nil {
		t.Fatal(err)
	}
	entries := int64(size.Entries)
	if report.Runs != runs || over < int64(size.Runs) || report.Permits < over*9/10 || report.Entries < entries*8/10 || report.Entries > entries*12/10 || report.Heads < 10 {
		t.Errorf("%d runs, %d of them over; the check says %+v", runs, over, report)
	}
}
