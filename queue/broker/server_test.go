package broker_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"kerfgate/plan/canon"
	"kerfgate/plan/geom"
	"kerfgate/queue/broker"
)

func report(n int64) broker.Report {
	return broker.Report{Number: n, Kind: broker.ReportReady, Run: uuid.MustParse("01890000-0000-7000-8000-0000000000b1"), Revision: n}
}

// publishReport does what a worker does: again and again until the stream has it.
func publishReport(t testing.TB, w worker, n int64) {
	t.Helper()
	deadline := time.Now().Add(long)
	for {
		ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
		err := w.Report(ctx, report(n))
		cancel()
		if err == nil {
			return
		}
		if !errors.Is(err, broker.ErrNoBroker) || time.Now().After(deadline) {
			t.Fatalf("report %d: %v", n, err)
		}
		retry := time.NewTimer(20 * time.Millisecond)
		<-retry.C
	}
}

func (s *site) appliedInOrder(m uuid.UUID, n int) {
	s.t.Helper()
	s.until(fmt.Sprintf("%d reports applied", n), func() bool { return s.desk.count(m) >= n })
	s.desk.mu.Lock()
	defer s.desk.mu.Unlock()
	if got := len(s.desk.applied[m]); got != n {
		s.t.Errorf("%d reports applied, want %d", got, n)
	}
	for i, r := range s.desk.applied[m] {
		if r.Number != int64(i+1) || r.Revision != r.Number {
			s.t.Errorf("report %d applied as number %d", r.Number, i+1)
		}
	}
}

// F3: the broker goes away and comes back, four times, while 200 reports pass; the desk fails now
// and then. Each is applied once and in order, and everybody reconnects for ever.
func TestReportsPassOverRestarts(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.serve()
	w := s.worker(mill, broker.Handlers{})
	const total = 200
	for n := int64(1); n <= total; n++ {
		switch n % 50 {
		case 10:
			s.stop()
			s.startBroker()
		case 25:
			s.desk.mu.Lock()
			s.desk.failures = 2
			s.desk.mu.Unlock()
		}
		publishReport(t, w, n)
		if n%7 == 0 {
			publishReport(t, w, n) // a worker that did not see the acknowledgement
		}
	}
	s.appliedInOrder(mill, total)
	if w.conn.Statistics.Reconnects < 4 {
		t.Errorf("%d reconnects", w.conn.Statistics.Reconnects)
	}
	js, err := jetstream.New(s.admin())
	if err != nil {
		t.Fatal(err)
	}
	s.until("the stream is empty", func() bool {
		stream, err := js.Stream(s.within(long), broker.ReportStream)
		return err == nil && stream.CachedInfo().State.Msgs == 0
	})
	if got := s.server.Counts(); got.Invalid != 0 || got.Recreated != 0 {
		t.Errorf("%+v", got)
	}
}

func TestReportsOutOfOrder(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	applied := make(chan string, 1024)
	s.serve()
	w := s.worker(mill, broker.Handlers{Applied: func(note []byte) { applied <- string(note) }})
	for _, n := range []int64{3, 5, 4, 2, 1} {
		publishReport(t, w, n)
	}
	s.appliedInOrder(mill, 5)
	for {
		if receive(t, applied, "applied 5") == "applied 5" {
			break
		}
	}
}

// Two servers on one broker and one database: still once and in order.
func TestTwoServers(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.serve()
	stopFirst := s.serve()
	w := s.worker(mill, broker.Handlers{})
	for n := int64(1); n <= 60; n++ {
		publishReport(t, w, n)
		if n == 30 {
			stopFirst()
		}
	}
	s.appliedInOrder(mill, 60)
}

