// Package commissioning is what is measured at a machine before a beam may run on it: how long the beam
// stays on when this software is gone, how the switch behaves, how well the axes find their place, what
// the extraction draws. Persons measure, with the machine's own test button, a film of known rate or a
// sensor, since no beam runs by this software on a machine that is not commissioned (I15); what can be
// measured without motion is measured here.
package commissioning

import (
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nkeys"

	"kerfgate/plan/canon"
	"kerfgate/plan/machine"
)

// Record is one commissioning as a worker keeps it.
type Record struct {
	At      time.Time    `json:"at"`
	Machine string       `json:"machine"` // its id
	Profile canon.Digest `json:"profile"` // the version that it was made with
	Tool    string       `json:"tool"`

	machine.Measured
}

// signed is the file of a record: who measured is the worker whose key signs.
type signed struct {
	Record    Record `json:"record"`
	Key       string `json:"key"`
	Signature []byte `json:"signature"` // Ed25519 over the domain's name and the record's canonical CBOR
}

const domain = "kerfgate commissioning v1\n"

func (r Record) message() ([]byte, error) {
	data, err := canon.Marshal(r)
	return append([]byte(domain), data...), err
}

// Sign gives the record as a file that only the holder of the key could have made.
func Sign(r Record, key nkeys.KeyPair) ([]byte, error) {
	r.At = r.At.UTC().Truncate(time.Second)
	message, err := r.message()
	if err != nil {
		return nil, err
	}
	s := signed{Record: r}
	if s.Key, err = key.PublicKey(); err != nil {
		return nil, err
	}
	if s.Signature, err = key.Sign(message); err != nil {
		return nil, err
	}
	return json.MarshalIndent(s, "", "  ")
}

// ErrNotSigned is returned for a file whose record is not what its key signed.
var ErrNotSigned = errors.New("the record is not what its key signed")

// Open reads a file made by Sign. The caller holds the key against what it knows. Errors are ErrNotSigned
// and those of the form.
func Open(file []byte) (r Record, key string, err error) {
	var s signed
	if err := json.Unmarshal(file, &s); err != nil {
		return r, "", fmt.Errorf("this is no commissioning record: %w", err)
	}
	message, err := s.Record.message()
	if err != nil {
		return r, "", err
	}
	public, err := nkeys.FromPublicKey(s.Key)
	if err != nil {
		return r, "", errors.Join(ErrNotSigned, err)
	}
	if err := public.Verify(message, s.Signature); err != nil {
		return r, "", errors.Join(ErrNotSigned, err)
	}
	return s.Record, s.Key, nil
}
