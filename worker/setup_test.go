package worker

import (
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/uuid"

	"kerfgate/checklist/permit"
	"kerfgate/plan/geom"
	"kerfgate/queue/broker"
	"kerfgate/worker/driver"
)

func (s *shop) leave() (msg []byte, l permit.Leave) {
	s.t.Helper()
	answer := s.asks(uuid.Nil, broker.PurposeSetup)
	if answer.Problem != "" {
		s.t.Fatalf("no challenge: %s", answer.Problem)
	}
	l = permit.Leave{Serial: uuid.UUID{4}, Machine: s.machine, Operator: uuid.UUID{9}, Epoch: s.epoch, Challenge: answer.Challenge, AgeLimitS: 600}
	return sign(s, l), l
}

func (s *shop) setsUp(c broker.SetupCommand) broker.SetupResult {
	s.t.Helper()
	before := len(s.results)
	s.handlers.Setup(c)
	time.Sleep(20 * time.Second)
	synctest.Wait()
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.results) == before {
		return broker.SetupResult{Problem: "no answer"}
	}
	return s.results[len(s.results)-1]
}

// I1: motion without beam needs a leave, and under a leave nothing can switch a beam.
func TestI1_SetupLeave(t *testing.T) {
	t.Parallel()
	bubble(t, func(t *testing.T, s *shop) {
		msg, l := s.leave()
		forged := slices.Clone(msg)
		forged[len(forged)-12] ^= 1
		if got := s.setsUp(broker.SetupCommand{Leave: forged, Number: 1, Kind: broker.SetupHome}); got.Problem != "no answer" {
			t.Fatalf("forged leave: %+v", got)
		}
		for i, c := range []struct {
			command broker.SetupCommand
			want    string
		}{
			{broker.SetupCommand{Kind: broker.SetupHome}, ""},
			{broker.SetupCommand{Kind: broker.SetupWhere}, ""},
			{broker.SetupCommand{Kind: broker.SetupJog, By: geom.Pt(50_000, -1000)}, ""},
			{broker.SetupCommand{Kind: broker.SetupJog, By: geom.Pt(-1001, 0)}, phraseTravel},
			{broker.SetupCommand{Kind: broker.SetupJog, By: geom.Pt(50_000, 2000)}, ""},
			{broker.SetupCommand{Kind: broker.SetupGrip, Around: make([]geom.Point, broker.MostAround+1)}, phraseCommand},
			{broker.SetupCommand{Kind: "burn"}, phraseCommand},
		} {
			c.command.Leave, c.command.Number = msg, int64(i+1)
			if got := s.setsUp(c.command); got.Problem != c.want {
				t.Fatalf("%s: %q, want %q", c.command.Kind, got.Problem, c.want)
			}
		}
		moves := s.fake().moved()
		if got := s.setsUp(broker.SetupCommand{Leave: msg, Number: 3, Kind: broker.SetupJog, By: geom.Pt(1000, 0)}); got.Problem != phraseNumber || s.fake().moved() != moves {
			t.Fatalf("an old command again: %+v", got)
		}
		s.fake().mu.Lock()
		for _, line := range s.fake().lines {
			if driver.SwitchesOn(line) || strings.Contains(line, "S") {
				t.Errorf("line %q under a set-up leave", line)
			}
		}
		if s.fake().isArmed {
			t.Error("armed under a set-up leave")
		}
		s.fake().mu.Unlock()
		time.Sleep(10*time.Minute - 7*20*time.Second)
		if got := s.setsUp(broker.SetupCommand{Leave: msg, Number: 20, Kind: broker.SetupHome}); got.Problem != phraseExpired {
			t.Fatalf("after ten minutes: %+v", got)
		}
		l.Serial = uuid.UUID{5}
		if got := s.setsUp(broker.SetupCommand{Leave: sign(s, l), Number: 21, Kind: broker.SetupHome}); got.Problem != phraseChallenge {
			t.Fatalf("a second leave on one challenge: %+v", got)
		}
	})
}

// A stop ends the motion and the leave; a leave is no use while a run is active or a machine is
// locked out; axes without a place do not jog.
func TestI1_SetupRefused(t *testing.T) {
	t.Parallel()
	bubble(t, func(t *testing.T, s *shop) {
		msg, _ := s.leave()
		s.handlers.Setup(broker.SetupCommand{Leave: msg, Number: 1, Kind: broker.SetupJog, By: geom.Pt(290_000, 190_000)})
		time.Sleep(time.Second)
		s.w.Stop()
		moves := s.fake().moved()
		synctest.Wait()
		if got := s.results[len(s.results)-1]; got.Problem != phraseStop {
			t.Fatalf("stopped jog: %+v", got)
		}
		if got := s.setsUp(broker.SetupCommand{Leave: msg, Number: 2, Kind: broker.SetupHome}); got.Problem != phraseChallenge {
			t.Fatalf("the leave outlived a stop: %+v", got)
		}
		if s.fake().moved() != moves {
			t.Fatal("motion after a stop")
		}
		msg, _ = s.leave()
		s.fake().set(func(l *fakeMachine) { l.homed = false })
		if got := s.setsUp(broker.SetupCommand{Leave: msg, Number: 1, Kind: broker.SetupJog, By: geom.Pt(1000, 0)}); got.Problem != phraseNotHomed {
			t.Fatalf("jog without a place: %+v", got)
		}
		if got := s.setsUp(broker.SetupCommand{Leave: msg, Number: 2, Kind: broker.SetupHome}); got.Problem != "" || !got.Homed {
			t.Fatalf("home: %+v", got)
		}
		s.handlers.Lockout(sign(s, permit.Lockout{Machine: s.machine, Locked: true, LogIndex: 5, Reason: "flame"}))
		synctest.Wait()
		if got := s.setsUp(broker.SetupCommand{Leave: msg, Number: 3, Kind: broker.SetupHome}); got.Problem != phraseLocked {
			t.Fatalf("locked out: %+v", got)
		}
		s.handlers.Lockout(sign(s, permit.Lockout{Machine: s.machine, LogIndex: 6, Reason: "lifted"}))
		synctest.Wait()
		msg, _ = s.leave()
		s.starts(s.runID(1))
		if got := s.setsUp(broker.SetupCommand{Leave: msg, Number: 4, Kind: broker.SetupHome}); got.Problem != phraseBusy {
			t.Fatalf("while a run is active: %+v", got)
		}
	})
}

