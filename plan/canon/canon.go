// Package canon is the one encoding and the one digest of everything that is signed, compared or
// named by its content: deterministic CBOR (RFC 8949 §4.2.1) and SHA-256.
package canon

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"sync"

	"github.com/fxamacker/cbor/v2"
)

// Digest is a SHA-256 sum. Its text form is 64 lower-case hexadecimal digits.
type Digest [sha256.Size]byte

// ErrDigest is returned for text that is not a digest.
var ErrDigest = errors.New("not a digest: want 64 lower-case hexadecimal digits")

// Sum is the digest of data.
func Sum(data []byte) Digest { return sha256.Sum256(data) }

// String is the text form.
func (d Digest) String() string { return hex.EncodeToString(d[:]) }

// Short is the first eight digits, for people.
func (d Digest) Short() string { return hex.EncodeToString(d[:4]) }

// IsZero says whether d is unset.
func (d Digest) IsZero() bool { return d == Digest{} }

// MarshalText gives the text form.
func (d Digest) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalText reads the text form strictly.
func (d *Digest) UnmarshalText(text []byte) error {
	got, err := Parse(string(text))
	if err != nil {
		return err
	}
	*d = got
	return nil
}

// Parse reads the text form strictly; errors are ErrDigest.
func Parse(text string) (Digest, error) {
	var d Digest
	raw, err := hex.DecodeString(text)
	if err != nil || len(raw) != len(d) || hex.EncodeToString(raw) != text {
		return Digest{}, fmt.Errorf("%w, got %.80q", ErrDigest, text)
	}
	copy(d[:], raw)
	return d, nil
}

// MarshalCBOR keeps a digest a byte string, not an array of integers.
func (d Digest) MarshalCBOR() ([]byte, error) { return modes().enc.Marshal(d[:]) }

// UnmarshalCBOR reads a byte string of 32 bytes.
func (d *Digest) UnmarshalCBOR(data []byte) error {
	var raw []byte
	if err := modes().dec.Unmarshal(data, &raw); err != nil {
		return err
	}
	if len(raw) != len(d) {
		return ErrDigest
	}
	copy(d[:], raw)
	return nil
}

type codec struct {
	enc cbor.EncMode
	dec cbor.DecMode
}

var modes = sync.OnceValue(func() codec {
	enc, err := cbor.CoreDetEncOptions().EncMode()
	if err != nil {
		panic(err) // constant options
	}
	dec, err := cbor.DecOptions{
		DupMapKey:         cbor.DupMapKeyEnforcedAPF,
		IndefLength:       cbor.IndefLengthForbidden,
		TagsMd:            cbor.TagsForbidden,
		MaxNestedLevels:   32,
		MaxArrayElements:  20_000_000,
		ExtraReturnErrors: cbor.ExtraDecErrorUnknownField,
	}.DecMode()
	if err != nil {
		panic(err)
	}
	return codec{enc, dec}
})

// Marshal encodes v deterministically: the same value gives the same bytes on every machine.
func Marshal(v any) ([]byte, error) { return modes().enc.Marshal(v) }

// Unmarshal reads canonical bytes into v. Unknown fields, duplicate keys, tags, indefinite lengths
// and trailing bytes are errors.
func Unmarshal(data []byte, v any) error { return modes().dec.Unmarshal(data, v) }

// DigestOf is the digest of v's canonical bytes.
func DigestOf(v any) (Digest, error) {
	data, err := Marshal(v)
	if err != nil {
		return Digest{}, err
	}
	return Sum(data), nil
}
