package logbook

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strings"
)

// permitLine is the first line of a permit.
const permitLine = "kerfgate permit v1"

// permit verifies the permit inside a sign-off's entry: its digest, its signature
// and that it is for this run, machine and sign-off (I1).
func (r *rules) permit(e told, id, machine ID) *CheckError {
	signoff, ok := e.digest(FieldSignoff)
	if !ok {
		return broken("I1: run %s is signed without the digest of a sign-off", id)
	}
	digest, ok := e.digest(FieldPermit)
	signed, isText := e.text(FieldNote)
	if !ok || !isText {
		return broken("I1: run %s is signed without a permit", id)
	}
	if sha256.Sum256(signed) != digest {
		return &CheckError{Status: StatusSignature, Reason: fmt.Sprintf("permit of run %s is not the one that its digest names", id)}
	}
	if !e.opened { // a key may have been told since it was examined
		if err := openNote(signed, r.permitKey, r.keys); err != nil {
			return &CheckError{Status: StatusSignature, Reason: fmt.Sprintf("permit of run %s: %v", id, err), err: err}
		}
	}
	text, _ := noteText(signed) // it has opened, so it is a note
	lines := strings.Split(text, "\n")
	if lines[0] != permitLine || !states(lines, "run ", id.String()) ||
		!states(lines, "machine ", machine.String()) || !states(lines, "sign-off ", hex.EncodeToString(signoff[:])) {
		return broken("I1: run %s on machine %s is signed with a permit for something else", id, machine)
	}
	r.permits++
	return nil
}

// states reports whether exactly one line begins with label, and goes on with value.
func states(lines []string, label, value string) bool {
	n, same := 0, false
	for _, line := range lines {
		if got, ok := strings.CutPrefix(line, label); ok {
			n++
			same = got == value
		}
	}
	return n == 1 && same
}
