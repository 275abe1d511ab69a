package broker_test

import (
	"testing"

	"kerfgate/queue/broker"
)

// A worker whose journal takes nothing any more says so without a number; it reaches the desk.
func TestOutOfUseReachesTheDesk(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.serve()
	w := s.worker(mill, broker.Handlers{})
	s.until("the report is in the stream", func() bool {
		return w.Report(s.within(long), broker.Report{Kind: broker.ReportOutOfUse, Reason: "the journal is out of use: a person must look"}) == nil
	})
	s.until("the desk has heard it", func() bool {
		s.desk.mu.Lock()
		defer s.desk.mu.Unlock()
		return s.desk.outOfUse > 0
	})
}
