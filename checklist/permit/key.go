package permit

import (
	"crypto/rand"
	"errors"
	"fmt"
	"strings"

	"golang.org/x/mod/sumdb/note"
)

// keySuffix ends the name of every key that signs statements, so that a key made for something
// else, such as the logbook's, cannot.
const keySuffix = "/permit"

// ErrKey is the error of a key that is no permit key.
var ErrKey = errors.New("not a permit key")

// KeyName is the name of a site's permit key.
func KeyName(site string) string { return site + keySuffix }

// GenerateKey makes an Ed25519 key pair for notes under a name such as "garden/permit". The secret
// half goes into a file of mode 0600, the public half to workers and checkers. Errors wrap ErrKey.
func GenerateKey(name string) (secret, public string, err error) {
	site, of, ok := strings.Cut(name, "/")
	if !ok || site == "" || of == "" || strings.ContainsAny(name, "+ \t\r\n") {
		return "", "", fmt.Errorf("%w: name %.80q", ErrKey, name)
	}
	return note.GenerateKey(rand.Reader, name)
}

// Verifiers makes the set of keys that a worker accepts: one, or two of the same name while a key
// is being replaced. Errors wrap ErrKey.
func Verifiers(public ...string) (note.Verifiers, error) {
	if len(public) < 1 || len(public) > 2 {
		return nil, fmt.Errorf("%w: %d keys, want one or two", ErrKey, len(public))
	}
	var list []note.Verifier
	for _, text := range public {
		v, err := note.NewVerifier(text)
		if err != nil {
			return nil, fmt.Errorf("%w: %w", ErrKey, err)
		}
		if !strings.HasSuffix(v.Name(), keySuffix) || v.Name() == keySuffix {
			return nil, fmt.Errorf("%w: name %.80q", ErrKey, v.Name())
		}
		if len(list) == 1 {
			if list[0].Name() != v.Name() {
				return nil, fmt.Errorf("%w: two sites, %.80q and %.80q", ErrKey, list[0].Name(), v.Name())
			}
			if list[0].KeyHash() == v.KeyHash() {
				return nil, fmt.Errorf("%w: the same key twice", ErrKey)
			}
		}
		list = append(list, v)
	}
	return note.VerifierList(list...), nil
}
