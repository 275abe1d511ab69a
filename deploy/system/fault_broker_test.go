package system_test

import (
	"bytes"
	"context"
	"testing"
	"time"

	"github.com/google/uuid"
	"golang.org/x/mod/sumdb/note"

	"kerfgate/checklist/permit"
	"kerfgate/db"
	"kerfgate/queue/broker"
)

// F3: the broker goes away after the offer and before anybody took it, and again while the run moves.
// The run starts once.
func TestF3_BrokerRestarts(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("waits for a run in real time")
	}
	s := newSite(t)
	thyme, rowan := s.as("thyme"), s.as("rowan")
	s.worker.Kill()
	run := s.submit(thyme, square)
	id := uuid.MustParse(run)
	s.restartBroker()
	s.startWorker()
	toTheGate(rowan, run)
	answerAll(rowan, run, plywoodAnswers())
	rowan.post("/runs/"+run+"/sign", nil)
	rowan.waits("/runs/"+run, "motion", 30*time.Second, func(o object) bool { return o.str("phase") == "running" || o.str("phase") == "purging" })
	s.restartBroker()
	if again := s.toTheEnd(rowan, run); again != 0 {
		t.Errorf("it cost %d further sign-offs", again)
	}
	if n := s.edges(id); n != 1 {
		t.Errorf("energy was first commanded %d times", n)
	}
	if n := len(s.entries("run.burned", id)); n != 1 {
		t.Errorf("%d burns in the logbook", n)
	}
	if _, err := s.store.CheckLog(t.Context()); err != nil {
		t.Error(err)
	}
}

// restartBroker ends the broker and starts it on the same port with the same streams.
func (s *site) restartBroker() {
	s.t.Helper()
	s.stopBroker()
	s.stopBroker = s.startBroker()
}

// entries are the logbook's of one kind about one subject.
func (s *site) entries(kind string, subject uuid.UUID) []db.LogEntry {
	s.t.Helper()
	list, err := s.store.LogEntries(s.t.Context(), db.LogFilter{Before: -1, Limit: 100, Kind: kind, Subject: subject})
	if err != nil {
		s.t.Fatal(err)
	}
	return list
}

// F30: somebody who may publish on every subject hears a permit and its go, sends them again, sends them
// altered and signed with a key of their own, and forges a resume. Nothing moves, nothing goes on, and
// the worker tells of the forged permit (I12).
func TestF30_ForgedStart(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("waits for a run in real time")
	}
	s := newSite(t)
	thyme, rowan := s.as("thyme"), s.as("rowan")
	first, second := s.submit(thyme, square), s.submit(thyme, square)
	conn, err := broker.Dial(broker.Connection{URL: s.broker.URL(), Key: s.keys.Server, Inbox: broker.ServerInboxPrefix, Name: "somebody"})
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	heard := map[string]chan []byte{}
	for _, subject := range []string{broker.PermitSubject(s.machine.ID), broker.GoSubject(s.machine.ID)} {
		c := make(chan []byte, 16)
		heard[subject] = c
		sub, err := conn.SubscribeSync(subject)
		if err != nil {
			t.Fatal(err)
		}
		ctx := t.Context()
		go func() { // ends with the test
			for {
				m, err := sub.NextMsgWithContext(ctx)
				if err != nil {
					return
				}
				c <- m.Data
			}
		}()
	}
	if err := conn.FlushTimeout(10 * time.Second); err != nil {
		t.Fatal(err)
	}
	rowan.waits("/runs/"+second, "its worker to be ready", 30*time.Second, func(o object) bool { return o.at("ready") == true })
	toTheGate(rowan, first)
	answerAll(rowan, first, plywoodAnswers())
	rowan.post("/runs/"+first+"/sign", nil)
	permitNote, goNote := receive(t, heard[broker.PermitSubject(s.machine.ID)]), receive(t, heard[broker.GoSubject(s.machine.ID)])
	s.toTheEnd(rowan, first)
	if n := s.edges(uuid.MustParse(first)); n != 1 {
		t.Fatalf("%d edges before anything was forged", n)
	}

	forger := forge(t)
	original, err := permit.OpenPermit(permitNote, verifiers(t, s.keys.PermitPublic))
	if err != nil {
		t.Fatal(err)
	}
	altered := original
	altered.Run = uuid.MustParse(second)
	forged, err := permit.Sign(forger, altered)
	if err != nil {
		t.Fatal(err)
	}
	forgedGo, err := permit.Sign(forger, permit.Go{Machine: s.machine.ID, Run: altered.Run, Permit: permit.Digest(forged), Challenge: altered.Challenge, Granted: true, Reason: "granted"})
	if err != nil {
		t.Fatal(err)
	}
	forgedResume, err := permit.Sign(forger, permit.Resume{Machine: s.machine.ID, Run: altered.Run, Operator: altered.Operator, PauseToken: [32]byte{1}})
	if err != nil {
		t.Fatal(err)
	}
	retold := bytes.Replace(permitNote, []byte(first), []byte(second), 1) // the server's own signature over another text
	for range 3 {
		for _, m := range []struct {
			subject string
			note    []byte
		}{
			{broker.PermitSubject(s.machine.ID), permitNote}, {broker.GoSubject(s.machine.ID), goNote},
			{broker.PermitSubject(s.machine.ID), forged}, {broker.PermitSubject(s.machine.ID), retold},
			{broker.GoSubject(s.machine.ID), forgedGo}, {broker.ResumeSubject(s.machine.ID), forgedResume},
		} {
			if err := conn.Publish(m.subject, m.note); err != nil {
				t.Fatal(err)
			}
		}
	}
	deadline := time.Now().Add(15 * time.Second)
	for len(s.entries("report.rejected", s.machine.ID)) == 0 {
		if time.Now().After(deadline) {
			t.Fatal("the worker tells nobody of the forged permit")
		}
		time.Sleep(50 * time.Millisecond) // the worker is another process
	}
	// Longer than reset, burn, go and countdown together would take.
	time.Sleep(9 * time.Second)
	for _, run := range []string{first, second} {
		want := map[string]int{first: 1, second: 0}[run]
		if n := s.edges(uuid.MustParse(run)); n != want {
			t.Errorf("%d edges of run %s, want %d", n, run, want)
		}
	}
	if r := rowan.get("/runs/" + second); r.str("phase") != "proposed" {
		t.Errorf("the run that nobody signed is %s", r.str("phase"))
	}
	if r := rowan.get("/runs/" + first); r.str("phase") != "closed" {
		t.Errorf("the closed run is %s", r.str("phase"))
	}
	if _, err := s.store.CheckLog(context.Background()); err != nil {
		t.Error(err)
	}
}

func receive(t *testing.T, c <-chan []byte) []byte {
	t.Helper()
	select {
	case data := <-c:
		return data
	case <-time.After(30 * time.Second):
		t.Fatal("nothing was heard within half a minute")
		return nil
	}
}

// forge is a key of somebody else's under the server's name.
func forge(t *testing.T) note.Signer {
	t.Helper()
	secret, _, err := permit.GenerateKey(permit.KeyName("garden"))
	if err != nil {
		t.Fatal(err)
	}
	signer, err := note.NewSigner(secret)
	if err != nil {
		t.Fatal(err)
	}
	return signer
}

func verifiers(t *testing.T, keys ...string) note.Verifiers {
	t.Helper()
	v, err := permit.Verifiers(keys...)
	if err != nil {
		t.Fatal(err)
	}
	return v
}
