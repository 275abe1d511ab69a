package enrol

import (
	"crypto/sha256"
	"encoding/pem"
	"errors"
	"fmt"
	"strconv"
)

// Trust is what a worker pins of its site.
type Trust struct {
	PermitKey string // verifier keys
	LogKey    string
	CA        []byte // the site's CA certificate as PEM; empty where the server speaks plain HTTP on loopback
}

// ErrTrust is the error of keys that are not those that a code vouches for.
var ErrTrust = errors.New("the server's keys are not those that the code vouches for")

// Digest names the trust in a code.
func (t Trust) Digest() (d [trustBytes]byte) {
	h := sha256.New()
	h.Write([]byte("kerfgate trust v1\n"))
	for _, part := range []string{t.PermitKey, t.LogKey, string(t.CA)} {
		// The length before each part leaves one way to cut the text.
		h.Write([]byte(strconv.Itoa(len(part)) + "\n" + part + "\n"))
	}
	copy(d[:], h.Sum(nil))
	return d
}

// Check holds what a server says to a code. Errors wrap ErrTrust.
func (t Trust) Check(c Code) error {
	if t.Digest() != c.Trust {
		return fmt.Errorf("%w\n  look at the server's address; somebody may stand between", ErrTrust)
	}
	if len(t.CA) > 0 {
		if block, rest := pem.Decode(t.CA); block == nil || block.Type != "CERTIFICATE" || len(rest) > 0 {
			return fmt.Errorf("%w: no CA certificate", ErrTrust)
		}
	}
	return nil
}
