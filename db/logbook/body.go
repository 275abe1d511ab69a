package logbook

import (
	"fmt"
	"math"
	"unicode/utf8"
)

// Body is what an entry tells beyond time, kind and ids: field name to value.
// Values are string, bool, int64, []byte, or []any of those. For convenience
// Encode also takes the other integer types, [32]byte, ID, []string, []int64,
// [][]byte and []ID; Decode always answers the first list. There are no floating
// numbers (a length is whole micrometres) and no nested maps.
//
// Names and free text never enter a body: they live in rows that can be erased,
// and the entry holds their SaltedDigest.
type Body map[string]any

// String returns the text field named key; false if absent or of another type.
func (b Body) String(key string) (string, bool) { v, ok := b[key].(string); return v, ok }

// Int returns the integer field named key; false if absent or of another type.
func (b Body) Int(key string) (int64, bool) {
	v, err := plainValue(b[key])
	if err != nil {
		return 0, false
	}
	n, ok := v.(int64)
	return n, ok
}

// Bool returns the truth field named key; false, false if absent or of another type.
func (b Body) Bool(key string) (value, ok bool) { value, ok = b[key].(bool); return value, ok }

// Bytes returns the byte string field named key; false if absent or of another type.
func (b Body) Bytes(key string) ([]byte, bool) {
	v, err := plainValue(b[key])
	if err != nil {
		return nil, false
	}
	p, ok := v.([]byte)
	return p, ok
}

// Digest returns the 32-byte field named key; false if absent or of another shape.
func (b Body) Digest(key string) ([32]byte, bool) {
	p, ok := b.Bytes(key)
	if !ok || len(p) != 32 {
		return [32]byte{}, false
	}
	return [32]byte(p), true
}

// List returns the list field named key; false if absent or of another type.
func (b Body) List(key string) ([]any, bool) {
	v, err := plainValue(b[key])
	if err != nil {
		return nil, false
	}
	l, ok := v.([]any)
	return l, ok
}

// plain returns b with every value as Decode would answer it.
func (b Body) plain() (map[string]any, error) {
	if len(b) == 0 {
		return nil, nil
	}
	out := make(map[string]any, len(b))
	for key, v := range b {
		if !isWord(key) {
			return nil, fmt.Errorf("%w: body field name %.40q", ErrEntry, key)
		}
		p, err := plainValue(v)
		if err != nil {
			return nil, fmt.Errorf("%w: body field %s: %w", ErrEntry, key, err)
		}
		out[key] = p
	}
	return out, nil
}

// plainValue turns a body value into string, bool, int64, []byte or []any of those.
func plainValue(v any) (any, error) {
	switch v := v.(type) {
	case []any:
		return plainList(v)
	case []string:
		return plainList(v)
	case []int64:
		return plainList(v)
	case [][]byte:
		return plainList(v)
	case []ID:
		return plainList(v)
	}
	return plainScalar(v)
}

func plainList[T any](list []T) ([]any, error) {
	out := make([]any, len(list))
	for i, v := range list {
		p, err := plainScalar(v)
		if err != nil {
			return nil, err
		}
		out[i] = p
	}
	return out, nil
}

func plainScalar(v any) (any, error) {
	switch v := v.(type) {
	case string:
		if !utf8.ValidString(v) {
			return nil, fmt.Errorf("text is not UTF-8")
		}
		return v, nil
	case bool, int64:
		return v, nil
	case []byte:
		if v == nil {
			return []byte{}, nil // nil would be encoded as null
		}
		return v, nil
	case ID:
		return v[:], nil
	case [32]byte:
		return v[:], nil
	case int:
		return int64(v), nil
	case int32:
		return int64(v), nil
	case int16:
		return int64(v), nil
	case int8:
		return int64(v), nil
	case uint8:
		return int64(v), nil
	case uint16:
		return int64(v), nil
	case uint32:
		return int64(v), nil
	case uint:
		return plainScalar(uint64(v))
	case uint64:
		if v > math.MaxInt64 {
			return nil, fmt.Errorf("integer %d over 2^63-1", v)
		}
		return int64(v), nil
	}
	return nil, fmt.Errorf("%T is not a value of an entry", v)
}
