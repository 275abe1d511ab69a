package permit

import (
	"encoding/base64"
	"errors"
	"fmt"
	"math"
	"strings"

	"golang.org/x/mod/sumdb/note"
)

// logSuffix ends the name of the key that signs the logbook's heads.
const logSuffix = "/logbook"

// Successor says which key follows the one that signs it: the permit key or the log key of a site
// is replaced. Whoever pinned the old key may pin the new one, and no other; so the statements of a
// site are a chain that a worker follows link by link, however long it was away.
type Successor struct {
	Number int64  // of the replacement of this kind of key, from 1
	Public string // verifier key, of the same name as the one that signs
}

func (s *Successor) kind() string { return "successor" }

func (s *Successor) lines() []line {
	return []line{
		{"number", number{&s.Number, 1, math.MaxInt64}},
		{"public", verifierKey{&s.Public}},
	}
}

// verifierKey is the public half of a permit key or a log key, in its one spelling.
type verifierKey struct{ v *string }

func (k verifierKey) text() (string, error) {
	v, err := note.NewVerifier(*k.v)
	if err != nil {
		return "", err
	}
	if !replaceable(v.Name()) {
		return "", fmt.Errorf("key %.80q is neither a permit key nor a log key", v.Name())
	}
	// Base64 has spare bits that a lenient reader overlooks.
	_, rest, _ := strings.Cut(*k.v, "+")
	hash, key, _ := strings.Cut(rest, "+")
	raw, err := base64.StdEncoding.Strict().DecodeString(key)
	if err != nil || hash != fmt.Sprintf("%08x", v.KeyHash()) || base64.StdEncoding.EncodeToString(raw) != key {
		return "", errors.New("not in its one spelling")
	}
	return *k.v, nil
}

func (k verifierKey) read(text string) error {
	*k.v = text
	return nil
}

func replaceable(name string) bool {
	return strings.HasSuffix(name, keySuffix) && name != keySuffix || strings.HasSuffix(name, logSuffix) && name != logSuffix
}

// SignSuccessor signs a successor with the key that it follows. Errors wrap ErrForm.
func SignSuccessor(old note.Signer, s Successor) ([]byte, error) {
	if v, err := note.NewVerifier(s.Public); err != nil || v.Name() != old.Name() {
		return nil, fmt.Errorf("%w: a key is followed by one of the same name, %q", ErrForm, old.Name())
	} else if v.KeyHash() == old.KeyHash() {
		return nil, fmt.Errorf("%w: a key cannot follow itself", ErrForm)
	}
	return sign(old, &s)
}

// OpenSuccessor reads a successor that one of the pinned keys signed. Errors wrap ErrForm,
// ErrSignature or ErrWrongStatement.
func OpenSuccessor(msg []byte, pinned note.Verifiers) (Successor, error) {
	var s Successor
	text, old, err := verified(msg, pinned, replaceable)
	if err != nil {
		return Successor{}, err
	}
	if err := read(text, &s); err != nil {
		return Successor{}, err
	}
	if v, err := note.NewVerifier(s.Public); err != nil || v.Name() != old.Name || v.KeyHash() == old.Hash {
		return Successor{}, fmt.Errorf("%w: follows a key of another name, or itself", ErrForm)
	}
	return s, nil
}
