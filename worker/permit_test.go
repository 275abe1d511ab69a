package worker

import (
	"bytes"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/uuid"
	"golang.org/x/mod/sumdb/note"

	"kerfgate/checklist/permit"
	"kerfgate/plan/machine"
	"kerfgate/queue/broker"
	"kerfgate/worker/journal/journaltest"
)

// I2: the same permit five times, with go as often, again after the run and again after a restart,
// moves the machine once.
func TestI2_PermitStartsOnce(t *testing.T) {
	t.Parallel()
	bubble(t, func(t *testing.T, s *shop) {
		run := s.runID(1)
		s.prepares(run)
		msg, p := s.signedPermit(run)
		again := func() {
			for range 5 {
				s.handlers.Permit(msg)
				synctest.Wait()
				s.handlers.Go(s.goFor(msg, p, true))
			}
			time.Sleep(30 * time.Second)
			synctest.Wait()
		}
		again()
		s.wantEdges(run, 1)
		s.wantReport(run, broker.ReportCompleted, "")
		time.Sleep(time.Minute)
		again()
		s.wantEdges(run, 1)
		if got := s.asks(run, broker.PurposeStart); got.Problem != phraseBurned {
			t.Fatalf("a burned run gets a challenge: %+v", got)
		}
		s.dies((*journaltest.Disk).Kill)
		again()
		s.wantEdges(run, 1)
		s.wantReport(run, broker.ReportRefused, phraseBurned)
		if n := s.takenCount(); n != 1 {
			t.Fatalf("taken %d times", n)
		}
	})
}

// I1, I8, I10, I12, I15, F30, F31: each line of a permit is held against what the worker has; a
// refusal costs nothing, so the right permit after it still starts.
func TestI1_EveryLineOfAPermitCounts(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name   string
		change func(*permit.Permit)
		reason string
	}{
		{"other run", func(p *permit.Permit) { p.Run = uuid.UUID{7} }, phraseChallenge},
		{"other machine", func(p *permit.Permit) { p.Machine = uuid.UUID{7} }, phraseMachine},
		{"other worker's key", func(p *permit.Permit) { p.MachineKey = otherKey }, phraseKey},
		{"other epoch", func(p *permit.Permit) { p.Epoch[0] ^= 1 }, phraseEpoch},
		{"other challenge", func(p *permit.Permit) { p.Challenge[31] ^= 1 }, phraseChallenge},
		{"other plan", func(p *permit.Permit) { p.Plan[0] ^= 1 }, phrasePlan},
		{"other profile", func(p *permit.Permit) { p.Profile[0] ^= 1 }, phraseProfile},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			bubble(t, func(t *testing.T, s *shop) {
				run := s.runID(1)
				s.prepares(run)
				good, p := s.signedPermit(run)
				q := p
				c.change(&q)
				s.handlers.Permit(sign(s, q))
				synctest.Wait()
				s.wantReport(q.Run, broker.ReportRefused, c.reason)
				if s.takenCount() != 0 {
					t.Fatal("taken")
				}
				s.handlers.Permit(good)
				synctest.Wait()
				if s.takenCount() != 1 {
					t.Fatalf("the right permit is not taken: %v", s.told())
				}
			})
		})
	}
}

