package logbook

import (
	"bytes"
	"encoding/hex"
	"errors"
)

// ErrID is the error of a malformed identifier.
var ErrID = errors.New("malformed identifier")

// ID is the 16 bytes of a UUID (RFC 9562). The zero ID names nothing: as an
// actor it stands for the system itself, as a station for none.
type ID [16]byte

// IsZero reports whether id names nothing.
func (id ID) IsZero() bool { return id == ID{} }

// String returns the lower-case form of RFC 9562, 8-4-4-4-12 hexadecimal digits.
func (id ID) String() string {
	var b [36]byte
	hex.Encode(b[0:8], id[0:4])
	b[8] = '-'
	hex.Encode(b[9:13], id[4:6])
	b[13] = '-'
	hex.Encode(b[14:18], id[6:8])
	b[18] = '-'
	hex.Encode(b[19:23], id[8:10])
	b[23] = '-'
	hex.Encode(b[24:36], id[10:16])
	return string(b[:])
}

// ParseID reads what String writes and nothing else: lower case, with hyphens.
func ParseID(s string) (ID, error) {
	var id ID
	if len(s) != 36 {
		return ID{}, ErrID
	}
	digits := s[0:8] + s[9:13] + s[14:18] + s[19:23] + s[24:36]
	if _, err := hex.Decode(id[:], []byte(digits)); err != nil {
		return ID{}, ErrID
	}
	if id.String() != s {
		return ID{}, ErrID
	}
	return id, nil
}

func compareID(a, b ID) int { return bytes.Compare(a[:], b[:]) }