// I12: whoever may publish on the broker still cannot say something for a machine.
func TestForgedMessagesAreThrownAway(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.serve()
	w := s.worker(mill, broker.Handlers{})
	admin := s.admin()
	js, err := jetstream.New(admin)
	if err != nil {
		t.Fatal(err)
	}
	seal := func(m uuid.UUID, kind string, counter int64, message any, as uuid.UUID) []byte {
		data, err := broker.Seal(s.keys[as], m, kind, counter, message)
		if err != nil {
			t.Fatal(err)
		}
		return data
	}
	good := seal(mill, broker.KindReport, 1, report(1), mill)
	taken := broker.Taken{Run: report(1).Run, Challenge: [32]byte{1}}
	forged := [][]byte{
		nil,
		[]byte("junk"),
		good[:len(good)-1],
		append(bytes.Clone(good), 0),
		seal(mill, broker.KindReport, 1, report(1), pen), // the pen's key, the mill's name
		seal(pen, broker.KindReport, 1, report(1), pen),  // the pen's report on the mill's subject
		seal(mill, broker.KindReport, 2, report(1), mill),
		seal(mill, broker.KindReport, 0, report(0), mill),
		seal(mill, broker.KindTaken, 1, report(1), mill),
		seal(mill, broker.KindReport, 1, taken, mill),
	}
	for _, data := range forged {
		if _, err := js.Publish(s.within(long), broker.ReportSubject(mill), data); err != nil {
			t.Fatal(err)
		}
	}
	for _, data := range [][]byte{nil, seal(mill, broker.KindTaken, 1, taken, pen), seal(pen, broker.KindTaken, 1, taken, pen), seal(mill, broker.KindReport, 1, taken, mill)} {
		if err := admin.Publish(broker.AskSubject(mill, broker.AskTaken), data); err != nil {
			t.Fatal(err)
		}
		forged = append(forged, data)
	}
	nobody := uuid.MustParse("01890000-0000-7000-8000-0000000000ff")
	for _, subject := range []string{broker.AskSubject(nobody, broker.AskTaken), "ask.mill.state", broker.ReadingSubject(nobody), "reading.x"} {
		if err := admin.Publish(subject, nil); err != nil {
			t.Fatal(err)
		}
		forged = append(forged, nil)
	}
	publishReport(t, w, 1)
	s.appliedInOrder(mill, 1)
	s.until("all forged messages counted", func() bool { return s.server.Counts().Invalid >= int64(len(forged)) })
	s.desk.mu.Lock()
	defer s.desk.mu.Unlock()
	if s.server.Counts().Invalid != int64(len(forged)) || len(s.desk.takes) != 0 || s.desk.calls != 1 {
		t.Errorf("%d invalid of %d, %d taken, %d applied", s.server.Counts().Invalid, len(forged), len(s.desk.takes), s.desk.calls)
	}
}