// I1, I10, I15: what the plan, the placement and the machine's profile say is looked at before the
// burn, with the plan read from the disk anew.
func TestI1_PlanPlacementAndProfileCount(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name    string
		profile func(*machine.Profile)
		change  func(*permit.Permit)
		spoil   func(*shop)
		reason  string
	}{
		{name: "left of the travel", change: func(p *permit.Permit) { p.OriginXUM = -1 }, reason: phrasePlacement},
		{name: "beyond the travel", change: func(p *permit.Permit) { p.OriginYUM = 170_001 }, reason: phrasePlacement},
		{name: "sheet too small", change: func(p *permit.Permit) { p.SheetWUM = 79_999 }, reason: phrasePlacement},
		{name: "beam without attendance", change: func(p *permit.Permit) { p.Attendance = [32]byte{} }, reason: phraseAttendance},
		{name: "cut-off untested", profile: func(p *machine.Profile) { p.CutOff.Tested = false }, reason: phraseCutOff},
		{name: "cut-off of 1001 ms", profile: func(p *machine.Profile) { p.CutOff.HostSuspendedMS = 1001 }, reason: phraseCutOff},
		{name: "cut-off not measured", profile: func(p *machine.Profile) { p.CutOff.CablePulledMS = -1 }, reason: phraseCutOff},
		{name: "plan changed on the disk", spoil: func(s *shop) { s.folder.files[planName(s.digest)][20] ^= 1 }, reason: phrasePlanGone},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				s := newShop(t)
				if c.profile != nil {
					c.profile(&s.profile)
					s.setPlan("beam", 42)
				}
				s.opens()
				run := s.runID(1)
				s.prepares(run)
				_, p := s.signedPermit(run)
				if c.change != nil {
					c.change(&p)
				}
				if c.spoil != nil {
					c.spoil(s)
				}
				s.handlers.Permit(sign(s, p))
				synctest.Wait()
				s.wantReport(run, broker.ReportRefused, c.reason)
				if s.takenCount() != 0 {
					t.Fatal("taken")
				}
				s.wantStill()
				s.closes()
			})
		})
	}
}

// A pen needs no cut-off and, where the permit asks for none, no attendance.
func TestPen_NeedsNoCutOff(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		s := newShop(t)
		s.profile.CutOff = machine.CutOff{}
		s.setPlan("pen", 0)
		s.opens()
		run := s.runID(1)
		s.prepares(run)
		_, p := s.signedPermit(run)
		p.Attendance = [32]byte{}
		msg := sign(s, p)
		s.handlers.Permit(msg)
		synctest.Wait()
		s.handlers.Go(s.goFor(msg, p, true))
		time.Sleep(30 * time.Second)
		synctest.Wait()
		s.wantReport(run, broker.ReportCompleted, "")
		s.wantReport(run, broker.ReportPurged, "")
		s.closes()
	})
}

// F17: age counts on the worker's clock since it made the challenge: 60 s is in time, one second
// more is not, and a permit may ask for less.
func TestF17_PermitTooOld(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name    string
		limit   int64
		age     time.Duration
		refused bool
	}{
		{"at the limit", 60, 60 * time.Second, false},
		{"one second late", 60, 61 * time.Second, true},
		{"own limit", 20, 20 * time.Second, false},
		{"own limit, late", 20, 21 * time.Second, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			bubble(t, func(t *testing.T, s *shop) {
				run := s.runID(1)
				s.prepares(run)
				_, p := s.signedPermit(run)
				p.AgeLimitS = c.limit
				time.Sleep(c.age)
				s.handlers.Permit(sign(s, p))
				synctest.Wait()
				if c.refused {
					s.wantReport(run, broker.ReportRefused, phraseExpired)
				}
				if got := s.takenCount() == 0; got != c.refused {
					t.Fatalf("refused %v; %v", got, s.told())
				}
			})
		})
	}
}

