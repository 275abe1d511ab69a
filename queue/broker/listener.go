package broker

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"

	"github.com/google/uuid"
	"github.com/nats-io/nkeys"
)

// ErrListener is the error of an address that the worker's key did not sign.
var ErrListener = errors.New("the listener's address is not signed by the worker's key")

// listenerText is what a worker signs. It carries no time: said again by somebody else it brings back
// an address that was this worker's, and a certificate for a key that only this worker has.
func listenerText(machine uuid.UUID, address string, request []byte) []byte {
	sum := sha256.Sum256(request)
	return []byte("kerfgate worker listener v1\nmachine " + machine.String() + "\nat " + address + "\nrequest " + hex.EncodeToString(sum[:]) + "\n")
}

// SignListener has a worker's key say where its listener is, and what certificate it asks for: request
// is a PKCS #10 request, empty for none.
func SignListener(key nkeys.KeyPair, machine uuid.UUID, address string, request []byte) (signature []byte, err error) {
	return key.Sign(listenerText(machine, address, request))
}

// CheckListener verifies what SignListener signed with the secret half of public. Errors wrap
// ErrListener.
func CheckListener(public string, machine uuid.UUID, address string, request, signature []byte) error {
	key, err := nkeys.FromPublicKey(public)
	if err != nil || !nkeys.IsValidPublicUserKey(public) {
		return fmt.Errorf("%w: %.80q is no worker's key", ErrListener, public)
	}
	if err := key.Verify(listenerText(machine, address, request), signature); err != nil {
		return fmt.Errorf("%w: %w", ErrListener, err)
	}
	return nil
}
