package generate_test

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"

	"kerfgate/api"
	"kerfgate/db"
	"kerfgate/db/cluster"
	"kerfgate/db/dbtest"
	"kerfgate/deploy/generate"
	"kerfgate/plan/geom"
	"kerfgate/queue/broker"
)

func TestMain(m *testing.M) { os.Exit(dbtest.Main(m)) }

// site is a server on a database with a history.
type site struct {
	*dbtest.Workshop
	handler http.Handler
	tokens  map[string]string // by member, officer and admin
	plans   plans
	// Those with the most: the member by jobs, the operator and the machine by runs, the material and the set by jobs.
	busiest, operator, machine, material, set uuid.UUID
	idlest, rarest                            uuid.UUID // the machine and the material with the least
	waiting                                   uuid.UUID // a run in the queue of that machine
}

// open fills a workshop and puts a server on it whose statements tell how they went, under the given
// settings of Postgres; without any they tell nothing.
func open(tb testing.TB, size generate.Size, settings string) *site {
	tb.Helper()
	s := &site{Workshop: dbtest.NewWorkshop(tb)}
	conn, err := pgx.Connect(tb.Context(), s.URL(cluster.Supervisor))
	if err != nil {
		tb.Fatal(err)
	}
	if err := generate.Fill(tb.Context(), generate.Config{Size: size, Store: s.Store, Admin: s.Admin, Conn: conn,
		PermitSigner: s.Config.PermitSigner, LogSigner: s.Config.LogSigner, Now: time.Now().Add(-time.Minute), Seed: 1}); err != nil {
		tb.Fatal(err)
	}
	if _, err := conn.Exec(tb.Context(), `VACUUM ANALYZE`); err != nil {
		tb.Fatal(err)
	}
	for query, into := range map[string]*uuid.UUID{
		`SELECT member FROM job GROUP BY 1 ORDER BY count(*) DESC LIMIT 1`:                              &s.busiest,
		`SELECT machine FROM run GROUP BY 1 ORDER BY count(*) LIMIT 1`:                                  &s.idlest,
		`SELECT material FROM job GROUP BY 1 ORDER BY count(*) LIMIT 1`:                                 &s.rarest,
		`SELECT machine FROM run GROUP BY 1 ORDER BY count(*) DESC LIMIT 1`:                             &s.machine,
		`SELECT material FROM job GROUP BY 1 ORDER BY count(*) DESC LIMIT 1`:                            &s.material,
		`SELECT operator FROM run WHERE operator IS NOT NULL GROUP BY 1 ORDER BY count(*) DESC LIMIT 1`: &s.operator,
		`SELECT set_id FROM job WHERE set_id IS NOT NULL GROUP BY 1 ORDER BY count(*) DESC LIMIT 1`:     &s.set,
		`SELECT id FROM run WHERE machine = (SELECT machine FROM run GROUP BY 1 ORDER BY count(*) DESC LIMIT 1)
			AND phase = 'proposed' ORDER BY number LIMIT 1`: &s.waiting,
	} {
		if err := conn.QueryRow(tb.Context(), query).Scan(into); err != nil {
			tb.Fatalf("%s: %v", query, err)
		}
	}
	if err := conn.Close(tb.Context()); err != nil {
		tb.Fatal(err)
	}
	s.serve(tb, settings)
	return s
}

func (s *site) serve(tb testing.TB, settings string) {
	tb.Helper()
	cfg := s.Config
	if settings != "" {
		cfg.Pool = s.explaining(tb, settings)
	}
	store, err := db.New(cfg)
	if err != nil {
		tb.Fatal(err)
	}
	server, err := api.New(api.Config{Store: store, Floor: nobody{}, Site: dbtest.Site, Log: slog.New(slog.NewTextHandler(io.Discard, nil))})
	if err != nil {
		tb.Fatal(err)
	}
	s.handler = server.Handler()
	s.tokens = map[string]string{"member": s.token(tb, s.busiest), "officer": s.token(tb, s.Officer.Person), "admin": s.token(tb, s.Admin.Person)}
}

// token opens a session; the API's tokens are named by their SHA-256.
func (s *site) token(tb testing.TB, person uuid.UUID) string {
	tb.Helper()
	token := uuid.NewString()
	if _, err := s.OpenSession(tb.Context(), person, db.SessionScript, tokenHash(token), time.Hour); err != nil {
		tb.Fatal(err)
	}
	return token
}

