package worker

import (
	"testing"
	"testing/synctest"
	"time"

	"kerfgate/checklist/permit"
	"kerfgate/plan/canon"
	"kerfgate/plan/machine"
	"kerfgate/queue/broker"
)

// firstBeam takes a run with attendance 60 s + 15 s to its first line with the tool on, which is
// when attendance begins, and gives that instant.
func firstBeam(t *testing.T, s *shop) time.Time {
	t.Helper()
	var at time.Time
	s.lines = 100_000
	run := s.runID(1)
	s.prepares(run)
	msg, p := s.signedPermit(run)
	s.fake().set(func(l *fakeMachine) {
		check := l.onEdge
		l.onEdge = func(run [16]byte) { check(run); at = time.Now() }
	})
	s.handlers.Permit(msg)
	synctest.Wait()
	s.handlers.Go(s.goFor(msg, p, true))
	time.Sleep(6 * time.Second)
	synctest.Wait()
	if at.IsZero() {
		t.Fatalf("no beam; %v", s.told())
	}
	return at
}

// I9: missed at 75 s to the millisecond: beam off and paused; missed again after as long: stopped.
func TestI9_MissedTwice(t *testing.T) {
	t.Parallel()
	bubble(t, func(t *testing.T, s *shop) {
		run := s.runID(1)
		at := firstBeam(t, s)
		time.Sleep(time.Until(at.Add(75*time.Second - time.Millisecond)))
		synctest.Wait()
		if !s.fake().isOn() {
			t.Fatalf("off too early; %v", s.told())
		}
		time.Sleep(time.Millisecond)
		synctest.Wait()
		if s.fake().isOn() {
			t.Fatal("beam on after the deadline")
		}
		s.wantReport(run, broker.ReportPaused, phraseMissed)
		if r := s.wantReport(run, broker.ReportAttendance, phraseMissed); r.Misses != 1 {
			t.Fatalf("%+v", r)
		}
		time.Sleep(75*time.Second - time.Millisecond)
		synctest.Wait()
		if _, ok := s.find(run, broker.ReportStopped); ok {
			t.Fatal("stopped too early")
		}
		time.Sleep(time.Millisecond)
		synctest.Wait()
		s.wantReport(run, broker.ReportStopped, phraseSecondMiss)
		s.wantEdges(run, 1)
	})
}

// I9: a tap with the permit's token starts the interval anew, another token does not; after a miss
// and a resume the second miss of the run stops it.
func TestI9_Taps(t *testing.T) {
	t.Parallel()
	bubble(t, func(t *testing.T, s *shop) {
		run := s.runID(1)
		at := firstBeam(t, s)
		for range 3 {
			time.Sleep(time.Until(at.Add(75*time.Second - time.Millisecond)))
			s.taps()
			at = time.Now()
		}
		if taken, _ := s.w.Attend(t.Context(), []byte("guess")); taken {
			t.Fatal("another token was taken")
		}
		time.Sleep(75*time.Second - time.Millisecond)
		synctest.Wait()
		if !s.fake().isOn() {
			t.Fatalf("off although tapped; %v", s.told())
		}
		time.Sleep(time.Millisecond)
		synctest.Wait()
		paused := s.wantReport(run, broker.ReportPaused, phraseMissed)
		s.taps()
		s.handlers.Resume(sign(s, permit.Resume{Machine: s.machine, Run: run, Operator: s.runID(77), PauseToken: paused.PauseToken}))
		time.Sleep(74 * time.Second)
		synctest.Wait()
		if _, ok := s.find(run, broker.ReportResumed); !ok {
			t.Fatalf("not resumed; %v", s.told())
		}
		time.Sleep(time.Second)
		synctest.Wait()
		if r := s.wantReport(run, broker.ReportStopped, phraseSecondMiss); r.RealMS < 299_000 || r.RealMS > 377_000 {
			t.Fatalf("real time %d ms", r.RealMS)
		}
	})
}

