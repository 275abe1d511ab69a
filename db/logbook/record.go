package logbook

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"unicode/utf8"
)

// record is an entry read where it lies: its parts are slices of the entry's bytes, in the form in
// which Encode writes them and in no other. Nothing is copied, so that a whole log can be held to
// that form as fast as it can be hashed; whoever keeps a part beyond the bytes copies it.
type record struct {
	time     int64 // microseconds since 1970-01-01T00:00:00Z
	kind     []byte
	actor    []byte // nil: the system itself
	station  []byte // nil: none
	subjects []byte // encoded, without the list's own beginning
	body     []byte // likewise: names and values in turn

	subjectCount, fieldCount int
}

// The latest time of an entry: 9999-12-31T23:59:59.999999Z.
const maxTime = 253_402_300_799_999_999

// Major types of CBOR (RFC 8949 section 3.1), and the two simple values that an entry may hold.
const (
	majorUint  = 0
	majorInt   = 1
	majorBytes = 2
	majorText  = 3
	majorList  = 4
	majorMap   = 5

	simpleFalse = 0xf4
	simpleTrue  = 0xf5
)

var (
	errCut      = errors.New("ends too early")
	errUnsorted = fmt.Errorf("%w: out of order", ErrNotCanonical)
)

func malformed(format string, args ...any) error {
	return fmt.Errorf("%w: %w", ErrEntry, fmt.Errorf(format, args...))
}

// scanEntry reads an entry in the one form that Encode writes. Errors wrap ErrEntry, or ErrVersion.
func scanEntry(data []byte) (record, error) {
	var r record
	if len(data) == 0 {
		return r, malformed("empty")
	}
	if len(data) > MaxEntry {
		return r, ErrTooLong
	}
	if data[0] != version {
		return r, fmt.Errorf("%w: %#02x", ErrVersion, data[0])
	}
	s := scanner{data: data, at: 1}
	if err := s.entry(&r); err != nil {
		return r, err
	}
	if s.at != len(data) {
		return r, malformed("%d bytes after it", len(data)-s.at)
	}
	return r, nil
}

// scanner reads CBOR item by item, each in its shortest form (RFC 8949 section 4.2.1).
type scanner struct {
	data []byte
	at   int
}

func (s *scanner) entry(r *record) error {
	n, err := s.want(majorMap)
	if err != nil {
		return err
	}
	// Keys rise, so one that is missing is one that is not the next.
	for last := uint64(0); n > 0; n-- {
		key, err := s.want(majorUint)
		if err != nil {
			return err
		}
		switch {
		case key == last && key > 0:
			return malformed("field %d twice", key)
		case key < last:
			return errUnsorted
		case key == 0 || key > 6:
			return malformed("unknown field %d", key)
		}
		if err := s.field(r, key); err != nil {
			return err
		}
		if last == 0 && key > 1 || last == 1 && key > 2 {
			return fmt.Errorf("%w: without its time or kind", ErrNotCanonical)
		}
		last = key
	}
	if r.kind == nil {
		return malformed("without a kind")
	}
	return nil
}

func (s *scanner) field(r *record, key uint64) (err error) {
	switch key {
	case 1:
		t, err := s.want(majorUint)
		if err == nil && t > maxTime {
			err = malformed("time after the year 9999")
		}
		r.time = int64(t)
		return err
	case 2:
		if r.kind, err = s.text(); err == nil && !isWordPair(r.kind) {
			err = malformed("kind %.40q", r.kind)
		}
		return err
	case 3:
		r.actor, err = s.id()
		return err
	case 4:
		r.station, err = s.id()
		return err
	case 5:
		return s.subjects(r)
	}
	return s.body(r)
}

func (s *scanner) subjects(r *record) error {
	n, err := s.want(majorList)
	if err != nil {
		return err
	}
	if n == 0 {
		return fmt.Errorf("%w: no subjects", ErrNotCanonical)
	}
	begin := s.at
	var lastRole, lastID []byte
	for range n {
		role, id, err := s.subject()
		if err != nil {
			return err
		}
		if lastRole != nil {
			order := bytes.Compare(lastRole, role)
			if order == 0 {
				order = bytes.Compare(lastID, id)
			}
			if order == 0 {
				return malformed("subject %s twice", role)
			}
			if order > 0 {
				return errUnsorted
			}
		}
		lastRole, lastID = role, id
	}
	r.subjects, r.subjectCount = s.data[begin:s.at], int(n)
	return nil
}

