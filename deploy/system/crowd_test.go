package system_test

import (
	"testing"
	"time"

	"kerfgate/deploy/crowd"
)

// TestCrowd: stations and wall screens listen while members hand in and withdraw and Stop run is pressed. Each
// screen is told of every run once, no request fails, and the queue holds what it should. How long it takes
// is for make bench, which has two hundred of them.
func TestCrowd(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	pieces, tokens, err := crowd.Workshop(t.Context(), s.store, s.address(), 2)
	if err != nil {
		t.Fatal(err)
	}
	stations, err := crowd.Stations(t.Context(), s.store)
	if err != nil {
		t.Fatal(err)
	}
	open := func() (n int) {
		t.Helper()
		if err := s.pool.QueryRow(t.Context(), `SELECT count(*) FROM run WHERE phase <> 'closed'`).Scan(&n); err != nil {
			t.Fatal(err)
		}
		return n
	}
	before := open()
	cfg := crowd.Usual(s.address(), pieces[:3], tokens, stations, 4*time.Second)
	cfg.Tablets, cfg.Walls, cfg.PerSecond, cfg.Waiting = 15, 5, 5, 6
	r, err := crowd.Run(t.Context(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	submitted, withdrawn, notSent := r.Handed()
	if submitted < 15 || notSent > 0 || submitted-withdrawn != cfg.Waiting {
		t.Errorf("%d submitted, %d withdrawn, %d not sent", submitted, withdrawn, notSent)
	}
	if now := open(); now != before+submitted-withdrawn {
		t.Errorf("%d runs wait, %d waited before %d came and %d went", now, before, submitted, withdrawn)
	}
	if n, words := r.Failures(); n > 0 {
		t.Errorf("%d requests failed: %v", n, words)
	}
	if missed, twice := r.Untold(); missed > 0 || twice > 0 {
		t.Errorf("of %d runs and 20 screens %d were not told, %d told twice", submitted, missed, twice)
	}
	for what, times := range map[string]*crowd.Times{"station's part": &r.Tablet, "board's part": &r.Wall, "Stop at the server": &r.StopAtServer, "Stop at the worker": &r.StopAtWorker} {
		if n, _ := times.At(1); n == 0 {
			t.Errorf("no %s was answered", what)
		}
	}
}
