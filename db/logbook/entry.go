package logbook

import (
	"cmp"
	"crypto/hmac"
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/fxamacker/cbor/v2"
)

// MaxEntry is the most bytes an entry may have: its length fits a uint16.
const MaxEntry = 65535

// version is the first byte of every entry that this version writes.
const version = 0x01

var (
	// ErrEntry is the error of bytes or fields that are no entry.
	ErrEntry = errors.New("malformed logbook entry")
	// ErrNotCanonical is the error of an entry that is not in its one encoding.
	ErrNotCanonical = fmt.Errorf("%w: not the deterministic encoding", ErrEntry)
	// ErrVersion is the error of an entry whose version byte is unknown.
	ErrVersion = errors.New("unknown version of a logbook entry")
	// ErrTooLong is the error of an entry over MaxEntry bytes.
	ErrTooLong = fmt.Errorf("%w: over %d bytes", ErrEntry, MaxEntry)
)

// Subject is one thing that an entry is about.
type Subject struct {
	Role string // "run", "machine", ...: a lower-case word
	ID   ID     // never zero
}

// Entry is one record of the logbook.
type Entry struct {
	Time     time.Time // UTC, whole microseconds, 1970 to 9999
	Kind     Kind
	Actor    ID        // zero: the system itself
	Station  ID        // zero: none
	Subjects []Subject // sorted by role, then id; no doubles
	Body     Body      // nil if empty
}

// Subject returns the id of the only subject with that role; false if there is
// none or more than one.
func (e Entry) Subject(role string) (ID, bool) {
	var id ID
	n := 0
	for _, s := range e.Subjects {
		if s.Role == role {
			id = s.ID
			n++
		}
	}
	if n != 1 {
		return ID{}, false
	}
	return id, true
}

// wireEntry is an entry's CBOR map. What is zero or empty is left out, so that
// each entry has one encoding.
type wireEntry struct {
	Time     int64          `cbor:"1,keyasint"` // microseconds since 1970-01-01T00:00:00Z
	Kind     string         `cbor:"2,keyasint"`
	Actor    []byte         `cbor:"3,keyasint,omitempty"`
	Station  []byte         `cbor:"4,keyasint,omitempty"`
	Subjects []wireSubject  `cbor:"5,keyasint,omitempty"`
	Body     map[string]any `cbor:"6,keyasint,omitempty"`
}

type wireSubject struct {
	_    struct{} `cbor:",toarray"`
	Role string
	ID   []byte
}

// RFC 8949 section 4.2.1, core deterministic encoding requirements.
var encMode = mustMode(cbor.CoreDetEncOptions().EncMode())

func mustMode[M any](m M, err error) M {
	if err != nil {
		panic(err) // the options are constants
	}
	return m
}

// Encode returns e's bytes as they are stored and hashed: the version byte 0x01,
// then a deterministic CBOR map (RFC 8949 section 4.2.1) with the keys 1 time,
// 2 kind, 3 actor, 4 station, 5 subjects, 6 body. The time is truncated to the
// microsecond and subjects are sorted; e is not changed. Errors wrap ErrEntry.
func (e Entry) Encode() ([]byte, error) {
	if !e.Kind.Known() {
		return nil, fmt.Errorf("%w: unknown kind %.40q", ErrEntry, string(e.Kind))
	}
	return e.encode()
}

// encode is Encode for kinds that a later version may have added.
func (e Entry) encode() ([]byte, error) {
	w := wireEntry{Time: e.Time.UnixMicro(), Kind: string(e.Kind)}
	if !e.Kind.wellFormed() {
		return nil, fmt.Errorf("%w: kind %.40q", ErrEntry, w.Kind)
	}
	if y := e.Time.UTC().Year(); y < 1970 || y > 9999 {
		return nil, fmt.Errorf("%w: time in the year %d", ErrEntry, y)
	}
	if !e.Actor.IsZero() {
		w.Actor = e.Actor[:]
	}
	if !e.Station.IsZero() {
		w.Station = e.Station[:]
	}
	subjects := slices.Clone(e.Subjects)
	slices.SortFunc(subjects, func(a, b Subject) int {
		return cmp.Or(cmp.Compare(a.Role, b.Role), compareID(a.ID, b.ID))
	})
	for i, s := range subjects {
		if !isWord(s.Role) || s.ID.IsZero() {
			return nil, fmt.Errorf("%w: subject %.40q %s", ErrEntry, s.Role, s.ID)
		}
		if i > 0 && s == subjects[i-1] {
			return nil, fmt.Errorf("%w: subject %s %s twice", ErrEntry, s.Role, s.ID)
		}
		w.Subjects = append(w.Subjects, wireSubject{Role: s.Role, ID: s.ID[:]})
	}
	var err error
	if w.Body, err = e.Body.plain(); err != nil {
		return nil, err
	}
	data, err := encMode.Marshal(w)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrEntry, err)
	}
	if 1+len(data) > MaxEntry {
		return nil, ErrTooLong
	}
	return append([]byte{version}, data...), nil
}

// Decode reads what Encode wrote. It refuses everything that Encode would not
// write byte for byte, but keeps kinds, roles and body fields that it does not
// know. Errors wrap ErrEntry, or ErrVersion.
func Decode(data []byte) (Entry, error) {
	r, err := scanEntry(data)
	if err != nil {
		return Entry{}, err
	}
	return r.entry(), nil
}

// SaltedDigest returns what an entry holds in place of a name or free text:
// HMAC-SHA-256 (RFC 2104) of text under salt, at least 16 random bytes kept
// beside the text. When both are erased nobody can tell what the digest was of,
// and the tree stays whole.
func SaltedDigest(salt, text []byte) [32]byte {
	mac := hmac.New(sha256.New, salt)
	mac.Write(text)
	return [32]byte(mac.Sum(nil))
}
