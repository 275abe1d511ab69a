// Package enrol is what a worker's host or a station needs to join a site: a one-time code, and the
// site's keys that the code vouches for.
package enrol

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/base32"
	"errors"
	"strings"
)

const (
	secretBytes = 10 // 80 bits: guessing is hopeless within the minutes that a code holds
	trustBytes  = 16
	group       = 4 // letters between two hyphens
)

// ErrCode is the error of what is no enrolment code.
var ErrCode = errors.New("that is no enrolment code")

// Secret is the part of a code that is shown to the server, once.
type Secret [secretBytes]byte

// NewSecret makes a random one.
func NewSecret() (s Secret) {
	_, _ = rand.Read(s[:]) // never fails: crypto/rand ends the program instead
	return s
}

// Hash is what is kept of a secret.
func (s Secret) Hash() [sha256.Size]byte {
	return sha256.Sum256(append([]byte("kerfgate enrolment code v1\n"), s[:]...))
}

// Code is a worker's code: the secret, and the digest of the keys that the worker is to pin. Whoever
// stands between worker and server can neither use the code nor put other keys in.
type Code struct {
	Secret Secret
	Trust  [trustBytes]byte
}

var letters = base32.StdEncoding.WithPadding(base32.NoPadding)

// String is the code as people copy it: capital letters and digits 2 to 7 in groups of four.
func (c Code) String() string { return grouped(append(c.Secret[:], c.Trust[:]...)) }

// String is a station's code, which is typed by hand: a station's browser has the site's certificate
// to know its server by.
func (s Secret) String() string { return grouped(s[:]) }

func grouped(raw []byte) string {
	text := letters.EncodeToString(raw)
	var b strings.Builder
	for i := 0; i < len(text); i += group {
		if i > 0 {
			b.WriteByte('-')
		}
		b.WriteString(text[i:min(i+group, len(text))])
	}
	return b.String()
}

// ParseCode reads a worker's code, in any case and grouping. Errors: ErrCode.
func ParseCode(text string) (c Code, err error) {
	raw, err := ungrouped(text, secretBytes+trustBytes)
	if err != nil {
		return Code{}, err
	}
	copy(c.Secret[:], raw)
	copy(c.Trust[:], raw[secretBytes:])
	return c, nil
}

// ParseSecret reads a station's code. Errors: ErrCode.
func ParseSecret(text string) (s Secret, err error) {
	raw, err := ungrouped(text, secretBytes)
	if err != nil {
		return Secret{}, err
	}
	copy(s[:], raw)
	return s, nil
}

func ungrouped(text string, want int) ([]byte, error) {
	text = strings.ToUpper(strings.NewReplacer("-", "", " ", "").Replace(strings.TrimSpace(text)))
	raw, err := letters.DecodeString(text)
	if err != nil || len(raw) != want || letters.EncodeToString(raw) != text {
		return nil, ErrCode
	}
	return raw, nil
}
