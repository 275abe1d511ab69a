package worker

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/uuid"

	"kerfgate/checklist/permit"
	"kerfgate/queue/broker"
	"kerfgate/worker/driver"
	"kerfgate/worker/journal/journaltest"
)

// The whole life of one run: prepared, permitted, burned, counted down, moved, completed, pictured,
// purged.
func TestRun_WholeLife(t *testing.T) {
	t.Parallel()
	bubble(t, func(t *testing.T, s *shop) {
		run := s.runID(1)
		s.starts(run)
		time.Sleep(15 * time.Second)
		synctest.Wait()
		r := s.wantReport(run, broker.ReportCompleted, "")
		if r.RealMS < 10_000 || r.RealMS > 12_000 || r.NeverMoved {
			t.Fatalf("completed: %+v", r)
		}
		s.taps()
		time.Sleep(45 * time.Second)
		synctest.Wait()
		if got := s.wantReport(run, broker.ReportPurged, ""); got.Number == 0 {
			t.Fatal("no number")
		}
		if p, ok := s.find(run, broker.ReportPicture); !ok || string(p.Picture) != "picture" || p.BurnedUM != 1234 {
			t.Fatalf("picture: %+v", p)
		}
		s.wantEdges(run, 1)
		t.Log(s.told())
	})
}

// F6 and the start protocol: without a go that is signed over this very permit and challenge,
// within 2 s, nothing moves, and the run has burned all the same.
func TestI2_GoMissingOrRefused(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name   string
		answer func(s *shop, msg []byte, p permit.Permit) []byte
		after  time.Duration
		reason string
	}{
		{name: "none", reason: phraseNoGo},
		{name: "late", after: 2*time.Second + time.Millisecond, reason: phraseNoGo,
			answer: func(s *shop, msg []byte, p permit.Permit) []byte { return s.goFor(msg, p, true) }},
		{name: "refused", reason: phraseGoRefused,
			answer: func(s *shop, msg []byte, p permit.Permit) []byte { return s.goFor(msg, p, false) }},
		{name: "for another permit", reason: phraseNoGo,
			answer: func(s *shop, msg []byte, p permit.Permit) []byte { return s.goFor(msg[1:], p, true) }},
		{name: "for another challenge", reason: phraseNoGo,
			answer: func(s *shop, msg []byte, p permit.Permit) []byte { p.Challenge[0] ^= 1; return s.goFor(msg, p, true) }},
		{name: "for another machine", reason: phraseNoGo,
			answer: func(s *shop, msg []byte, p permit.Permit) []byte {
				return sign(s, permit.Go{Machine: uuid.UUID{3}, Run: p.Run, Permit: permit.Digest(msg), Challenge: p.Challenge, Granted: true})
			}},
		{name: "unsigned", reason: phraseNoGo,
			answer: func(s *shop, msg []byte, p permit.Permit) []byte {
				g := s.goFor(msg, p, true)
				g[len(g)-10] ^= 1
				return g
			}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			bubble(t, func(t *testing.T, s *shop) {
				run := s.runID(1)
				s.prepares(run)
				msg, p := s.signedPermit(run)
				s.handlers.Permit(msg)
				synctest.Wait()
				time.Sleep(c.after)
				if c.answer != nil {
					s.handlers.Go(c.answer(s, msg, p))
				}
				time.Sleep(time.Minute)
				synctest.Wait()
				s.wantStill()
				if r := s.wantReport(run, broker.ReportInterrupted, c.reason); !r.NeverMoved {
					t.Fatal("told as moved")
				}
				if !s.w.book.RunBurned(run) {
					t.Fatal("not burned")
				}
			})
		})
	}
}

// I8, F26: a locked-out machine gives no challenge and refuses a permit issued earlier, at every
// step up to the first motion; lifted, it refuses permits older than the lift.
func TestI8_Lockout(t *testing.T) {
	t.Parallel()
	for _, when := range []string{"before challenge", "after challenge", "after taken", "countdown"} {
		t.Run(when, func(t *testing.T) {
			t.Parallel()
			bubble(t, func(t *testing.T, s *shop) {
				lock := func(locked bool, index int64) {
					s.handlers.Lockout(sign(s, permit.Lockout{Machine: s.machine, Locked: locked, LogIndex: index, Reason: "upkeep overdue"}))
					synctest.Wait()
				}
				run := s.runID(1)
				s.prepares(run)
				if when == "before challenge" {
					lock(true, 50)
					if got := s.asks(run, broker.PurposeStart); got.Problem != phraseLocked {
						t.Fatalf("challenge: %+v", got)
					}
					lock(false, 49) // older: must not lift
					if got := s.asks(run, broker.PurposeStart); got.Problem != phraseLocked {
						t.Fatal("an older statement lifted the lockout")
					}
					lock(false, 100)
					_, p := s.signedPermit(run)
					s.handlers.Permit(sign(s, p)) // its log size is 100, not past the lift
					synctest.Wait()
					s.wantReport(run, broker.ReportRefused, phraseOldLog)
					p.LogSize = 101
					s.handlers.Permit(sign(s, p))
					synctest.Wait()
					if s.takenCount() != 1 {
						t.Fatalf("not taken after the lift: %v", s.told())
					}
					return
				}
				msg, p := s.signedPermit(run)
				if when == "after challenge" {
					lock(true, 50)
					s.handlers.Permit(msg)
					synctest.Wait()
					s.wantReport(run, broker.ReportRefused, phraseLocked)
					s.dies((*journaltest.Disk).Kill)
					if got := s.asks(run, broker.PurposeStart); got.Problem != phraseLocked {
						t.Fatal("the lockout did not outlive the process")
					}
					return
				}
				s.handlers.Permit(msg)
				synctest.Wait()
				if when == "after taken" {
					lock(true, 50)
				}
				s.handlers.Go(s.goFor(msg, p, true))
				synctest.Wait()
				if when == "countdown" {
					lock(true, 50)
				}
				time.Sleep(time.Minute)
				synctest.Wait()
				s.wantStill()
				s.wantReport(run, broker.ReportInterrupted, phraseLocked)
			})
		})
	}
}

