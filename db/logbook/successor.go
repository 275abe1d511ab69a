package logbook

import (
	"errors"
	"fmt"
	"strings"
	"sync/atomic"

	"golang.org/x/mod/sumdb/note"
)

// successorLine is the first line of the statement by which a key names the one that follows it.
const successorLine = "kerfgate successor v1"

// trust is the keys that a check goes by: those of its caller, and what follows them by the log.
// One goroutine adds, any number look up.
type trust struct {
	given note.Verifiers
	added atomic.Pointer[[]note.Verifier]
}

// Verifier answers the key of that name and hash, as note.Verifiers.
func (t *trust) Verifier(name string, hash uint32) (note.Verifier, error) {
	v, err := t.given.Verifier(name, hash)
	var unknown *note.UnknownVerifierError
	if added := t.added.Load(); added != nil && errors.As(err, &unknown) {
		for _, a := range *added {
			if a.Name() == name && a.KeyHash() == hash {
				return a, nil
			}
		}
	}
	return v, err
}

// add makes a key known from here on; false if it was.
func (t *trust) add(v note.Verifier) bool {
	if _, err := t.Verifier(v.Name(), v.KeyHash()); err == nil {
		return false
	}
	var list []note.Verifier
	if added := t.added.Load(); added != nil {
		list = append(list, *added...)
	}
	list = append(list, v)
	t.added.Store(&list)
	return true
}

// follow takes the statement that a key of the site was replaced: it must be signed by the key that
// the entry names as the one before. Where that one is trusted, its successor is from here on; where
// it is not, nothing follows from the statement. The old key stays good: what it signed lies before,
// but for a head or a permit that was under way when it was replaced.
func (r *rules) follow(e told) *CheckError {
	bad := func(err error) *CheckError {
		return &CheckError{Status: StatusSignature, Reason: fmt.Sprintf("statement that a key was replaced: %v", err), err: err}
	}
	name, _ := e.text("before")
	before, err := ParseVerifierKey(string(name))
	if err != nil {
		return bad(err)
	}
	name, _ = e.text("after")
	after, err := ParseVerifierKey(string(name))
	if err != nil {
		return bad(err)
	}
	if before.Name() != r.permitKey && before.Name() != r.logKey || after.Name() != before.Name() || after.KeyHash() == before.KeyHash() {
		return bad(fmt.Errorf("%s does not follow %s", after.Name(), before.Name()))
	}
	signed, _ := e.text(FieldNote)
	if err := openNote(signed, before.Name(), note.VerifierList(before)); err != nil {
		return bad(err)
	}
	text, _ := noteText(signed) // it has opened, so it is a note
	lines := strings.Split(text, "\n")
	if lines[0] != successorLine || !states(lines, "public ", string(name)) {
		return bad(errors.New("it names another key"))
	}
	if openNote(signed, before.Name(), r.keys) == nil && r.keys.add(after) {
		r.followed++
	}
	return nil
}
