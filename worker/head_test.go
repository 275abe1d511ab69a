package worker

import (
	"crypto/rand"
	"testing"
	"testing/synctest"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"

	"kerfgate/db/logbook"
)

// serverLog is a server's logbook as its heads and proofs show it.
type serverLog struct {
	t      *testing.T
	signer note.Signer
	keys   note.Verifiers
	epoch  [16]byte
	tree   logbook.Tree
	hashes map[int64]tlog.Hash
}

func newServerLog(t *testing.T) *serverLog {
	t.Helper()
	secret, public, err := note.GenerateKey(rand.Reader, logbook.LogKeyName("garden"))
	if err != nil {
		t.Fatal(err)
	}
	signer, err := note.NewSigner(secret)
	if err != nil {
		t.Fatal(err)
	}
	verifier, err := note.NewVerifier(public)
	if err != nil {
		t.Fatal(err)
	}
	return &serverLog{t: t, signer: signer, keys: note.VerifierList(verifier), hashes: map[int64]tlog.Hash{}}
}

// ReadHashes is tlog.HashReader.
func (l *serverLog) ReadHashes(at []int64) ([]tlog.Hash, error) {
	out := make([]tlog.Hash, len(at))
	for i, n := range at {
		out[i] = l.hashes[n]
	}
	return out, nil
}

func (l *serverLog) grow(entries ...string) {
	for _, e := range entries {
		_, stored := l.tree.Append([]byte(e))
		for _, h := range stored {
			l.hashes[h.Index] = h.Hash
		}
	}
}

// tells makes a state of the shop's server carry the log's head and the proof that was asked for.
func (l *serverLog) tells(s *shop, from int64) {
	l.t.Helper()
	signed, err := logbook.SignHead(logbook.Head{Origin: logbook.Origin("garden", l.epoch), Size: l.tree.Size, Root: l.tree.Root()}, l.signer)
	if err != nil {
		l.t.Fatal(err)
	}
	var proof [][32]byte
	if hashes, err := logbook.ProveConsistency(from, l.tree.Size, l); err == nil {
		for _, h := range hashes {
			proof = append(proof, h)
		}
	}
	s.mu.Lock()
	s.state.Head, s.state.HeadFrom, s.state.HeadProof = signed, from, proof
	s.mu.Unlock()
	s.w.Wake()
	synctest.Wait()
}

// A worker is a witness of the logbook: it keeps the newest head, over restarts too, and starts
// nothing for a server whose log does not follow from it, until the server proves that it does or
// another epoch is accepted at the machine.
func TestWorkerKeepsTheHead(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		log := newServerLog(t)
		s := newShop(t)
		s.tweak = func(c *Config) { c.LogKeys = log.keys }
		s.opens()
		defer func() { s.closes() }()
		s.prepares(s.runID(1))
		log.grow("a", "b", "c")
		log.tells(s, 0)
		s.mayStart("")
		log.grow("d", "e")
		log.tells(s, 3)
		s.mayStart("")
		if got := s.w.view.Load().headFrom; got != 5 {
			t.Fatalf("the head of size %d is kept, want 5", got)
		}
		s.closes()
		s.opens()
		if got := s.w.view.Load().headFrom; got != 5 {
			t.Fatalf("after a restart the head of size %d is kept, want 5", got)
		}
		changed := newServerLog(t)
		changed.signer, changed.keys = log.signer, log.keys
		changed.grow("a", "x", "c", "d", "e", "f")
		changed.tells(s, 5)
		s.mayStart(phraseDoubt)
		shorter := newServerLog(t)
		shorter.signer, shorter.keys = log.signer, log.keys
		shorter.grow("a", "b")
		shorter.tells(s, 5)
		s.mayStart(phraseDoubt)
		log.tells(s, 5)
		s.mayStart("")
		forged := newServerLog(t)
		forged.grow("a", "b", "c", "d", "e", "f")
		forged.tells(s, 5)
		s.mayStart(phraseDoubt)

		// The server was restored: a shorter log under another epoch and origin, accepted by hand.
		s.closes()
		s.epoch = [16]byte{42}
		if _, err := AcceptEpoch(s.folder, s.epoch); err != nil {
			t.Fatal(err)
		}
		s.mu.Lock()
		s.state.Epoch, s.state.Head = s.epoch, nil
		s.mu.Unlock()
		s.opens()
		s.prepares(s.runID(1))
		shorter.epoch = s.epoch
		shorter.tells(s, 0)
		s.mayStart("")
	})
}