func (s *scanner) subject() (role, id []byte, err error) {
	if n, err := s.want(majorList); err != nil || n != 2 {
		return nil, nil, malformed("subject is not a list of two")
	}
	if role, err = s.text(); err != nil {
		return nil, nil, err
	}
	if !isWord(role) {
		return nil, nil, malformed("subject %.40q", role)
	}
	id, err = s.id()
	return role, id, err
}

func (s *scanner) body(r *record) error {
	n, err := s.want(majorMap)
	if err != nil {
		return err
	}
	if n == 0 {
		return fmt.Errorf("%w: an empty body", ErrNotCanonical)
	}
	begin := s.at
	var last []byte // the name before, as it is encoded: names are sorted by that
	for range n {
		at := s.at
		name, err := s.text()
		if err != nil {
			return err
		}
		if !isWord(name) {
			return malformed("body field name %.40q", name)
		}
		encoded := s.data[at:s.at]
		switch order := bytes.Compare(last, encoded); {
		case order == 0:
			return malformed("body field %s twice", name)
		case order > 0:
			return errUnsorted
		}
		last = encoded
		if err := s.value(true); err != nil {
			return err
		}
	}
	r.body, r.fieldCount = s.data[begin:s.at], int(n)
	return nil
}

// value passes over a value of the body; lists hold no lists.
func (s *scanner) value(listToo bool) error {
	if s.at < len(s.data) && (s.data[s.at] == simpleFalse || s.data[s.at] == simpleTrue) {
		s.at++
		return nil
	}
	major, n, err := s.begin()
	if err != nil {
		return err
	}
	switch major {
	case majorUint, majorInt:
		if n > math.MaxInt64 {
			return malformed("integer over 63 bits")
		}
		return nil
	case majorBytes:
		_, err := s.take(n)
		return err
	case majorText:
		text, err := s.take(n)
		if err == nil && !utf8.Valid(text) {
			err = malformed("text is not UTF-8")
		}
		return err
	case majorList:
		if !listToo {
			return malformed("a list in a list")
		}
		for range n {
			if err := s.value(false); err != nil {
				return err
			}
		}
		return nil
	}
	return malformed("%#02x begins no value of an entry", s.data[s.at-1])
}

// begin reads the beginning of an item: its major type and its number or length.
func (s *scanner) begin() (major byte, n uint64, err error) {
	if s.at >= len(s.data) {
		return 0, 0, malformed("%w", errCut)
	}
	b := s.data[s.at]
	s.at++
	major, n = b>>5, uint64(b&0x1f)
	if n < 24 {
		return major, n, nil
	}
	if n > 27 || major > majorMap {
		return major, 0, malformed("%#02x begins no item of an entry", b)
	}
	width := 1 << (n - 24)
	var wide [8]byte
	raw, err := s.take(uint64(width))
	if err != nil {
		return major, 0, err
	}
	copy(wide[8-width:], raw)
	n = binary.BigEndian.Uint64(wide[:])
	if width == 1 && n < 24 || width > 1 && n>>(4*width) == 0 {
		return major, n, fmt.Errorf("%w: a number longer than it need be", ErrNotCanonical)
	}
	return major, n, nil
}

// want is begin for one major type.
func (s *scanner) want(major byte) (uint64, error) {
	got, n, err := s.begin()
	if err != nil {
		return 0, err
	}
	if got != major {
		// A null in place of what is left out when empty is no malformed item, only not the one form.
		return 0, fmt.Errorf("%w: major type %d in place of %d", ErrNotCanonical, got, major)
	}
	return n, nil
}

func (s *scanner) take(n uint64) ([]byte, error) {
	if n > uint64(len(s.data)-s.at) {
		return nil, malformed("%w", errCut)
	}
	b := s.data[s.at : s.at+int(n)]
	s.at += int(n)
	return b, nil
}

// text reads a text that the caller holds to an alphabet.
func (s *scanner) text() ([]byte, error) {
	n, err := s.want(majorText)
	if err != nil {
		return nil, err
	}
	return s.take(n)
}

func (s *scanner) id() ([]byte, error) {
	n, err := s.want(majorBytes)
	if err != nil {
		return nil, err
	}
	if n != uint64(len(ID{})) {
		return nil, malformed("identifier of %d bytes", n)
	}
	b, err := s.take(n)
	if err == nil && ID(b).IsZero() {
		err = fmt.Errorf("%w: the zero identifier", ErrNotCanonical)
	}
	return b, err
}
