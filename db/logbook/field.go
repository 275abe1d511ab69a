package logbook

import (
	"time"
)

// The parts of a record that was scanned: no error can come, since scanEntry has passed over the
// same bytes.

// subject is Entry.Subject.
func (r record) subject(role string) (ID, bool) {
	var id ID
	n := 0
	s := scanner{data: r.subjects}
	for range r.subjectCount {
		got, b, _ := s.subject()
		if string(got) == role {
			id = ID(b)
			n++
		}
	}
	if n != 1 {
		return ID{}, false
	}
	return id, true
}

// field returns the encoded value of a field of the body, nil if it has none.
func (r record) field(name string) []byte {
	s := scanner{data: r.body}
	for range r.fieldCount {
		got, _ := s.text()
		at := s.at
		_ = s.value(true)
		if string(got) == name {
			return r.body[at:s.at]
		}
	}
	return nil
}

// text returns a text field; false if absent or of another type.
func (r record) text(name string) ([]byte, bool) { return payload(r.field(name), majorText) }

// digest returns a field of 32 bytes; false if absent or of another shape.
func (r record) digest(name string) ([32]byte, bool) {
	b, ok := payload(r.field(name), majorBytes)
	if !ok || len(b) != 32 {
		return [32]byte{}, false
	}
	return [32]byte(b), true
}

// truth reports whether a field is there and true.
func (r record) truth(name string) bool {
	v := r.field(name)
	return len(v) == 1 && v[0] == simpleTrue
}

func payload(value []byte, want byte) ([]byte, bool) {
	s := scanner{data: value}
	major, n, err := s.begin()
	if err != nil || major != want {
		return nil, false
	}
	b, err := s.take(n)
	return b, err == nil
}

// entry copies the record into an Entry.
func (r record) entry() Entry {
	e := Entry{Time: time.UnixMicro(r.time).UTC(), Kind: Kind(r.kind)}
	copy(e.Actor[:], r.actor)
	copy(e.Station[:], r.station)
	s := scanner{data: r.subjects}
	for range r.subjectCount {
		role, id, _ := s.subject()
		e.Subjects = append(e.Subjects, Subject{Role: string(role), ID: ID(id)})
	}
	if r.fieldCount == 0 {
		return e
	}
	e.Body = make(Body, r.fieldCount)
	s = scanner{data: r.body}
	for range r.fieldCount {
		name, _ := s.text()
		e.Body[string(name)] = s.plain()
	}
	return e
}

// plain reads a value as Body describes it.
func (s *scanner) plain() any {
	if b := s.data[s.at]; b == simpleFalse || b == simpleTrue {
		s.at++
		return b == simpleTrue
	}
	major, n, _ := s.begin()
	switch major {
	case majorUint:
		return int64(n)
	case majorInt:
		return -1 - int64(n)
	case majorBytes:
		b, _ := s.take(n)
		return append([]byte{}, b...) // never nil
	case majorText:
		b, _ := s.take(n)
		return string(b)
	}
	list := make([]any, n)
	for i := range list {
		list[i] = s.plain()
	}
	return list
}
