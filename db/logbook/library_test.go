package logbook

import (
	"bytes"
	"fmt"
	"time"

	"github.com/fxamacker/cbor/v2"
)

// The reader that an entry's own reader is held to: a general CBOR library, and then the one
// encoding made anew and compared.

var libraryMode = mustMode(cbor.DecOptions{
	DupMapKey:         cbor.DupMapKeyEnforcedAPF,
	IndefLength:       cbor.IndefLengthForbidden,
	TagsMd:            cbor.TagsForbidden,
	IntDec:            cbor.IntDecConvertSignedOrFail,
	MaxNestedLevels:   4, // entry, body, list, value
	ExtraReturnErrors: cbor.ExtraDecErrorUnknownField,
}.DecMode())

func decodeByLibrary(data []byte) (Entry, error) {
	if len(data) == 0 {
		return Entry{}, fmt.Errorf("%w: empty", ErrEntry)
	}
	if len(data) > MaxEntry {
		return Entry{}, ErrTooLong
	}
	if data[0] != version {
		return Entry{}, fmt.Errorf("%w: %#02x", ErrVersion, data[0])
	}
	var w wireEntry
	if err := libraryMode.Unmarshal(data[1:], &w); err != nil { // refuses trailing bytes
		return Entry{}, fmt.Errorf("%w: %w", ErrEntry, err)
	}
	e := Entry{Time: time.UnixMicro(w.Time).UTC(), Kind: Kind(w.Kind), Body: w.Body}
	var err error
	if e.Actor, err = optionalID(w.Actor); err != nil {
		return Entry{}, err
	}
	if e.Station, err = optionalID(w.Station); err != nil {
		return Entry{}, err
	}
	for _, s := range w.Subjects {
		if len(s.ID) != len(ID{}) {
			return Entry{}, fmt.Errorf("%w: identifier of %d bytes", ErrEntry, len(s.ID))
		}
		e.Subjects = append(e.Subjects, Subject{Role: s.Role, ID: ID(s.ID)})
	}
	again, err := e.encode()
	if err != nil {
		return Entry{}, err
	}
	if !bytes.Equal(again, data) {
		return Entry{}, ErrNotCanonical
	}
	return e, nil
}

func optionalID(b []byte) (ID, error) {
	if b == nil {
		return ID{}, nil
	}
	if len(b) != len(ID{}) {
		return ID{}, fmt.Errorf("%w: identifier of %d bytes", ErrEntry, len(b))
	}
	return ID(b), nil
}
