package worker

import (
	"fmt"
	"testing"
	"testing/synctest"
	"time"

	"kerfgate/queue/broker"
	"kerfgate/worker/journal/journaltest"
)

// I2, F5, F6, F7: the process dies at each step between permit and motion, by kill or by a power
// cut that keeps any part of what was not synced. After it the same permit and go come again, and
// then a new permit for the same run. Energy is commanded at most once, and only after the burn
// was on the disk; what the journal shows as unfinished is told as interrupted.
func TestI2_KillMatrix(t *testing.T) {
	t.Parallel()
	steps := []string{"before burn", "after burn", "after taken", "after go", "before started", "after started",
		"first line", "after first line"}
	ways := map[string]func(*journaltest.Disk) *journaltest.Disk{"kill": (*journaltest.Disk).Kill}
	for seed := range uint64(6) {
		ways[fmt.Sprintf("power cut %d", seed)] = func(d *journaltest.Disk) *journaltest.Disk { return d.PowerCut(seed) }
	}
	for _, step := range steps {
		for way, next := range ways {
			t.Run(step+", "+way, func(t *testing.T) {
				t.Parallel()
				bubble(t, func(t *testing.T, s *shop) {
					run := s.runID(1)
					s.prepares(run)
					msg, p := s.signedPermit(run)
					var disk *journaltest.Disk
					var moved int
					s.failAt(step, func() {
						disk = next(s.folder.Disk)
						moved = s.fake().moved()
						_ = s.fake().Stop() // the dead process sends nothing more
					})
					s.handlers.Permit(msg)
					synctest.Wait()
					s.handlers.Go(s.goFor(msg, p, true))
					time.Sleep(10 * time.Second)
					synctest.Wait()
					if disk == nil {
						t.Fatal("the step never came")
					}
					edges := s.edges[run]
					s.fake().set(func(l *fakeMachine) { l.broken = nil })
					s.dies(func(*journaltest.Disk) *journaltest.Disk { return disk })
					time.Sleep(10 * time.Second)
					synctest.Wait()

					burned := s.w.book.RunBurned(run)
					if step != "before burn" && !burned {
						t.Fatal("an acknowledged burn is gone")
					}
					if burned {
						r, ok := s.find(run, broker.ReportInterrupted)
						if !ok || r.NeverMoved && moved > 0 {
							t.Fatalf("told %v", s.told())
						}
					}
					s.handlers.Permit(msg)
					synctest.Wait()
					s.handlers.Go(s.goFor(msg, p, true))
					time.Sleep(2 * time.Minute)
					synctest.Wait()
					if s.edges[run] != edges || s.fake().moved() > 0 {
						t.Fatalf("the old permit moved the machine again; %v", s.told())
					}
					answer := s.asks(run, broker.PurposeStart)
					if (answer.Problem == "") == burned {
						t.Fatalf("burned %v, challenge %q", burned, answer.Problem)
					}
					if !burned {
						s.starts(run)
						time.Sleep(20 * time.Second)
						synctest.Wait()
						s.wantReport(run, broker.ReportCompleted, "")
					}
					if s.edges[run] > 1 {
						t.Fatalf("energy was commanded %d times", s.edges[run])
					}
				})
			})
		}
	}
}

// I4, F7, F33: killed while running: interrupted, off sent as soon as the machine is reached again,
// and the purge is waited in full; killed again in the purge: it goes on, never shorter, at most
// ten seconds longer.
func TestF33_PurgeSurvivesRestarts(t *testing.T) {
	t.Parallel()
	bubble(t, func(t *testing.T, s *shop) {
		run := s.runID(1)
		s.starts(run)
		time.Sleep(3 * time.Second)
		s.dies((*journaltest.Disk).Kill)
		began := time.Now()
		if r := s.wantReport(run, broker.ReportInterrupted, phraseRestart); r.NeverMoved {
			t.Fatal("told as never moved")
		}
		if s.fake().stops == 0 {
			t.Fatal("off was not sent to a machine that may still be moving")
		}
		time.Sleep(25 * time.Second)
		synctest.Wait()
		s.dies(func(d *journaltest.Disk) *journaltest.Disk { return d.PowerCut(3) })
		time.Sleep(time.Until(began.Add(42*time.Second - time.Millisecond)))
		synctest.Wait()
		if _, ok := s.find(run, broker.ReportPurged); ok {
			t.Fatal("the purge was shortened")
		}
		if got := s.asks(s.runID(2), broker.PurposeStart); got.Problem != phraseBusy {
			t.Fatalf("challenge in the purge: %+v", got)
		}
		time.Sleep(10*time.Second + time.Second)
		synctest.Wait()
		s.wantReport(run, broker.ReportPurged, "")
		s.wantEdges(run, 1)
	})
}

// A purge waits while the host sleeps: nobody knows whether the air moved.
func TestPurge_CountsTimeAwake(t *testing.T) {
	t.Parallel()
	bubble(t, func(t *testing.T, s *shop) {
		run := s.runID(1)
		s.starts(run)
		time.Sleep(12 * time.Second)
		s.clock.suspend(time.Hour)
		time.Sleep(30 * time.Second)
		synctest.Wait()
		if _, ok := s.find(run, broker.ReportPurged); ok {
			t.Fatal("an hour of sleep counted as purge")
		}
		time.Sleep(15 * time.Second)
		synctest.Wait()
		s.wantReport(run, broker.ReportPurged, "")
	})
}

// I4: told to end while a run is under way, the worker stops the machine and ends the run.
func TestI4_Shutdown(t *testing.T) {
	t.Parallel()
	bubble(t, func(t *testing.T, s *shop) {
		run := s.runID(1)
		s.starts(run)
		time.Sleep(3 * time.Second)
		first := s.fake()
		s.closes()
		if first.isOn() || !first.isStopped() {
			t.Fatal("the machine was not stopped")
		}
		s.opens()
		s.wantReport(run, broker.ReportInterrupted, phraseShutdown)
		time.Sleep(time.Minute)
		synctest.Wait()
		s.wantReport(run, broker.ReportPurged, "")
	})
}

// I14: another server epoch is refused until it is accepted at the machine by hand; burns stay and
// are told to the restored server.
func TestI14_ForeignEpoch(t *testing.T) {
	t.Parallel()
	bubble(t, func(t *testing.T, s *shop) {
		s.starts(s.runID(1))
		time.Sleep(2 * time.Minute)
		s.prepares(s.runID(2))
		s.epoch = [16]byte{42}
		s.mu.Lock()
		s.state.Epoch = s.epoch
		s.mu.Unlock()
		s.w.Wake()
		synctest.Wait()
		if got := s.asks(s.runID(2), broker.PurposeStart); got.Problem != phraseEpoch {
			t.Fatalf("challenge: %+v", got)
		}
		s.closes()
		if told, err := AcceptEpoch(s.folder, s.epoch); err != nil || told != 1 {
			t.Fatal(err)
		}
		s.opens()
		if r, ok := s.find(s.runID(1), broker.ReportJournal); !ok || r.NeverMoved {
			t.Fatalf("the restored server is not told of the burn; %v", s.told())
		}
		if got := s.asks(s.runID(2), broker.PurposeStart); got.Problem != phraseNotPrepared {
			t.Fatalf("a run of the old epoch is still prepared: %+v", got)
		}
		if got := s.asks(s.runID(1), broker.PurposeStart); got.Problem != phraseBurned {
			t.Fatalf("a burned run after the restore: %+v", got)
		}
		s.starts(s.runID(2))
	})
}