// I9: paused for ten minutes with somebody there: stopped.
func TestI9_PausedTooLong(t *testing.T) {
	t.Parallel()
	bubble(t, func(t *testing.T, s *shop) {
		run := s.runID(1)
		firstBeam(t, s)
		s.w.Pause()
		synctest.Wait()
		began := time.Now()
		for time.Since(began) < 10*time.Minute-20*time.Second {
			time.Sleep(20 * time.Second)
			s.taps()
		}
		time.Sleep(time.Until(began.Add(10*time.Minute - time.Millisecond)))
		synctest.Wait()
		if _, ok := s.find(run, broker.ReportStopped); ok {
			t.Fatal("stopped too early")
		}
		time.Sleep(time.Millisecond)
		synctest.Wait()
		s.wantReport(run, broker.ReportStopped, phrasePausedLong)
	})
}

// I9: the profile's own interval counts, through the purge; a hand-over passes on to another token.
func TestI9_ProfileIntervalAndHandover(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		s := newShop(t)
		s.profile.Attendance = machine.Attendance{EveryS: 20, GraceS: 5}
		s.setPlan("beam", 42)
		s.opens()
		s.lines = 80 // 20 s of beam
		run := s.runID(1)
		msg, _ := s.starts(run)
		next := []byte("token of the next operator")
		s.handlers.Handover(sign(s, permit.Handover{Machine: s.machine, Run: run, Permit: permit.Digest(msg), Number: 1,
			Operator: s.runID(78), Attendance: canon.Sum(next)}))
		synctest.Wait()
		time.Sleep(10 * time.Second)
		if taken, _ := s.w.Attend(t.Context(), s.token); taken {
			t.Fatal("the first operator's token still counts")
		}
		if taken, left := s.w.Attend(t.Context(), next); !taken || left != 25 {
			t.Fatalf("next operator: taken %v, %d s left", taken, left)
		}
		time.Sleep(24 * time.Second)
		synctest.Wait()
		s.wantReport(run, broker.ReportCompleted, "")
		time.Sleep(2 * time.Second)
		synctest.Wait()
		if r := s.wantReport(run, broker.ReportAttendance, phraseMissed); r.Misses != 1 || r.Taps != 1 {
			t.Fatalf("in the purge: %+v", r)
		}
		time.Sleep(time.Minute)
		synctest.Wait()
		s.wantReport(run, broker.ReportPurged, "")
		s.closes()
	})
}

// F12: with the link gone attendance goes on at the machine alone, and what happened is told later,
// without a gap; a report leaves the journal only at the server's signed word.
func TestF12_LinkGoneWhileRunning(t *testing.T) {
	t.Parallel()
	bubble(t, func(t *testing.T, s *shop) {
		run := s.runID(1)
		s.lines = 400
		s.starts(run)
		s.mu.Lock()
		s.linkDown = true
		s.mu.Unlock()
		s.w.Connected(false)
		for range 2 {
			time.Sleep(50 * time.Second)
			s.taps()
		}
		time.Sleep(50 * time.Second)
		synctest.Wait()
		if _, ok := s.find(run, broker.ReportCompleted); ok {
			t.Fatal("told although the link is gone")
		}
		s.mu.Lock()
		s.linkDown = false
		s.mu.Unlock()
		s.w.Connected(true)
		time.Sleep(time.Second)
		synctest.Wait()
		s.wantReport(run, broker.ReportCompleted, "")
		for _, told := range s.told() {
			if len(told) > 8 && told[len(told)-7:] == "missing" {
				t.Fatalf("a gap: %v", s.told())
			}
		}
		queued := len(s.w.book.Queued())
		if queued == 0 {
			t.Fatal("reports left the journal at the stream's word")
		}
		s.handlers.Applied(sign(s, permit.Applied{Machine: s.machine, Epoch: [16]byte{9}, Number: s.lastNumber}))
		synctest.Wait()
		if len(s.w.book.Queued()) != queued {
			t.Fatal("applied under another epoch was taken")
		}
		s.handlers.Applied(sign(s, permit.Applied{Machine: s.machine, Epoch: s.epoch, Number: s.lastNumber - 1}))
		synctest.Wait()
		if q := s.w.book.Queued(); len(q) != 1 || q[0].Number != s.lastNumber {
			t.Fatalf("%d reports queued", len(q))
		}
	})
}