// S23: a permit with any one byte changed, cut short or added to, is not taken; nor is one that is
// signed by another key (F30), or the right one said in another kind of statement.
func TestI12_TamperedPermit(t *testing.T) {
	t.Parallel()
	bubble(t, func(t *testing.T, s *shop) {
		run := s.runID(1)
		s.prepares(run)
		good, p := s.signedPermit(run)
		for i := range good {
			for _, flip := range []byte{1, 0x20} {
				bad := bytes.Clone(good)
				bad[i] ^= flip
				s.handlers.Permit(bad)
			}
			s.handlers.Permit(good[:i])
			synctest.Wait()
		}
		s.handlers.Permit(append(bytes.Clone(good), '\n'))
		s.handlers.Permit(append(bytes.Clone(good), good...))
		secret, _, err := permit.GenerateKey(permit.KeyName("garden"))
		if err != nil {
			t.Fatal(err)
		}
		other, err := note.NewSigner(secret)
		if err != nil {
			t.Fatal(err)
		}
		forged, err := permit.Sign(other, p)
		if err != nil {
			t.Fatal(err)
		}
		s.handlers.Permit(forged)
		s.handlers.Permit(sign(s, permit.Void{Machine: s.machine, Run: run, Permit: [32]byte{1}, Reason: "x"}))
		time.Sleep(time.Second)
		synctest.Wait()
		if s.takenCount() != 0 {
			t.Fatal("a changed permit was taken")
		}
		s.wantReport(uuid.Nil, broker.ReportRefused, phraseSignature)
		refusals := 0
		for _, r := range s.told() {
			if r == "refused: "+phraseSignature {
				refusals++
			}
		}
		if refusals != 1 {
			t.Fatalf("%d reports about forged permits within seconds: the journal can be flooded", refusals)
		}
		s.handlers.Permit(good)
		synctest.Wait()
		if s.takenCount() != 1 {
			t.Fatalf("the true permit was not taken: %v", s.told())
		}
	})
}

// F16: the void wins, whether it comes before the permit, after the burn, or in the countdown.
func TestF16_VoidWins(t *testing.T) {
	t.Parallel()
	for _, when := range []string{"before permit", "after taken", "countdown"} {
		t.Run(when, func(t *testing.T) {
			t.Parallel()
			bubble(t, func(t *testing.T, s *shop) {
				run := s.runID(1)
				s.prepares(run)
				msg, p := s.signedPermit(run)
				void := sign(s, permit.Void{Machine: s.machine, Run: run, Permit: permit.Digest(msg), Reason: "material changed"})
				if when == "before permit" {
					s.handlers.Void(void)
				}
				s.handlers.Permit(msg)
				synctest.Wait()
				if when == "after taken" {
					s.handlers.Void(void)
					synctest.Wait()
				}
				s.handlers.Go(s.goFor(msg, p, true))
				synctest.Wait()
				if when == "countdown" {
					s.handlers.Void(void)
				}
				time.Sleep(time.Minute)
				synctest.Wait()
				s.wantStill()
				if when == "before permit" {
					s.wantReport(run, broker.ReportRefused, phraseVoided)
				} else if r := s.wantReport(run, broker.ReportInterrupted, phraseVoided); !r.NeverMoved {
					t.Fatal("told as moved")
				}
			})
		})
	}
}

// A newer challenge cancels the older; the same question twice gets the same answer (B1); all die
// with the process; a set-up challenge starts nothing.
func TestI12_Challenges(t *testing.T) {
	t.Parallel()
	bubble(t, func(t *testing.T, s *shop) {
		run := s.runID(1)
		s.prepares(run)
		old, _ := s.signedPermit(run)
		ask := broker.ChallengeAsk{Ask: [16]byte{5}, Run: run, Purpose: broker.PurposeStart}
		s.handlers.Challenge(ask)
		s.handlers.Challenge(ask)
		synctest.Wait()
		n := len(s.challenges)
		if s.challenges[n-1].Challenge != s.challenges[n-2].Challenge || s.challenges[n-1].Problem != "" {
			t.Fatalf("same question, other answer: %+v", s.challenges[n-2:])
		}
		s.handlers.Permit(old)
		synctest.Wait()
		s.wantReport(run, broker.ReportRefused, phraseChallenge)

		setup := s.asks(run, broker.PurposeSetup)
		s.handlers.Permit(sign(s, s.permitFor(run, setup.Challenge)))
		synctest.Wait()
		if s.takenCount() != 0 {
			t.Fatal("a set-up challenge started a run")
		}

		msg, _ := s.signedPermit(run)
		s.dies((*journaltest.Disk).Kill)
		s.handlers.Permit(msg)
		synctest.Wait()
		if s.takenCount() != 0 {
			t.Fatal("a challenge outlived its process")
		}
		if got := s.asks(s.runID(9), broker.PurposeStart); got.Problem != phraseNotPrepared {
			t.Fatalf("challenge for a run that is not prepared: %+v", got)
		}
	})
}