// F1, F2: an offer twice is one preparation; a pull goes on where it ended; a bad plan, an older
// revision, another epoch and a withdrawn run are not prepared.
func TestF1_Offers(t *testing.T) {
	t.Parallel()
	bubble(t, func(t *testing.T, s *shop) {
		run := s.runID(1)
		s.folder.files[planName(s.digest)+partSuffix] = slices.Clone(s.data[:len(s.data)-150])
		s.prepares(run)
		s.prepares(run)
		if s.chunks != 2 {
			t.Fatalf("%d chunks pulled, want the last 2 once", s.chunks)
		}
		ready := 0
		for _, told := range s.told() {
			if told == "ready" {
				ready++
			}
		}
		if ready != 1 {
			t.Fatalf("told %v", s.told())
		}
		bad := s.offer(s.runID(2), 1)
		bad.Plan[0] ^= 1
		if err := s.handlers.Offer(t.Context(), bad); err != nil {
			t.Fatal(err)
		}
		synctest.Wait()
		s.wantReport(s.runID(2), broker.ReportUnready, phraseDigest)
		large := s.offer(s.runID(3), 1)
		large.Plan[0] ^= 2
		large.PlanSize = 1 << 40
		if err := s.handlers.Offer(t.Context(), large); err != nil {
			t.Fatal(err)
		}
		synctest.Wait()
		s.wantReport(s.runID(3), broker.ReportUnready, phraseTooLarge)
		other := s.offer(s.runID(4), 1)
		other.Epoch[0] ^= 1
		if err := s.handlers.Offer(t.Context(), other); err == nil {
			t.Fatal("an offer of another epoch was taken")
		}
		gone := s.offer(run, 2)
		gone.Withdrawn = true
		if err := s.handlers.Offer(t.Context(), gone); err != nil {
			t.Fatal(err)
		}
		if got := s.asks(run, broker.PurposeStart); got.Problem != phraseNotPrepared {
			t.Fatalf("withdrawn: %+v", got)
		}
		synctest.Wait()
		if len(s.folder.files[planName(s.digest)]) > 0 {
			t.Fatal("the plan of a withdrawn run stays on the disk")
		}
	})
}

// A machine that does not answer makes its runs unready; when it answers again they become ready.
func TestPrepare_MachineSilent(t *testing.T) {
	t.Parallel()
	bubble(t, func(t *testing.T, s *shop) {
		run := s.runID(1)
		s.fake().set(func(l *fakeMachine) { l.broken = driver.ErrLost })
		s.fake().events <- driver.Event{Kind: driver.EventLost}
		synctest.Wait()
		s.prepares(run)
		s.wantReport(run, broker.ReportUnready, phraseLost)
		s.mu.Lock()
		s.state.Offers = []broker.Offer{s.offer(run, 1)}
		s.mu.Unlock()
		time.Sleep(time.Minute) // the driver is made anew
		synctest.Wait()
		s.wantReport(run, broker.ReportReady, "")
	})
}

// I10: a new profile comes in force only while nothing runs, and permits for the old one are dead.
func TestF31_ProfileChanges(t *testing.T) {
	t.Parallel()
	bubble(t, func(t *testing.T, s *shop) {
		first := s.runID(1)
		s.starts(first)
		before := s.fake()
		s.prepares(s.runID(2))
		old := s.state.Profile
		s.profile.Tools[0].PowerMW = 1500
		s.setPlan("beam", 42)
		s.w.Wake()
		time.Sleep(8 * time.Second)
		synctest.Wait()
		if s.fake() != before {
			t.Fatal("the driver was changed under a run")
		}
		time.Sleep(2 * time.Minute)
		synctest.Wait()
		s.wantReport(first, broker.ReportPurged, "")
		if s.fake() == before {
			t.Fatal("the new profile is not in force")
		}
		_, p := s.signedPermit(s.runID(2))
		p.Profile = old
		s.handlers.Permit(sign(s, p))
		synctest.Wait()
		if s.takenCount() != 1 {
			t.Fatal("a permit for the old profile was taken")
		}
		if r := s.last(s.runID(2)); r.Kind != broker.ReportRefused {
			t.Fatalf("%+v", r)
		}
	})
}
