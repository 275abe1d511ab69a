package generate_test

import (
	"flag"
	"slices"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"kerfgate/deploy/generate"
)

// The size of a site after years, for BenchmarkLists; smaller for a quick look.
var (
	benchRuns    = flag.Int("runs", 100_000, "runs that are over, of BenchmarkLists")
	benchEntries = flag.Int("entries", 5_000_000, "entries of the logbook, of BenchmarkLists")
)

// BenchmarkLists asks for every list of a site of full size, first pages and deep ones, and gives each as
// a multiple of one round trip to the database (SELECT 1) of the same run. It fails where the judge of
// TestLists_LookAtFewRows does, planned as Postgres plans by itself.
func BenchmarkLists(b *testing.B) {
	began := time.Now()
	s := open(b, generate.Size{Members: 400, Machines: 20, Runs: *benchRuns, Entries: *benchEntries, Waiting: 70}, "SET plan_cache_mode = auto")
	size, err := s.LogSize(b.Context())
	if err != nil {
		b.Fatal(err)
	}
	b.Logf("%d runs and %d entries generated in %v", *benchRuns, size, time.Since(began).Round(time.Second))
	// To read a table whole that holds no more than a list may look at is often cheapest.
	rows, err := s.Pool.Query(b.Context(), `SELECT relname::text FROM pg_class WHERE relkind = 'r' AND relname = ANY($1) AND reltuples <= $2`, large, mostExamined)
	if err != nil {
		b.Fatal(err)
	}
	small, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		b.Fatal(err)
	}
	requests := s.requests(b)
	statements, widest := make([]int, len(requests)), make([]node, len(requests))
	for i, r := range requests {
		_, plans := s.get(b, r.path, r.as)
		statements[i] = len(plans)
		for _, p := range plans {
			p.Plan.walk(func(n node) {
				r.judge(b, p, n, small)
				if n.Table != "" && n.examined() > widest[i].examined() {
					widest[i] = n
				}
			})
		}
	}
	s.serve(b, "")
	floor := s.roundTrip(b)
	for i, r := range requests {
		b.Run(r.name, func(b *testing.B) {
			b.Logf("%d statements; the widest step: %s of %s (%s), %.0f rows", statements[i], widest[i].Type, widest[i].Table, widest[i].Index, widest[i].examined())
			for b.Loop() {
				s.get(b, r.path, r.as)
			}
			each := b.Elapsed() / time.Duration(b.N)
			b.ReportMetric(float64(each)/float64(floor), "round-trips")
			b.ReportMetric(float64(statements[i]), "statements")
			b.ReportMetric(widest[i].examined(), "rows")
		})
	}
	b.Run("check of the whole logbook", func(b *testing.B) {
		for range min(1, b.N) { // once is enough: it reads everything
			if _, err := s.CheckLog(b.Context()); err != nil {
				b.Fatal(err)
			}
		}
		b.ReportMetric(float64(size)/b.Elapsed().Seconds(), "entries/s")
	})
}

// roundTrip is the median time of SELECT 1.
func (s *site) roundTrip(b *testing.B) time.Duration {
	b.Helper()
	var one int
	took := make([]time.Duration, 201)
	for i := range took {
		began := time.Now()
		if err := s.Pool.QueryRow(b.Context(), `SELECT 1`).Scan(&one); err != nil {
			b.Fatal(err)
		}
		took[i] = time.Since(began)
	}
	slices.Sort(took)
	return took[len(took)/2]
}