// The server may publish anywhere: a worker that asks for its answer on a foreign subject gets none.
func TestAnswersGoToTheAskersInboxOnly(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.serve()
	w := s.worker(mill, broker.Handlers{})
	admin := s.admin()
	var subs []*nats.Subscription
	ask, err := broker.Encode(broker.StateAsk{Process: [16]byte{5}})
	if err != nil {
		t.Fatal(err)
	}
	replies := []string{"permit." + broker.Token(pen), "stop.all", "$JS.API.STREAM.PURGE.OFFER",
		broker.InboxPrefix(pen) + ".x", broker.InboxPrefix(mill), broker.InboxPrefix(mill) + "x.y", broker.ServerInboxPrefix + ".x"}
	for _, reply := range replies {
		if !strings.HasPrefix(reply, "$JS.") {
			sub, err := admin.SubscribeSync(reply)
			if err != nil {
				t.Fatal(err)
			}
			subs = append(subs, sub)
		}
	}
	if err := admin.Flush(); err != nil {
		t.Fatal(err)
	}
	before := s.server.Counts().Invalid
	if err := w.conn.Publish(broker.AskSubject(mill, broker.AskState), ask); err != nil { // nor without one
		t.Fatal(err)
	}
	for _, reply := range replies {
		if err := w.conn.PublishRequest(broker.AskSubject(mill, broker.AskState), reply, ask); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := w.State(s.within(long), broker.StateAsk{Process: [16]byte{6}}); err != nil { // in the same lane, so the last
		t.Fatal(err)
	}
	if err := admin.Flush(); err != nil {
		t.Fatal(err)
	}
	for _, sub := range subs {
		if n, _, _ := sub.Pending(); n != 0 {
			t.Errorf("an answer went to %s", sub.Subject)
		}
	}
	if got := s.server.Counts().Invalid - before; got != int64(len(replies)+1) {
		t.Errorf("%d refused", got)
	}
}

func TestChallenge(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.serve()
	run := report(1).Run
	if _, err := s.server.Challenge(s.within(long), pen, run, broker.PurposeStart); !errors.Is(err, broker.ErrNoWorker) {
		t.Errorf("nobody there: %v", err)
	}
	var w worker
	asked := make(chan broker.ChallengeAsk, 16)
	answer := make(chan func(broker.ChallengeAsk) broker.ChallengeAnswer, 16)
	w = s.worker(mill, broker.Handlers{Challenge: func(ask broker.ChallengeAsk) {
		asked <- ask
		if f := <-answer; f != nil {
			if err := w.AnswerChallenge(f(ask)); err != nil {
				t.Error(err)
			}
		}
	}})
	good := func(ask broker.ChallengeAsk) broker.ChallengeAnswer {
		return broker.ChallengeAnswer{Ask: ask.Ask, Run: ask.Run, Purpose: ask.Purpose, Challenge: [32]byte{9}}
	}
	answer <- good
	got, err := s.server.Challenge(s.within(long), mill, run, broker.PurposeStart)
	if err != nil || got != [32]byte{9} {
		t.Errorf("%x, %v", got, err)
	}
	if ask := <-asked; ask.Run != run || ask.Purpose != broker.PurposeStart || ask.Ask == [16]byte{} {
		t.Errorf("%+v", ask)
	}
	for name, spoil := range map[string]func(*broker.ChallengeAnswer){
		"a problem":       func(a *broker.ChallengeAnswer) { a.Problem = "out of use" },
		"another run":     func(a *broker.ChallengeAnswer) { a.Run = mill },
		"another purpose": func(a *broker.ChallengeAnswer) { a.Purpose = broker.PurposeSetup },
		"no challenge":    func(a *broker.ChallengeAnswer) { a.Challenge = [32]byte{} },
	} {
		answer <- func(ask broker.ChallengeAsk) broker.ChallengeAnswer {
			a := good(ask)
			spoil(&a)
			return a
		}
		if got, err := s.server.Challenge(s.within(long), mill, run, broker.PurposeStart); !errors.Is(err, broker.ErrWorkerSays) || got != [32]byte{} {
			t.Errorf("%s: %x, %v", name, got, err)
		}
		<-asked
	}
	// An old answer, and one that another machine signed, answer nothing.
	answer <- func(ask broker.ChallengeAsk) broker.ChallengeAnswer {
		forged, err := broker.Seal(s.keys[pen], mill, broker.KindChallenge, 1, good(ask))
		if err != nil {
			t.Error(err)
		}
		if err := w.conn.Publish(broker.AskSubject(mill, broker.AskChallenge), forged); err != nil {
			t.Error(err)
		}
		a := good(ask)
		a.Ask[0] ^= 1
		return a
	}
	if got, err := s.server.Challenge(s.within(long), mill, run, broker.PurposeStart); !errors.Is(err, broker.ErrNoWorker) || got != [32]byte{} {
		t.Errorf("old or forged: %x, %v", got, err)
	}
	<-asked
	gone, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := s.server.Challenge(gone, mill, run, broker.PurposeStart); !errors.Is(err, context.Canceled) {
		t.Errorf("caller gone: %v", err)
	}
	answer <- nil // in case the question got out
}

func TestTakenPlanSetupAndReading(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.desk.plan = bytes.Repeat([]byte("stroke "), 100_000)
	s.serve()
	notes := make(chan string, 16)
	note := func(kind string) func([]byte) { return func(data []byte) { notes <- kind + ": " + string(data) } }
	var w worker
	w = s.worker(mill, broker.Handlers{
		Go: note("go"), Permit: note("permit"), Void: note("void"), Resume: note("resume"), Handover: note("handover"), Lockout: note("lockout"),
		Setup: func(c broker.SetupCommand) {
			if err := w.AnswerSetup(broker.SetupResult{Leave: canon.Sum(c.Leave), Number: c.Number, Position: c.By, Homed: true}); err != nil {
				t.Error(err)
			}
		},
	})
	for kind, send := range map[string]func(uuid.UUID, []byte) error{
		"permit": s.server.Permit, "void": s.server.Void, "resume": s.server.Resume, "handover": s.server.Handover, "lockout": s.server.Lockout,
	} {
		if err := send(mill, []byte("signed")); err != nil {
			t.Errorf("%s: %v", kind, err)
		}
		if got := receive(t, notes, kind); got != kind+": signed" {
			t.Errorf("%s: %s", kind, got)
		}
	}
	taken := broker.Taken{Run: report(1).Run, Permit: canon.Sum([]byte("permit")), Challenge: [32]byte{1}}
	if err := w.Taken(taken); err != nil {
		t.Fatal(err)
	}
	if got := receive(t, notes, "go"); got != "go: go "+taken.Permit.String() {
		t.Error(got)
	}
	var plan []byte
	for int64(len(plan)) < int64(len(s.desk.plan)) {
		chunk, err := w.PlanChunk(s.within(long), broker.PlanAsk{Plan: canon.Sum(s.desk.plan), Offset: int64(len(plan)), Length: 1 << 20})
		if err != nil || len(chunk) == 0 || len(chunk) > broker.MaxPlanChunk {
			t.Fatalf("%d bytes, %v", len(chunk), err)
		}
		plan = append(plan, chunk...)
	}
	if !bytes.Equal(plan, s.desk.plan) {
		t.Error("another plan came")
	}
	for _, ask := range []broker.PlanAsk{{Plan: canon.Sum([]byte("other")), Length: 1}, {Plan: canon.Sum(plan), Offset: -1, Length: 1}, {Plan: canon.Sum(plan)}} {
		if _, err := w.PlanChunk(s.within(long), ask); !errors.Is(err, broker.ErrRefused) {
			t.Errorf("%+v: %v", ask, err)
		}
	}
	if state, err := w.State(s.within(long), broker.StateAsk{Process: [16]byte{7}}); err != nil || state.Epoch != [16]byte{7} {
		t.Errorf("%+v, %v", state, err)
	}
	// A worker that only asks is heard by that, and another is not heard by it.
	if at, ok := s.server.Heard(mill); !ok || time.Since(at) > long {
		t.Errorf("the worker that asked was heard at %v, %t", at, ok)
	}
	if _, ok := s.server.Heard(pen); ok {
		t.Error("a worker that does not run was heard")
	}
	result, err := s.server.Setup(s.within(long), mill, broker.SetupCommand{Leave: []byte("leave"), Number: 3, Kind: broker.SetupJog, By: geom.Pt(1000, -2000)})
	if err != nil || result.Position != geom.Pt(1000, -2000) || !result.Homed || result.Number != 3 {
		t.Errorf("%+v, %v", result, err)
	}
	if _, _, ok := s.server.Reading(mill); ok {
		t.Error("a reading before there was one")
	}
	heard := make(chan broker.Reading, 16)
	cancel := s.server.OnReading(func(m uuid.UUID, r broker.Reading) {
		if m == mill {
			heard <- r
		}
	})
	if err := w.Reading(broker.Reading{Stroke: 5, AttendanceS: -1}); err != nil {
		t.Fatal(err)
	}
	if r := receive(t, heard, "reading"); r.Stroke != 5 || r.AttendanceS != -1 {
		t.Errorf("%+v", r)
	}
	if r, at, ok := s.server.Reading(mill); !ok || r.Stroke != 5 || at.IsZero() {
		t.Errorf("%+v at %s", r, at)
	}
	cancel()
}

// One machine whose work hangs in the database holds up no other, and its plan not its go.
func TestSlowWorkHoldsUpNobodyElse(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.desk.plan = []byte("plan")
	s.serve()
	notes := make(chan string, 16)
	millWorker := s.worker(mill, broker.Handlers{})
	penWorker := s.worker(pen, broker.Handlers{Go: func(note []byte) { notes <- string(note) }})
	release := make(chan struct{})
	s.desk.mu.Lock()
	s.desk.slow[mill] = release
	s.desk.mu.Unlock()
	publishReport(t, millWorker, 1)
	for range 100 {
		if err := millWorker.conn.PublishRequest(broker.AskSubject(mill, broker.AskPlan), broker.InboxPrefix(mill)+".x", mustEncode(t, broker.PlanAsk{Length: 1})); err != nil {
			t.Fatal(err)
		}
	}
	if err := millWorker.Taken(broker.Taken{}); err != nil {
		t.Fatal(err)
	}
	publishReport(t, penWorker, 1)
	s.appliedInOrder(pen, 1)
	if _, err := penWorker.PlanChunk(s.within(long), broker.PlanAsk{Plan: canon.Sum(s.desk.plan), Length: 10}); err != nil {
		t.Error(err)
	}
	if err := penWorker.Taken(broker.Taken{Run: report(1).Run}); err != nil {
		t.Fatal(err)
	}
	receive(t, notes, "the pen's go")
	if s.desk.count(mill) != 0 {
		t.Error("the mill was not slow")
	}
	close(release)
	s.appliedInOrder(mill, 1)
}

func mustEncode(t testing.TB, message any) []byte {
	t.Helper()
	data, err := broker.Encode(message)
	if err != nil {
		t.Fatal(err)
	}
	return data
}
