package worker

import (
	"fmt"
	"net/http"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"kerfgate/queue/broker"
	"kerfgate/worker/driver"
)

// stopSource is one way by which a run is stopped.
type stopSource struct {
	name string
	do   func(s *shop)
	kind broker.ReportKind // how the run ends where this way is the first
}

var stopSources = []stopSource{
	{"station", func(s *shop) {
		if rec := s.calls("POST", "/stop", "", ""); rec.Code != http.StatusOK {
			s.t.Errorf("the listener answers %d", rec.Code)
		}
	}, broker.ReportStopped},
	{"board or API", func(s *shop) { s.handlers.Stop(broker.Stop{Reason: "stop pressed"}) }, broker.ReportStopped},
	{"SIGTERM", func(s *shop) {
		if err := s.stop(); err != nil {
			s.t.Error(err)
		}
	}, broker.ReportInterrupted},
	{"the machine's own button", func(s *shop) { s.fake().tells(driver.EventAlarm) }, broker.ReportFailed},
	{"the machine unplugged", func(s *shop) { s.fake().tells(driver.EventLost) }, broker.ReportInterrupted},
}

// endings are the reports of how the run ended.
func (s *shop) endings(run [16]byte) (list []broker.ReportKind) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for n := int64(1); n <= s.lastNumber; n++ {
		if r, ok := s.reports[n]; ok && r.Run == run && slices.Contains([]broker.ReportKind{broker.ReportCompleted, broker.ReportStopped,
			broker.ReportFailed, broker.ReportInterrupted}, r.Kind) {
			list = append(list, r.Kind)
		}
	}
	return list
}

// I5: each way to stop switches the tool off, and of two that come one after the other the first says
// how the run ended; of two at once one does, and it ends once. Nothing moves afterwards.
func TestI5_StopSources(t *testing.T) {
	t.Parallel()
	for _, first := range stopSources {
		for _, second := range append([]stopSource{{name: "nothing"}}, stopSources...) {
			for _, atOnce := range []bool{false, true} {
				if first.name == "SIGTERM" && second.name != "nothing" && !atOnce || second.name == first.name && first.name == "SIGTERM" || second.do == nil && atOnce {
					continue // nobody is there any more to hear the second
				}
				t.Run(fmt.Sprintf("%s, %s, at once %v", first.name, second.name, atOnce), func(t *testing.T) {
					t.Parallel()
					bubble(t, func(t *testing.T, s *shop) {
						run := s.runID(1)
						s.starts(run)
						time.Sleep(3 * time.Second)
						machine := s.fake()
						if !machine.isOn() {
							t.Fatal("the tool is not on")
						}
						if atOnce {
							go first.do(s)
						} else {
							first.do(s)
							synctest.Wait()
							if machine.isOn() {
								t.Fatal("the tool is on")
							}
						}
						if second.do != nil {
							second.do(s)
						}
						time.Sleep(time.Second)
						synctest.Wait()
						moves := machine.moved()
						if machine.isOn() {
							t.Fatal("the tool is on")
						}
						if err := s.stop(); err != nil {
							t.Fatal(err)
						}
						s.opens()
						time.Sleep(2 * time.Minute)
						synctest.Wait()
						ends := s.endings(run)
						if len(ends) != 1 || !atOnce && ends[0] != first.kind || ends[0] != first.kind && ends[0] != second.kind {
							t.Fatalf("it ended %v; %v", ends, s.told())
						}
						if machine.moved() != moves || s.fake() != machine && s.fake().moved() > 0 {
							t.Fatal("motion after a stop")
						}
						s.wantReport(run, broker.ReportPurged, "")
						s.wantEdges(run, 1)
					})
				})
			}
		}
	}
}
