package broker_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nats.go/jetstream"

	"kerfgate/queue/broker"
)

func offerOf(m uuid.UUID, n byte) broker.Offer {
	return broker.Offer{Epoch: [16]byte{1}, Machine: m, Run: uuid.UUID{0: 1, 6: 0x70, 8: 0x80, 15: n}, Revision: 1, PlanSize: 10}
}

// taker takes offers and remembers them.
type taker struct {
	mu     sync.Mutex
	took   []broker.Offer
	refuse int // offers still to refuse
	c      chan broker.Offer
}

func newTaker() *taker { return &taker{c: make(chan broker.Offer, 4096)} }

func (k *taker) take(_ context.Context, o broker.Offer) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.took = append(k.took, o)
	k.c <- o
	if k.refuse > 0 {
		k.refuse--
		return errors.New("disk full")
	}
	return nil
}

// F9: what was committed while no server ran is offered after the start; a nudge brings the next
// at once; the follower moves on; wake and lockout reach the machine concerned only, and a wake only where there is
// more to ask for than was told.
func TestFollowerOffers(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.desk.offer(offerOf(mill, 1))
	s.serve()
	millTaker, penTaker := newTaker(), newTaker()
	wakes, lockouts := make(chan string, 64), make(chan string, 64)
	s.worker(mill, broker.Handlers{Offer: millTaker.take, Wake: func() { wakes <- "mill" }, Lockout: func(note []byte) { lockouts <- string(note) }})
	s.worker(pen, broker.Handlers{Offer: penTaker.take, Wake: func() { wakes <- "pen" }, Lockout: func(note []byte) { lockouts <- "pen" }})
	if o := receive(t, millTaker.c, "offer of before"); o != offerOf(mill, 1) {
		t.Errorf("%+v", o)
	}
	s.until("the follower has moved", func() bool { s.desk.mu.Lock(); defer s.desk.mu.Unlock(); return s.desk.next == 1 })
	for len(millTaker.c)+len(wakes) > 0 { // the first offer may come twice: at start and by its entry
		select {
		case <-millTaker.c:
		case <-wakes:
		}
	}

	s.desk.offer(offerOf(mill, 2))
	began := time.Now()
	s.server.Nudge()
	for receive(t, millTaker.c, "second offer") != offerOf(mill, 2) {
	}
	if waited := time.Since(began); waited > 4*time.Second {
		t.Errorf("%s after a nudge: that was the poll", waited)
	}
	s.until("the follower has moved again", func() bool { s.desk.mu.Lock(); defer s.desk.mu.Unlock(); return s.desk.next == 2 })
	if len(wakes) != 0 {
		t.Error("a wake where all was told")
	}
	s.desk.lockOut(mill, "locked")
	s.server.Nudge()
	if got := receive(t, lockouts, "lockout"); got != "locked" {
		t.Error(got)
	}
	if got := receive(t, wakes, "wake"); got != "mill" {
		t.Error(got)
	}
	s.desk.offer(offerOf(mill, 3)) // without a nudge: the poll; one more than a machine prepares
	for receive(t, millTaker.c, "third offer") != offerOf(mill, 3) {
	}
	if receive(t, wakes, "wake") != "mill" || len(lockouts) != 0 || len(penTaker.c) != 0 {
		t.Error("the pen was told of the mill, or the same lockout twice")
	}
}

// F1, F2: an offer that was not taken comes again, to the same worker or to its next start.
func TestOfferComesAgain(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.desk.offer(offerOf(mill, 1))
	s.serve()
	k := newTaker()
	k.refuse = 1
	first := s.worker(mill, broker.Handlers{Offer: k.take})
	receive(t, k.c, "offer")
	receive(t, k.c, "offer again")
	js, err := jetstream.New(s.admin())
	if err != nil {
		t.Fatal(err)
	}
	s.until("taken offers are gone", func() bool {
		stream, err := js.Stream(s.within(long), broker.OfferStream)
		return err == nil && stream.CachedInfo().State.Msgs == 0
	})
	first.quit()
	s.desk.offer(offerOf(mill, 2))
	s.server.Nudge()
	again := newTaker()
	s.worker(mill, broker.Handlers{Offer: again.take})
	if o := receive(t, again.c, "offer after a restart"); o != offerOf(mill, 2) {
		t.Errorf("%+v", o)
	}
}