// explaining is a pool whose connections tell the plan of every statement as it ran (Postgres' own
// module auto_explain).
func (s *site) explaining(tb testing.TB, settings string) *pgxpool.Pool {
	tb.Helper()
	cfg, err := pgxpool.ParseConfig(s.URL(cluster.Supervisor))
	if err != nil {
		tb.Fatal(err)
	}
	cfg.ConnConfig.OnNotice = func(_ *pgconn.PgConn, n *pgconn.Notice) { s.plans.told(n.Message) }
	cfg.AfterConnect = func(ctx context.Context, conn *pgx.Conn) error {
		_, err := conn.Exec(ctx, `LOAD 'auto_explain'; SET auto_explain.log_min_duration = 0; SET auto_explain.log_analyze = on;
			SET auto_explain.log_format = json; SET auto_explain.log_level = notice; SET client_min_messages = notice; `+settings)
		return err
	}
	pool, err := pgxpool.NewWithConfig(tb.Context(), cfg)
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(pool.Close)
	return pool
}

// get asks as somebody and returns the answer and the plans of the statements that it took.
func (s *site) get(tb testing.TB, path, as string) ([]byte, []explained) {
	tb.Helper()
	s.plans.clear()
	req := httptest.NewRequestWithContext(tb.Context(), http.MethodGet, path, nil)
	if !strings.HasPrefix(path, "/api/") {
		req.Header.Set("Accept", "text/html")
	}
	if token := s.tokens[as]; token != "" {
		req.Header.Set("Authorization", "Bearer "+token)
	}
	rec := httptest.NewRecorder()
	s.handler.ServeHTTP(rec, req)
	if rec.Code != http.StatusOK {
		tb.Fatalf("GET %s: %d %s", path, rec.Code, rec.Body)
	}
	return rec.Body.Bytes(), s.plans.all(tb)
}

// plans gathers what the database tells.
type plans struct {
	mu   sync.Mutex
	list []string
}

func (p *plans) told(message string) {
	if _, plan, ok := strings.Cut(message, "plan:\n"); ok {
		p.mu.Lock()
		defer p.mu.Unlock()
		p.list = append(p.list, plan)
	}
}

func (p *plans) clear() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.list = nil
}

func (p *plans) all(tb testing.TB) []explained {
	tb.Helper()
	p.mu.Lock()
	defer p.mu.Unlock()
	out := make([]explained, len(p.list))
	for i, text := range p.list {
		if err := json.Unmarshal([]byte(text), &out[i]); err != nil {
			tb.Fatalf("%v in %s", err, text)
		}
	}
	return out
}

// explained is one statement with its plan.
type explained struct {
	Query string `json:"Query Text"`
	Plan  node   `json:"Plan"`
}

type node struct {
	Type    string  `json:"Node Type"`
	Table   string  `json:"Relation Name"`
	Index   string  `json:"Index Name"`
	Rows    float64 `json:"Actual Rows"`
	Loops   float64 `json:"Actual Loops"`
	Removed float64 `json:"Rows Removed by Filter"`
	Recheck float64 `json:"Rows Removed by Index Recheck"`
	Plans   []node  `json:"Plans"`
}

// examined is how many rows the node has looked at.
func (n node) examined() float64 { return (n.Rows + n.Removed + n.Recheck) * max(1, n.Loops) }

// walk visits the node and all below it.
func (n node) walk(visit func(node)) {
	visit(n)
	for _, below := range n.Plans {
		below.walk(visit)
	}
}

// nobody is a floor without workers.
type nobody struct{ api.Floor }

func (nobody) Reading(uuid.UUID) (broker.Reading, time.Time, bool) {
	return broker.Reading{Position: geom.Pt(0, 0)}, time.Time{}, false
}

func (nobody) Heard(uuid.UUID) (time.Time, bool) { return time.Time{}, false }

func (nobody) Connected() bool { return true }

// cursor reads the field next of a page.
func cursor(tb testing.TB, page []byte) string {
	tb.Helper()
	var p struct {
		Next any `json:"next"`
	}
	dec := json.NewDecoder(strings.NewReader(string(page)))
	dec.UseNumber()
	if err := dec.Decode(&p); err != nil || p.Next == nil {
		tb.Fatalf("no next page, %v", err)
	}
	return fmt.Sprint(p.Next)
}