// F36: a host that slept between the challenge and the motion has a dead permit; one that slept
// during a run ends it as interrupted (I4).
func TestF36_Suspend(t *testing.T) {
	t.Parallel()
	for _, when := range []string{"after challenge", "after taken", "countdown", "running", "paused"} {
		t.Run(when, func(t *testing.T) {
			t.Parallel()
			bubble(t, func(t *testing.T, s *shop) {
				sleep := func(at string) {
					if at == when {
						s.clock.suspend(1500 * time.Millisecond)
						time.Sleep(time.Second) // the next tick sees it
						synctest.Wait()
					}
				}
				run := s.runID(1)
				s.prepares(run)
				msg, p := s.signedPermit(run)
				sleep("after challenge")
				s.handlers.Permit(msg)
				synctest.Wait()
				sleep("after taken")
				s.handlers.Go(s.goFor(msg, p, true))
				synctest.Wait()
				sleep("countdown")
				time.Sleep(6 * time.Second)
				synctest.Wait()
				moved := s.fake().moved()
				if (moved > 0) != (when == "running" || when == "paused") {
					t.Fatalf("%d lines; %v", moved, s.told())
				}
				if when == "paused" {
					s.w.Pause()
					synctest.Wait()
				}
				sleep("running")
				sleep("paused")
				moved = s.fake().moved()
				time.Sleep(30 * time.Second)
				synctest.Wait()
				if s.fake().moved() != moved || s.fake().isOn() {
					t.Fatal("motion after the suspend")
				}
				if when == "after challenge" {
					s.wantReport(run, broker.ReportRefused, phraseChallenge)
					return
				}
				if r := s.wantReport(run, broker.ReportInterrupted, phraseSuspend); r.NeverMoved != (moved == 0) {
					t.Fatalf("never moved: %v", r.NeverMoved)
				}
			})
		})
	}
}

// F20, F22: whichever call to the disk fails between the permit and the motion, once or for ever
// after, nothing moves on a burn that is not on the disk, and the worker says that it is out of use.
func TestF22_NoMotionAfterADiskError(t *testing.T) {
	t.Parallel()
	for _, forEver := range []bool{false, true} {
		for n := 1; n <= 4; n++ { // write and fsync of the burn, write and fsync of started
			bubble(t, func(t *testing.T, s *shop) {
				run := s.runID(1)
				s.prepares(run)
				msg, p := s.signedPermit(run)
				base := s.folder.Calls()
				s.folder.FailWhen(func(call int, _ string) error {
					if call == base+n || forEver && call > base+n {
						return journaltest.ErrFault
					}
					return nil
				})
				s.handlers.Permit(msg)
				synctest.Wait()
				s.handlers.Go(s.goFor(msg, p, true))
				time.Sleep(time.Minute)
				synctest.Wait()
				s.wantStill()
				if got := s.reports[0]; got.Kind != broker.ReportOutOfUse {
					t.Fatalf("n=%d: not told out of use: %v", n, s.told())
				}
				if got := s.asks(run, broker.PurposeStart); got.Problem != phraseOutOfUse {
					t.Fatalf("n=%d: challenge %+v", n, got)
				}
				if s.w.Reading().Problem != phraseOutOfUse {
					t.Fatal("the station is not told")
				}
				s.folder.FailWhen(nil)
				s.dies((*journaltest.Disk).Kill)
				s.handlers.Permit(msg)
				synctest.Wait()
				s.handlers.Go(s.goFor(msg, p, true))
				time.Sleep(time.Minute)
				synctest.Wait()
				s.wantStill()
			})
		}
	}
}

// The last look: each thing that it looks at keeps the run from moving.
func TestI1_LastLook(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name   string
		spoil  func(*shop)
		reason string
	}{
		{"not homed", func(s *shop) { s.fake().set(func(l *fakeMachine) { l.homed = false }) }, phraseNotHomed},
		{"tool on", func(s *shop) { s.fake().set(func(l *fakeMachine) { l.on = true }) }, phraseToolOn},
		{"machine silent", func(s *shop) { s.fake().set(func(l *fakeMachine) { l.broken = driver.ErrLost }) }, phraseLost},
		{"listener down", func(s *shop) { s.w.inbox.post(evListening{}) }, phraseListener},
		{"lid open", func(s *shop) { s.fake().events <- driver.Event{Kind: driver.EventLid} }, phraseLid},
		{"flow low", func(s *shop) { s.fake().events <- driver.Event{Kind: driver.EventFlow} }, phraseFlow},
		{"alarm", func(s *shop) { s.fake().events <- driver.Event{Kind: driver.EventAlarm} }, phraseAlarm},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			bubble(t, func(t *testing.T, s *shop) {
				run := s.runID(1)
				s.prepares(run)
				msg, p := s.signedPermit(run)
				s.handlers.Permit(msg)
				synctest.Wait()
				s.handlers.Go(s.goFor(msg, p, true))
				time.Sleep(time.Second)
				c.spoil(s)
				time.Sleep(time.Minute)
				synctest.Wait()
				s.wantStill()
				if r := s.wantReport(run, broker.ReportFailed, c.reason); !r.NeverMoved {
					t.Fatal("told as moved")
				}
			})
		})
	}
}