// F4: both streams are deleted while runs wait. They are made anew, every waiting run is offered
// again and reports pass.
func TestStreamsLost(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	const runs = 5
	for n := range byte(runs) {
		s.desk.offer(offerOf(mill, n+1))
	}
	s.serve()
	k := newTaker()
	w := s.worker(mill, broker.Handlers{Offer: k.take})
	js, err := jetstream.New(s.admin())
	if err != nil {
		t.Fatal(err)
	}
	all := func() {
		t.Helper()
		missing := map[uuid.UUID]bool{}
		for n := range byte(runs) {
			missing[offerOf(mill, n+1).Run] = true
		}
		for len(missing) > 0 {
			delete(missing, receive(t, k.c, "every offer").Run)
		}
	}
	all()
	publishReport(t, w, 1)
	s.appliedInOrder(mill, 1)
	s.until("the follower has moved", func() bool { s.desk.mu.Lock(); defer s.desk.mu.Unlock(); return s.desk.next == runs })
	s.until("taken offers are gone", func() bool {
		stream, err := js.Stream(s.within(long), broker.OfferStream)
		return err == nil && stream.CachedInfo().State.Msgs == 0
	})
	for len(k.c) > 0 {
		<-k.c
	}
	for _, name := range []string{broker.OfferStream, broker.ReportStream} {
		if err := js.DeleteStream(s.within(long), name); err != nil {
			t.Fatal(err)
		}
	}
	all()
	publishReport(t, w, 2)
	s.appliedInOrder(mill, 2)
	if s.server.Counts().Recreated < 1 {
		t.Error("not counted")
	}
	// A single lost consumer comes back too.
	if err := js.DeleteConsumer(s.within(long), broker.OfferStream, broker.Token(mill)); err != nil {
		t.Fatal(err)
	}
	if err := js.DeleteConsumer(s.within(long), broker.ReportStream, broker.Token(mill)); err != nil {
		t.Fatal(err)
	}
	for len(k.c) > 0 {
		<-k.c
	}
	s.desk.offer(offerOf(mill, 77))
	s.server.Nudge()
	for receive(t, k.c, "offer after a lost consumer") != offerOf(mill, 77) {
	}
	publishReport(t, w, 3)
	s.appliedInOrder(mill, 3)
}

// A machine that nobody switches on fills its part of the stream; the others get their offers.
func TestAwayMachineHoldsUpNobody(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	for i := range 300 {
		o := offerOf(mill, byte(i))
		o.Revision = int64(i)
		s.desk.offer(o)
	}
	s.desk.offer(offerOf(pen, 1))
	s.serve()
	k := newTaker()
	s.worker(pen, broker.Handlers{Offer: k.take})
	receive(t, k.c, "the pen's offer")
	s.until("the follower is through", func() bool { s.desk.mu.Lock(); defer s.desk.mu.Unlock(); return s.desk.next == 301 })
	js, err := jetstream.New(s.admin())
	if err != nil {
		t.Fatal(err)
	}
	stream, err := js.Stream(s.within(long), broker.OfferStream)
	if err != nil {
		t.Fatal(err)
	}
	last, err := stream.GetLastMsgForSubject(s.within(long), broker.OfferSubject(mill))
	if err != nil {
		t.Fatal(err)
	}
	newest := s.desk.offers[299]
	if want := mustEncode(t, newest); !slices.Equal(last.Data, want) {
		t.Error("the newest offer is not in the stream")
	}
}

