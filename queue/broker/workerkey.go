package broker

import (
	"errors"
	"fmt"

	"github.com/google/uuid"
	"github.com/nats-io/nkeys"
)

// ErrNewKey is the error of a new worker's key that the old one did not sign.
var ErrNewKey = errors.New("the new key is not signed by the old one")

// newKeyText is what the old key signs. It carries no time: an old key is followed once, and none
// comes back.
func newKeyText(machine uuid.UUID, before, after string) []byte {
	return []byte("kerfgate worker key v1\nmachine " + machine.String() + "\nbefore " + before + "\nafter " + after + "\n")
}

// SignNewKey has the key in use name the one that is to follow it, both of one machine's worker.
func SignNewKey(old nkeys.KeyPair, machine uuid.UUID, after string) (signature []byte, err error) {
	before, err := old.PublicKey()
	if err != nil {
		return nil, err
	}
	return old.Sign(newKeyText(machine, before, after))
}

// CheckNewKey verifies what SignNewKey signed. Errors wrap ErrNewKey.
func CheckNewKey(machine uuid.UUID, before, after string, signature []byte) error {
	if !nkeys.IsValidPublicUserKey(before) || !nkeys.IsValidPublicUserKey(after) || before == after {
		return fmt.Errorf("%w: %.80q to %.80q", ErrNewKey, before, after)
	}
	old, err := nkeys.FromPublicKey(before)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrNewKey, err)
	}
	if err := old.Verify(newKeyText(machine, before, after), signature); err != nil {
		return fmt.Errorf("%w: %w", ErrNewKey, err)
	}
	return nil
}
