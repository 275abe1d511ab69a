package canon

import (
	"bufio"
	"errors"
	"io"

	"github.com/fxamacker/cbor/v2"
)

// ErrForm is returned for bytes that are not what a reader expects at their place.
var ErrForm = errors.New("not canonical CBOR of this kind")

// Items reads canonical items one after another from part of a larger whole, holding one at a time.
type Items struct {
	at  int64 // where dec began
	dec *cbor.Decoder
}

// ItemsAt reads the items that begin at an offset.
func ItemsAt(r io.ReaderAt, at, size int64) *Items {
	return &Items{at: at, dec: modes().dec.NewDecoder(bufio.NewReaderSize(io.NewSectionReader(r, at, size-at), 4096))}
}

// Next reads an item into v.
func (i *Items) Next(v any) error { return i.dec.Decode(v) }

// Raw reads an item as its bytes.
func (i *Items) Raw() ([]byte, error) {
	var raw cbor.RawMessage
	err := i.dec.Decode(&raw)
	return raw, err
}

// At is where the next item begins.
func (i *Items) At() int64 { return i.at + int64(i.dec.NumBytesRead()) }

// Major types of what has a count (RFC 8949 §3.1).
const (
	Array = 4
	Map   = 5
)

// Count reads the head of an array or a map at an offset: how many items it has, and where they begin.
// Errors are ErrForm and those of reading.
func Count(r io.ReaderAt, at int64, major byte) (n uint64, next int64, err error) {
	var b [9]byte
	got, err := r.ReadAt(b[:], at)
	if got == 0 {
		return 0, 0, err
	}
	short := b[0] & 0x1f
	bytes := 0
	switch {
	case b[0]>>5 != major || short > 27:
		return 0, 0, ErrForm
	case short < 24:
		return uint64(short), at + 1, nil
	default:
		bytes = 1 << (short - 24)
	}
	if got < 1+bytes {
		return 0, 0, ErrForm
	}
	for _, c := range b[1 : 1+bytes] {
		n = n<<8 | uint64(c)
	}
	return n, at + 1 + int64(bytes), nil
}

// MapOf encodes keys and values that are encoded already as one map, in their order.
func MapOf(pairs [][2][]byte) ([]byte, error) {
	if len(pairs) > 23 {
		return nil, ErrForm
	}
	out := []byte{Map<<5 | byte(len(pairs))}
	for _, p := range pairs {
		out = append(append(out, p[0]...), p[1]...)
	}
	return out, nil
}
