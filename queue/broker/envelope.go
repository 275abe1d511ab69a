package broker

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"

	"github.com/google/uuid"
	"github.com/nats-io/nkeys"

	"kerfgate/plan/canon"
)

// Kinds of signed messages.
const (
	KindReport    = "report"    // Report
	KindChallenge = "challenge" // ChallengeAnswer
	KindTaken     = "taken"     // Taken
	KindSetup     = "setup"     // SetupResult
)

// MaxMessage is the most bytes of any message: the broker's default payload limit of 1 MiB less room
// for headers.
const MaxMessage = 1<<20 - 4096

var (
	// ErrForm is the error of bytes that are not the one canonical form of a message.
	ErrForm = errors.New("malformed message")
	// ErrSignature is the error of a message that its machine's key did not sign.
	ErrSignature = errors.New("message is not signed by the machine's key")
	// ErrWrongKind is the error of a well signed message that says something else.
	ErrWrongKind = errors.New("another kind of message")
)

// signedText is what is signed. The kind has no line break and all that follows it is of fixed
// length up to the body, so no two envelopes share a text.
func signedText(kind string, machine uuid.UUID, counter int64, body []byte) []byte {
	text := make([]byte, 0, 64+len(kind)+len(body))
	text = append(text, "kerfgate worker v1\n"...)
	text = append(text, kind...)
	text = append(text, '\n')
	text = append(text, machine[:]...)
	text = binary.BigEndian.AppendUint64(text, uint64(counter))
	return append(text, body...)
}

func knownKind(kind string) bool {
	switch kind {
	case KindReport, KindChallenge, KindTaken, KindSetup:
		return true
	}
	return false
}

// Seal encodes and signs a worker's message. Errors wrap ErrForm.
func Seal(key nkeys.KeyPair, machine uuid.UUID, kind string, counter int64, message any) ([]byte, error) {
	if !knownKind(kind) || counter < 0 || machine == uuid.Nil {
		return nil, fmt.Errorf("%w: kind %.40q, counter %d, machine %s", ErrForm, kind, counter, machine)
	}
	body, err := canon.Marshal(message)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrForm, err)
	}
	signature, err := key.Sign(signedText(kind, machine, counter, body))
	if err != nil {
		return nil, fmt.Errorf("sign %s: %w", kind, err)
	}
	data, err := canon.Marshal(Signed{Kind: kind, Machine: machine, Counter: counter, Body: body, Signature: signature})
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrForm, err)
	}
	if len(data) > MaxMessage {
		return nil, fmt.Errorf("%w: %d bytes, at most %d are allowed", ErrForm, len(data), MaxMessage)
	}
	return data, nil
}

// OpenSigned reads what the machine with that public nkey signed, and nothing else. Whether the
// message came on that machine's subject is for the caller to compare. Errors wrap ErrForm,
// ErrSignature or ErrWrongKind.
func OpenSigned(data []byte, publicKey, wantKind string) (Signed, error) {
	var s Signed
	if err := decode(data, &s); err != nil {
		return Signed{}, err
	}
	if s.Counter < 0 || s.Machine == uuid.Nil {
		return Signed{}, fmt.Errorf("%w: counter %d, machine %s", ErrForm, s.Counter, s.Machine)
	}
	key, err := nkeys.FromPublicKey(publicKey)
	if err != nil || !nkeys.IsValidPublicUserKey(publicKey) {
		return Signed{}, fmt.Errorf("%w: no public key of a worker", ErrSignature)
	}
	if err := key.Verify(signedText(s.Kind, s.Machine, s.Counter, s.Body), s.Signature); err != nil {
		return Signed{}, fmt.Errorf("%w: %w", ErrSignature, err)
	}
	if s.Kind != wantKind {
		return Signed{}, fmt.Errorf("%w: %.40q where %q is asked", ErrWrongKind, s.Kind, wantKind)
	}
	return s, nil
}

// Decode reads the body. Errors wrap ErrForm.
func (s Signed) Decode(message any) error { return decode(s.Body, message) }

// Encode gives the canonical bytes of an unsigned message.
func Encode(message any) ([]byte, error) {
	data, err := canon.Marshal(message)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrForm, err)
	}
	if len(data) > MaxMessage {
		return nil, fmt.Errorf("%w: %d bytes, at most %d are allowed", ErrForm, len(data), MaxMessage)
	}
	return data, nil
}

// decode reads canonical bytes and refuses every other spelling of the same value: what was read,
// encoded anew, is the same to the byte. message is a non-nil pointer. Errors wrap ErrForm.
func decode(data []byte, message any) error {
	if len(data) > MaxMessage {
		return fmt.Errorf("%w: %d bytes, at most %d are allowed", ErrForm, len(data), MaxMessage)
	}
	if err := canon.Unmarshal(data, message); err != nil {
		return fmt.Errorf("%w: %w", ErrForm, err)
	}
	again, err := canon.Marshal(message)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrForm, err)
	}
	if !bytes.Equal(again, data) {
		return fmt.Errorf("%w: not in canonical form", ErrForm)
	}
	return nil
}
