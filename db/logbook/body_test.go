package logbook

import (
	"math"
	"reflect"
	"testing"
)

// TestBody_EncodesAsDecodeAnswers: what Encode takes for convenience comes back
// as the plain type.
func TestBody_EncodesAsDecodeAnswers(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ in, want any }{
		{int(-5), int64(-5)}, {int8(-5), int64(-5)}, {int16(-5), int64(-5)}, {int32(-5), int64(-5)},
		{uint(5), int64(5)}, {uint8(5), int64(5)}, {uint16(5), int64(5)}, {uint32(5), int64(5)},
		{uint64(math.MaxInt64), int64(math.MaxInt64)},
		{[]byte(nil), []byte{}},
		{[32]byte{31: 1}, append(make([]byte, 31), 1)},
		{ID{15: 1}, append(make([]byte, 15), 1)},
		{[]string{"bed", "sign"}, []any{"bed", "sign"}},
		{[]string(nil), []any{}},
		{[]int64{1, 2}, []any{int64(1), int64(2)}},
		{[][]byte{{1}, nil}, []any{[]byte{1}, []byte{}}},
		{[]ID{{15: 2}}, []any{append(make([]byte, 15), 2)}},
		{[]any{1, "bed", true}, []any{int64(1), "bed", true}},
	} {
		data, err := Entry{Time: testTime, Kind: RunReady, Body: Body{"x": c.in}}.Encode()
		if err != nil {
			t.Errorf("%T: %v", c.in, err)
			continue
		}
		e, err := Decode(data)
		if err != nil || !reflect.DeepEqual(e.Body, Body{"x": c.want}) {
			t.Errorf("%T: %#v, %v, want %#v", c.in, e.Body, err, c.want)
		}
	}
}

// TestBody_FieldsOfAnotherType: a reader answers false and never guesses.
func TestBody_FieldsOfAnotherType(t *testing.T) {
	t.Parallel()
	b := Body{"text": "x", "number": int64(1), "truth": true, "bytes": []byte{1}, "list": []any{}, "float": 1.5}
	for key := range b {
		_, text := b.String(key)
		_, number := b.Int(key)
		_, truth := b.Bool(key)
		_, octets := b.Bytes(key)
		_, list := b.List(key)
		got := map[string]bool{"text": text, "number": number, "truth": truth, "bytes": octets, "list": list}
		for name, ok := range got {
			if ok != (name == key) {
				t.Errorf("field %s read as %s: %t", key, name, ok)
			}
		}
	}
	if _, ok := b.Digest("bytes"); ok {
		t.Error("one byte is a digest")
	}
	if _, ok := Body(nil).String("text"); ok {
		t.Error("a field of nothing")
	}
}
