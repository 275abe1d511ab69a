package worker

import (
	"testing"
	"testing/synctest"
	"time"

	"kerfgate/checklist/permit"
	"kerfgate/plan/machine"
	"kerfgate/queue/broker"
	"kerfgate/worker/driver"
)

// I5: a stop at any step of the start protocol, inside a write or between two, keeps the run from
// moving or stops it; off is sent by the stop itself, before anything is written.
func TestI5_StopAtEveryStep(t *testing.T) {
	t.Parallel()
	steps := []string{"after challenge", "before burn", "after burn", "after taken", "after go", "before started", "after started",
		"first line", "after first line"}
	for _, step := range steps {
		t.Run(step, func(t *testing.T) {
			t.Parallel()
			bubble(t, func(t *testing.T, s *shop) {
				run := s.runID(1)
				s.prepares(run)
				msg, p := s.signedPermit(run)
				stop := func() {
					if got := s.w.Stop(); got.Err != nil {
						t.Errorf("stop: %v", got.Err)
					}
					s.fake().mu.Lock()
					defer s.fake().mu.Unlock()
					if !s.fake().stopped || s.fake().on {
						t.Error("Stop returned before off was sent")
					}
				}
				if step == "after challenge" {
					stop()
				}
				s.failAt(step, stop)
				s.handlers.Permit(msg)
				synctest.Wait()
				s.handlers.Go(s.goFor(msg, p, true))
				time.Sleep(30 * time.Second)
				synctest.Wait()
				if n := s.fake().moved(); n > 0 && step != "after first line" {
					t.Fatalf("%d lines after a stop; %v", n, s.told())
				}
				if s.fake().isOn() || s.edges[run] > 0 {
					t.Fatal("the tool went on after a stop")
				}
				switch step {
				case "after challenge":
					s.wantReport(run, broker.ReportRefused, phraseChallenge)
				case "before burn", "after burn", "after taken":
					// Whatever the server has burned by now, interrupted fits.
					if r := s.wantReport(run, broker.ReportInterrupted, phraseStop); !r.NeverMoved {
						t.Fatal("told as moved")
					}
				case "after go":
					if r := s.wantReport(run, broker.ReportStopped, phraseStop); !r.NeverMoved {
						t.Fatal("told as moved")
					}
				default:
					s.wantReport(run, broker.ReportStopped, phraseStop)
					s.wantReport(run, broker.ReportPurged, "") // the tool was never on: no air to wait for
				}
			})
		})
	}
}

// I5: a stop needs no server and no link, stops a run under way at once, and is idempotent.
func TestI5_StopWhileRunningWithoutServer(t *testing.T) {
	t.Parallel()
	for _, where := range []string{"running", "paused", "purging"} {
		t.Run(where, func(t *testing.T) {
			t.Parallel()
			bubble(t, func(t *testing.T, s *shop) {
				run := s.runID(1)
				s.starts(run)
				time.Sleep(3 * time.Second)
				s.mu.Lock()
				s.linkDown = true
				s.mu.Unlock()
				switch where {
				case "paused":
					s.w.Pause()
				case "purging":
					time.Sleep(10 * time.Second)
				}
				synctest.Wait()
				moves := s.fake().moved()
				for range 3 {
					s.handlers.Stop(broker.Stop{Reason: "smoke"})
				}
				time.Sleep(time.Minute)
				synctest.Wait()
				if s.fake().moved() != moves || s.fake().isOn() {
					t.Fatal("motion after a stop")
				}
				if s.fake().stops < 3 {
					t.Fatalf("off was sent %d times for three stops", s.fake().stops)
				}
				s.mu.Lock()
				s.linkDown = false
				s.mu.Unlock()
				s.w.Connected(true)
				time.Sleep(time.Minute)
				synctest.Wait()
				if where == "purging" {
					s.wantReport(run, broker.ReportCompleted, "")
				} else {
					s.wantReport(run, broker.ReportStopped, phraseStop)
				}
				s.wantReport(run, broker.ReportPurged, "")
				s.wantEdges(run, 1)
			})
		})
	}
}

// After a stop the next run needs a permit of its own, and then the machine works again.
func TestStop_NextRunStarts(t *testing.T) {
	t.Parallel()
	bubble(t, func(t *testing.T, s *shop) {
		s.starts(s.runID(1))
		s.w.Stop()
		time.Sleep(2 * time.Minute)
		synctest.Wait()
		s.starts(s.runID(2))
		time.Sleep(20 * time.Second)
		synctest.Wait()
		s.wantReport(s.runID(2), broker.ReportCompleted, "")
	})
}

// What the machine does on its own: lid and flow pause; an alarm, a refused line and a lost
// machine end the run, tool off.
func TestI4_MachineEvents(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		event  string
		kind   broker.ReportKind
		reason string
	}{
		{driver.EventLid, broker.ReportPaused, phraseLid},
		{driver.EventFlow, broker.ReportPaused, phraseFlow},
		{driver.EventAlarm, broker.ReportFailed, phraseAlarm},
		{driver.EventLost, broker.ReportInterrupted, phraseLost},
	} {
		t.Run(c.event, func(t *testing.T) {
			t.Parallel()
			bubble(t, func(t *testing.T, s *shop) {
				run := s.runID(1)
				s.starts(run)
				time.Sleep(3 * time.Second)
				first := s.fake()
				first.events <- driver.Event{Kind: c.event}
				time.Sleep(time.Second)
				synctest.Wait()
				s.wantReport(run, c.kind, c.reason)
				if first.isOn() {
					t.Fatal("the tool is on")
				}
				moves := first.moved()
				time.Sleep(30 * time.Second)
				synctest.Wait()
				if first.moved() != moves {
					t.Fatal("motion went on")
				}
			})
		})
	}
}

