package worker

import (
	"errors"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"golang.org/x/mod/sumdb/note"

	"kerfgate/checklist/permit"
	"kerfgate/plan/canon"
	"kerfgate/queue/broker"
)

// newServerKey is another key of the server's, with its verifier key.
func newServerKey(t *testing.T, name string) (note.Signer, string) {
	t.Helper()
	secret, public, err := permit.GenerateKey(name)
	if err != nil {
		t.Fatal(err)
	}
	signer, err := note.NewSigner(secret)
	if err != nil {
		t.Fatal(err)
	}
	return signer, public
}

// succession signs the chain of the keys, each named by the one before it.
func succession(t *testing.T, first note.Signer, signers []note.Signer, publics []string) [][]byte {
	t.Helper()
	var chain [][]byte
	for i, public := range publics {
		by := first
		if i > 0 {
			by = signers[i-1]
		}
		msg, err := permit.SignSuccessor(by, permit.Successor{Number: int64(i + 1), Public: public})
		if err != nil {
			t.Fatal(err)
		}
		chain = append(chain, msg)
	}
	return chain
}

func (s *shop) hears(successors ...[]byte) {
	s.mu.Lock()
	s.state.Successors = successors
	s.mu.Unlock()
	s.w.Wake()
	synctest.Wait()
}

// I12: a worker follows the permit key over any number of replacements and refuses what the old ones
// sign from then on; where the pin cannot be kept, or the old key did not sign, it stays with what it has.
func TestI12_FollowsThePermitKey(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		s := newShop(t)
		var pinned []string
		var full error
		s.tweak = func(c *Config) {
			c.Pin = func(name, public string) error {
				if full != nil {
					return full
				}
				pinned = append(pinned, name+" "+public)
				return nil
			}
		}
		s.opens()
		defer func() { s.closes() }()
		run := s.runID(1)
		s.prepares(run)
		first := s.signer
		second, secondPublic := newServerKey(t, first.Name())
		third, thirdPublic := newServerKey(t, first.Name())
		chain := succession(t, first, []note.Signer{second, third}, []string{secondPublic, thirdPublic})
		starts := func(by note.Signer) bool {
			t.Helper()
			before := s.takenCount()
			answer := s.asks(run, broker.PurposeStart)
			if answer.Problem != "" {
				t.Fatal(answer.Problem)
			}
			msg, err := permit.Sign(by, s.permitFor(run, answer.Challenge))
			if err != nil {
				t.Fatal(err)
			}
			s.handlers.Permit(msg)
			synctest.Wait()
			return s.takenCount() > before
		}

		stranger, strangerPublic := newServerKey(t, first.Name())
		forged := succession(t, stranger, []note.Signer{second}, []string{secondPublic})
		s.hears(append(forged, chain[1])...) // somebody else's word, and a chain without its first link
		if len(pinned) != 0 || starts(stranger) || starts(second) || starts(third) {
			t.Fatalf("pinned %q on nobody's word", pinned)
		}
		full = errors.New("no space left on device")
		s.hears(chain...)
		if starts(third) {
			t.Fatal("a key that is not kept is followed")
		}
		full = nil
		s.hears(chain...)
		if want := []string{"permit " + secondPublic, "permit " + thirdPublic}; !slices.Equal(pinned, want) {
			t.Fatalf("pinned %q, want %q", pinned, want)
		}
		s.hears(chain...)
		s.hears(append(chain, succession(t, first, []note.Signer{stranger}, []string{strangerPublic})...)...)
		if len(pinned) != 2 {
			t.Fatalf("pinned again: %q", pinned)
		}
		time.Sleep(11 * time.Second) // unsigned permits are reported once in a while
		if starts(first) || starts(second) {
			t.Fatal("a permit by an old key was taken")
		}
		if !starts(third) {
			t.Fatalf("the new key's permit was not taken; %v", s.told())
		}
	})
}

// The kept head was signed by the old log key; the next one, by the new key, must follow from it all
// the same, and a head by the old key counts no more.
func TestWorkerFollowsTheLogKey(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		log := newServerLog(t)
		s := newShop(t)
		s.tweak = func(c *Config) {
			c.LogKeys = log.keys
			c.Pin = func(name, _ string) error {
				if name != PinLog {
					t.Errorf("pinned %s", name)
				}
				return nil
			}
		}
		s.opens()
		defer func() { s.closes() }()
		s.prepares(s.runID(1))
		log.grow("a", "b", "c")
		log.tells(s, 0)
		s.mayStart("")
		old := log.signer
		next, nextPublic := newServerKey(t, old.Name())
		log.grow("d")
		log.signer = next
		log.tells(s, 3)
		s.mayStart(phraseDoubt) // nobody has said yet that this is the log key
		s.hears(succession(t, old, []note.Signer{next}, []string{nextPublic})...)
		log.tells(s, 3)
		s.mayStart("")
		if got := s.w.view.Load().headFrom; got != 4 {
			t.Fatalf("the head of size %d is kept, want 4", got)
		}
		log.grow("e")
		log.signer = old
		log.tells(s, 4)
		s.mayStart(phraseDoubt)
		log.signer = next
		changed := newServerLog(t)
		changed.signer = next
		changed.grow("a", "x", "c", "d", "e")
		changed.tells(s, 4)
		s.mayStart(phraseDoubt)
		log.tells(s, 4)
		s.mayStart("")
	})
}

// A pause that comes over the broker switches the tool off; a hand-over that was missed is heard with
// the state, and from then on only the next operator's taps count.
func TestI9_PauseAndHandOverByTheServer(t *testing.T) {
	t.Parallel()
	bubble(t, func(t *testing.T, s *shop) {
		run := s.runID(1)
		firstBeam(t, s)
		s.handlers.Pause(broker.Pause{})
		synctest.Wait()
		if s.fake().isOn() {
			t.Fatal("beam on after a pause")
		}
		s.wantReport(run, broker.ReportPaused, phrasePerson)
		token := []byte("the next operator's token")
		msg := sign(s, permit.Handover{Machine: s.machine, Run: run, Permit: s.last(run).Permit, Number: 1,
			Operator: s.runID(9), Attendance: canon.Sum(token)})
		s.mu.Lock()
		s.state.Handover = msg
		s.mu.Unlock()
		s.w.Wake()
		synctest.Wait()
		if taken, _ := s.w.Attend(t.Context(), token); !taken {
			t.Fatal("the next operator's tap does not count")
		}
		if taken, _ := s.w.Attend(t.Context(), []byte("token")); taken {
			t.Fatal("a tap of the operator before counts")
		}
	})
}