// I5: a stop has its own connection, works when unreadable, and reaches every worker.
func TestStop(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.serve()
	stops := make(chan string, 64)
	hang := make(chan struct{})
	defer close(hang)
	handlers := func(name string) broker.Handlers {
		return broker.Handlers{
			Stop:   func(stop broker.Stop) { stops <- name + ": " + stop.Reason },
			Permit: func([]byte) { <-hang },
		}
	}
	w := s.worker(mill, handlers("mill"))
	s.worker(pen, handlers("pen"))
	// The worker's other connection is stuck full of messages.
	for range 1000 {
		if err := s.server.Permit(mill, make([]byte, 64)); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.server.Stop(mill, broker.Stop{Reason: "smoke"}); err != nil {
		t.Fatal(err)
	}
	if got := receive(t, stops, "stop"); got != "mill: smoke" {
		t.Error(got)
	}
	if err := s.server.StopAll(broker.Stop{Reason: "alarm"}); err != nil {
		t.Fatal(err)
	}
	both := []string{receive(t, stops, "stop all"), receive(t, stops, "stop all")}
	slices.Sort(both)
	if !slices.Equal(both, []string{"mill: alarm", "pen: alarm"}) {
		t.Error(both)
	}
	admin := s.admin()
	for _, data := range [][]byte{nil, []byte("junk")} {
		if err := admin.Publish(broker.StopSubject(mill), data); err != nil {
			t.Fatal(err)
		}
		if got := receive(t, stops, "unreadable stop"); got != "mill: unreadable stop" {
			t.Error(got)
		}
	}
	w.conn.Close()
	if err := s.server.Stop(mill, broker.Stop{Reason: "again"}); err != nil {
		t.Fatal(err)
	}
	if got := receive(t, stops, "stop on its own connection"); got != "mill: again" {
		t.Error(got)
	}
}

// B3: without a broker everything fails at once, and nothing said meanwhile arrives later.
func TestNothingIsKeptForLater(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.serve()
	got := make(chan string, 64)
	hear := func(kind string) func([]byte) { return func(note []byte) { got <- kind + " " + string(note) } }
	w := s.worker(mill, broker.Handlers{Permit: hear("permit"), Resume: hear("resume"), Void: hear("void"), Stop: func(s broker.Stop) { got <- "stop " + s.Reason }})
	s.stop()
	s.until("both sides have noticed", func() bool { return !w.conn.IsConnected() && s.server.Permit(mill, nil) != nil })
	began := time.Now()
	_, challenge := s.server.Challenge(s.within(long), mill, uuid.UUID{1}, broker.PurposeStart)
	_, setup := s.server.Setup(s.within(long), mill, broker.SetupCommand{Number: 1})
	_, state := w.State(s.within(long), broker.StateAsk{})
	_, chunk := w.PlanChunk(s.within(long), broker.PlanAsk{Length: 1})
	for what, err := range map[string]error{
		"permit": s.server.Permit(mill, []byte("old")), "resume": s.server.Resume(mill, []byte("old")), "void": s.server.Void(mill, []byte("old")),
		"stop": s.server.Stop(mill, broker.Stop{Reason: "old"}), "stop all": s.server.StopAll(broker.Stop{Reason: "old"}),
		"challenge": challenge, "setup": setup, "state": state, "plan": chunk,
		"report": w.Report(s.within(long), report(1)), "taken": w.Taken(broker.Taken{}), "reading": w.Reading(broker.Reading{}),
		"answer": w.AnswerChallenge(broker.ChallengeAnswer{}), "set-up": w.AnswerSetup(broker.SetupResult{}),
	} {
		if !errors.Is(err, broker.ErrNoBroker) {
			t.Errorf("%s: %v", what, err)
		}
	}
	if waited := time.Since(began); waited > 2*time.Second {
		t.Errorf("saying no took %s", waited)
	}
	s.startBroker()
	s.until("back", func() bool {
		_, err := w.State(s.within(time.Second), broker.StateAsk{})
		return err == nil && s.server.Permit(mill, []byte("new")) == nil
	})
	for {
		m := receive(t, got, "the new permit")
		if m == "permit new" {
			break
		}
		t.Errorf("%s arrived late", m)
	}
	if n := s.desk.count(mill); n != 0 {
		t.Errorf("%d reports arrived late", n)
	}
}

// A worker enrolled or replaced while the server runs is served after the next entry.
func TestEnrolmentWhileRunning(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	third := uuid.MustParse("01890000-0000-7000-8000-0000000000a3")
	key, public := newKey(t)
	s.keys[third] = key
	s.serve()
	workers := map[uuid.UUID]string{third: public}
	for m, key := range s.config.Workers {
		workers[m] = key
	}
	s.stop()
	s.config.Workers = workers
	s.startBroker()
	s.desk.mu.Lock()
	s.desk.keys = workers
	s.desk.mu.Unlock()
	s.desk.offer(offerOf(third, 1))
	s.server.Nudge()
	k := newTaker()
	w := s.worker(third, broker.Handlers{Offer: k.take})
	receive(t, k.c, "offer")
	publishReport(t, w, 1)
	s.appliedInOrder(third, 1)
	// With another key in the database the old one says nothing any more.
	_, other := newKey(t)
	s.desk.mu.Lock()
	s.desk.keys = map[uuid.UUID]string{third: other}
	s.desk.mu.Unlock()
	s.desk.offer(offerOf(third, 2))
	s.server.Nudge()
	s.until("the old key's messages are refused", func() bool {
		before := s.server.Counts().Invalid
		if err := w.Taken(broker.Taken{}); err != nil {
			t.Fatal(err)
		}
		return s.server.Counts().Invalid > before
	})
	publishReport(t, w, 2)
	s.until("the report is thrown away", func() bool { return s.desk.count(third) == 1 && s.server.Counts().Invalid >= 2 })
}

// A worker that is enrolled anew while its reports wait: those are thrown away with the key that signed
// them, and what it sends again out of its journal is no duplicate of them.
func TestReportsAfterANewKey(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.desk.failures = 1 << 30
	end := s.serve()
	old := s.worker(mill, broker.Handlers{})
	publishReport(t, old, 1)
	publishReport(t, old, 2)
	s.until("a report that is not applied", func() bool { s.desk.mu.Lock(); defer s.desk.mu.Unlock(); return s.desk.calls > 0 })
	end()
	old.quit()
	key, public := newKey(t)
	s.keys[mill] = key
	s.config.Workers = map[uuid.UUID]string{mill: public, pen: s.config.Workers[pen]}
	s.stop()
	s.startBroker()
	s.desk.mu.Lock()
	s.desk.keys, s.desk.failures = s.config.Workers, 0
	s.desk.mu.Unlock()
	s.serve()
	s.until("the old key's reports to be thrown away", func() bool { return s.server.Counts().Invalid >= 2 })
	anew := s.worker(mill, broker.Handlers{})
	publishReport(t, anew, 1)
	publishReport(t, anew, 2)
	s.appliedInOrder(mill, 2)
}

func BenchmarkReports(b *testing.B) {
	s := newSite(b)
	s.serve()
	w := s.worker(mill, broker.Handlers{})
	n := int64(0)
	for b.Loop() {
		n++
		if err := w.Report(s.within(long), report(n)); err != nil {
			b.Fatal(err)
		}
	}
	s.until(fmt.Sprintf("%d applied", n), func() bool { return s.desk.count(mill) == int(n) })
}
