package system_test

import (
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/google/uuid"
)

// F25: two servers on one database sign two runs of one machine at the same moment. One of them at
// most becomes active (I3), whichever asked the worker last; both come to an end, each moved once.
func TestF25_TwoServersOneMachine(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("waits for runs in real time")
	}
	s := newSite(t)
	other := freeAddress(t)
	start(t, "ready ", []string{"serve", "--database", s.databaseURL(), "--broker-url", s.broker.URL(),
		"--keys", filepath.Join(s.dir, "keys"), "--site", "garden", "--listen", other})
	thyme, rowan := s.as("thyme"), s.as("rowan")
	callers := []*caller{rowan, {t: t, address: "http://" + other, token: rowan.token}}
	for round := range 2 {
		runs := []string{s.submit(thyme, square), s.submit(thyme, square)}
		for _, run := range runs {
			toTheGate(rowan, run)
			answerAll(rowan, run, plywoodAnswers())
		}
		var begin, done sync.WaitGroup
		begin.Add(1)
		answers := make([]string, 2)
		for i, c := range callers {
			done.Go(func() {
				begin.Wait()
				code, data, err := c.try("POST", "/runs/"+runs[i]+"/sign", nil, "")
				answers[i] = fmt.Sprintf("%d %v %.300s", code, err, data)
			})
		}
		begin.Done()
		done.Wait()
		for _, answer := range answers {
			if !strings.HasPrefix(answer, "200 ") && !strings.HasPrefix(answer, "4") && !strings.HasPrefix(answer, "503 ") {
				t.Errorf("round %d: %s", round, answer)
			}
		}
		// Both may be answered 200, one after the other: the second press replaces the challenge that the
		// first permit answers, so the worker refuses that one and the other is signed. Two never stand.
		var active, live int
		if err := s.pool.QueryRow(t.Context(), `SELECT (SELECT count(*) FROM run WHERE phase NOT IN ('proposed', 'checking', 'closed')),
			(SELECT count(*) FROM permit WHERE ended = '')`).Scan(&active, &live); err != nil || active > 1 || live > 1 {
			t.Errorf("round %d: %d active runs, %d live permits, %v; answers %v", round, active, live, err, answers)
		}
		// The one that stands comes first: the other is signed again only when the machine is free.
		if phase := rowan.get("/runs/" + runs[1]).str("phase"); phase != "checking" {
			slices.Reverse(runs)
		}
		for _, run := range runs {
			s.toTheEnd(rowan, run)
			if n := s.edges(uuid.MustParse(run)); n > 1 {
				t.Errorf("round %d: run %s moved %d times", round, run, n)
			}
		}
	}
	if _, err := s.store.CheckLog(t.Context()); err != nil {
		t.Error(err)
	}
}
