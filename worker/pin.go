package worker

import (
	"sync"

	"golang.org/x/mod/sumdb/note"

	"kerfgate/checklist/permit"
)

// Names of the pinned keys; see Config.Pin.
const (
	PinPermit = "permit"
	PinLog    = "logbook"
)

// pins are the keys that this worker trusts. Only the holder of a pinned key can have another one
// pinned in its place, and the old one is refused from then on.
type pins struct {
	mu     sync.RWMutex
	permit note.Verifiers
	log    note.Verifiers // nil: none is pinned
}

func (p *pins) set(permit, log note.Verifiers) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.permit, p.log = permit, log
}

func (p *pins) get() (permit, log note.Verifiers) {
	p.mu.RLock()
	defer p.mu.RUnlock()
	return p.permit, p.log
}

func (p *pins) serverKeys() note.Verifiers {
	permit, _ := p.get()
	return permit
}

// followKeys follows the chain of replacements from the pinned keys on. What continues from no pinned
// key is passed over: it is older, or nobody here has reason to believe it. It is called by one
// goroutine.
func (w *Worker) followKeys(successors [][]byte) {
	if w.cfg.Pin == nil {
		return
	}
	for _, msg := range successors {
		permitKeys, logKeys := w.pins.get()
		name := PinPermit
		s, err := permit.OpenSuccessor(msg, permitKeys)
		if err != nil && logKeys != nil {
			name = PinLog
			s, err = permit.OpenSuccessor(msg, logKeys)
		}
		if err != nil {
			continue
		}
		next, err := note.NewVerifier(s.Public)
		if err == nil {
			err = w.cfg.Pin(name, s.Public)
		}
		if err != nil {
			w.cfg.Log.Error("a replaced key is not pinned", "key", name, "error", err)
			return // the next look at the server's state tries again
		}
		w.cfg.Log.Warn("a key of the server was replaced", "key", name, "number", s.Number, "public", s.Public)
		if name == PinPermit {
			permitKeys = note.VerifierList(next)
		} else {
			logKeys = note.VerifierList(next)
			w.inbox.post(evLogKeys{keys: logKeys})
		}
		w.pins.set(permitKeys, logKeys)
	}
}
