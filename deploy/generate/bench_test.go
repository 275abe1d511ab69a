package generate_test

import (
	"flag"
	"slices"
	"testing"
	"time"

	"kerfgate/deploy/generate"
)

// The size of a site after years, for BenchmarkLists; smaller for a quick look.
var (
	benchRuns    = flag.Int("runs", 100_000, "runs that are over, of BenchmarkLists")
	benchEntries = flag.Int("entries", 5_000_000, "entries of the logbook, of BenchmarkLists")
)

// BenchmarkLists asks for every list of a site of full size, first pages and deep ones, and gives each as
// a multiple of one round trip to the database (SELECT 1) of the same run. It fails where a list looks at
// more rows than a five-hundredth of the logbook's entries, planned as Postgres plans by itself.
func BenchmarkLists(b *testing.B) {
	began := time.Now()
	s := open(b, generate.Size{Members: 400, Machines: 20, Runs: *benchRuns, Entries: *benchEntries, Waiting: 70}, "SET plan_cache_mode = auto")
	size, err := s.LogSize(b.Context())
	if err != nil {
		b.Fatal(err)
	}
	b.Logf("%d runs and %d entries generated in %v", *benchRuns, size, time.Since(began).Round(time.Second))
	requests := s.requests(b)
	for _, r := range requests {
		_, plans := s.get(b, r.path, r.as)
		for _, p := range plans {
			p.Plan.walk(func(n node) { r.judge(b, p, n, max(mostExamined, float64(*benchEntries)/500)) })
		}
	}
	s.serve(b, "")
	floor := s.roundTrip(b)
	for _, r := range requests {
		b.Run(r.name, func(b *testing.B) {
			for b.Loop() {
				s.get(b, r.path, r.as)
			}
			each := b.Elapsed() / time.Duration(b.N)
			b.ReportMetric(float64(each)/float64(floor), "round-trips")
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