// I4: a machine that no longer knows where it is when a pause ends homes again where it can, tool off, and does not go on:
// it takes another resume, by somebody who has looked. Where an axis is placed by hand the run is stopped.
func TestI4_HomesAgain(t *testing.T) {
	t.Parallel()
	for _, hand := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			s := newShop(t)
			if hand {
				s.profile.PlacingY.How = machine.PlacingByHand
				s.setPlan("beam", 42)
			}
			s.opens()
			defer s.closes()
			run := s.runID(1)
			s.starts(run)
			s.w.Pause()
			synctest.Wait()
			token := s.wantReport(run, broker.ReportPaused, phrasePerson).PauseToken
			s.fake().set(func(l *fakeMachine) { l.homed, l.homesAgain = false, true })
			if want := map[bool]string{false: phraseNoPlace, true: phraseNoPlaceHand}[hand]; s.w.Reading().Problem != want {
				t.Errorf("before the resume: %q, want %q", s.w.Reading().Problem, want)
			}
			moves := s.fake().moved()
			resume := func() {
				s.handlers.Resume(sign(s, permit.Resume{Machine: s.machine, Run: run, PauseToken: token, Operator: s.runID(77)}))
				time.Sleep(2 * time.Second)
				synctest.Wait()
			}
			resume()
			if hand {
				s.wantReport(run, broker.ReportStopped, phrasePlaceByHand)
				return
			}
			s.wantReport(run, broker.ReportPlaced, "")
			if _, ok := s.find(run, broker.ReportResumed); ok || s.fake().moved() > moves || s.fake().on {
				t.Error("it went on before anybody looked")
			}
			if got := s.w.Reading(); got.Problem != phraseHomedAgain || got.Phase != "paused" {
				t.Errorf("homed again: %+v", got)
			}
			resume()
			s.wantReport(run, broker.ReportResumed, "")
			if s.fake().moved() == moves {
				t.Error("it did not go on")
			}
			s.wantEdges(run, 1)
		})
	}
}

// A machine that can neither go on nor home again with its lines does not go on: its run is stopped, beam off.
func TestI4_PlaceLostWhilePaused(t *testing.T) {
	t.Parallel()
	bubble(t, func(t *testing.T, s *shop) {
		run := s.runID(1)
		s.starts(run)
		s.w.Pause()
		synctest.Wait()
		token := s.wantReport(run, broker.ReportPaused, phrasePerson).PauseToken
		s.fake().set(func(l *fakeMachine) { l.homed = false })
		moves := s.fake().moved()
		s.handlers.Resume(sign(s, permit.Resume{Machine: s.machine, Run: run, PauseToken: token, Operator: s.runID(77)}))
		time.Sleep(2 * time.Second)
		synctest.Wait()
		s.wantReport(run, broker.ReportStopped, phrasePlaceLost)
		if _, ok := s.find(run, broker.ReportResumed); ok || s.fake().moved() > moves {
			t.Error("it went on without a place")
		}
		if s.fake().on {
			t.Error("the beam is on")
		}
	})
}

// I4, I12: only the server's resume that answers this very pause goes on; a forged or an old one
// does not exist.
func TestI12_Resume(t *testing.T) {
	t.Parallel()
	bubble(t, func(t *testing.T, s *shop) {
		run := s.runID(1)
		s.starts(run)
		pause := func() [32]byte {
			s.w.Pause()
			synctest.Wait()
			return s.wantReport(run, broker.ReportPaused, phrasePerson).PauseToken
		}
		resume := func(token [32]byte) bool {
			moves := s.fake().moved()
			s.handlers.Resume(sign(s, permit.Resume{Machine: s.machine, Run: run, PauseToken: token, Operator: s.runID(77)}))
			time.Sleep(2 * time.Second)
			synctest.Wait()
			return s.fake().moved() > moves
		}
		first := pause()
		if resume([32]byte{1}) {
			t.Fatal("another token resumed")
		}
		forged := sign(s, permit.Resume{Machine: s.machine, Run: run, PauseToken: first, Operator: s.runID(77)})
		forged[len(forged)-12] ^= 1
		s.handlers.Resume(forged)
		time.Sleep(2 * time.Second)
		synctest.Wait()
		if _, ok := s.find(run, broker.ReportResumed); ok {
			t.Fatal("a forged resume exists")
		}
		if !resume(first) {
			t.Fatalf("did not resume; %v", s.told())
		}
		second := pause()
		if first == second || resume(first) {
			t.Fatal("an old resume resumed a later pause")
		}
		s.handlers.Lockout(sign(s, permit.Lockout{Machine: s.machine, Locked: true, LogIndex: 300, Reason: "flame"}))
		synctest.Wait()
		if resume(second) {
			t.Fatal("resumed while locked out")
		}
		s.wantEdges(run, 1)
	})
}
