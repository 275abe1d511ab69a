package logbook

import (
	"bytes"
	"encoding/hex"
	"errors"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"
)

var update = flag.Bool("update", false, "rewrite golden files")

// testTime is the instant of every test entry.
var testTime = time.Date(2026, 3, 14, 15, 9, 26, 535897000, time.UTC)

func testID(n byte) ID {
	return ID{0x01, 0x95, 0x94, 0x3f, 0x1c, 0x00, 0x70, 0, 0x80, 0, 0, 0, 0, 0, 0, n}
}

func goldenEntries() []struct {
	name  string
	entry Entry
} {
	run := []Subject{{RoleJob, testID(3)}, {RoleMachine, testID(2)}, {RoleRun, testID(1)}}
	return []struct {
		name  string
		entry Entry
	}{
		{"smallest", Entry{Time: time.Unix(0, 0).UTC(), Kind: SiteOpened}},
		{"opened", Entry{Time: testTime, Kind: RunOpened, Actor: testID(4), Station: testID(5), Subjects: run,
			Body: Body{FieldFrom: "proposed", FieldTo: "checking"}}},
		{"interrupted", Entry{Time: testTime, Kind: RunInterrupted, Subjects: run,
			Body: Body{FieldFrom: "starting", FieldTo: "inspecting", FieldOutcome: "interrupted", FieldNeverMoved: true}}},
		{"every type", Entry{Time: testTime, Kind: Refused, Actor: testID(4), Body: Body{
			FieldRoute: "runs_sign", FieldCount: int64(10000), "least": int64(math.MinInt64), "most": int64(math.MaxInt64),
			"no": false, "yes": true, "none": []byte{}, "some": []byte{1, 2, 3}, "word": "", "empty": []any{},
			"list": []any{"bed", int64(-1), true, []byte{0xff}}}}},
		{"two lots", Entry{Time: testTime, Kind: StockChanged, Actor: testID(4),
			Subjects: []Subject{{"stock", testID(6)}, {"stock", testID(7)}}}},
	}
}

func TestEntry_Golden(t *testing.T) {
	t.Parallel()
	var got strings.Builder
	for _, c := range goldenEntries() {
		data, err := c.entry.Encode()
		if err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		fmt.Fprintf(&got, "%s: %x\n", c.name, data)
		again, err := Decode(data)
		if err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		if !reflect.DeepEqual(again, c.entry) {
			t.Errorf("%s: %+v, want %+v", c.name, again, c.entry)
		}
	}
	path := filepath.Join("testdata", "entries.golden")
	if *update {
		if err := os.WriteFile(path, []byte(got.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if got.String() != string(want) {
		t.Errorf("entries are encoded anew:\n%s\nwant:\n%s", got.String(), want)
	}
}

// TestEntry_ByHand holds the encoding to bytes put together from RFC 8949 by
// hand: A2 is a map of two, 6B text of 11 bytes, 50 sixteen bytes, 1B eight-byte
// integers; keys rise bytewise (section 4.2.1).
func TestEntry_ByHand(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		entry Entry
		want  string
	}{
		{Entry{Time: time.Unix(0, 0), Kind: SiteOpened}, "01 a2 0100 026b 736974652e6f70656e6564"},
		{Entry{Time: time.UnixMicro(1773500966535897), Kind: RunMoved, Actor: testID(4),
			Subjects: []Subject{{"run", testID(1)}}, Body: Body{"to": "running", "from": "starting"}},
			"01 a5" +
				"01 1b 00064cfd5f1e82d9" + // 1773500966535897
				"02 69 72756e2e6d6f766564" +
				"03 50 0195943f1c0070008000000000000004" +
				"05 81 82 63 72756e 50 0195943f1c0070008000000000000001" +
				"06 a2 62 746f 67 72756e6e696e67 64 66726f6d 68 7374617274696e67"},
	} {
		data, err := c.entry.Encode()
		if err != nil {
			t.Fatal(err)
		}
		if want := strings.ReplaceAll(c.want, " ", ""); hex.EncodeToString(data) != want {
			t.Errorf("%s: %x\nwant %s", c.entry.Kind, data, want)
		}
	}
}

func TestEntry_EncodeSortsAndTruncates(t *testing.T) {
	t.Parallel()
	subjects := []Subject{{RoleRun, testID(1)}, {RoleJob, testID(9)}, {RoleJob, testID(3)}}
	e := Entry{Time: testTime.Add(999).In(time.FixedZone("", 3600)), Kind: RunReady, Subjects: subjects,
		Body: Body{"count": 3, "ids": []ID{testID(1)}, "digest": [32]byte{1}}}
	data, err := e.Encode()
	if err != nil {
		t.Fatal(err)
	}
	got, err := Decode(data)
	if err != nil {
		t.Fatal(err)
	}
	want := []Subject{{RoleJob, testID(3)}, {RoleJob, testID(9)}, {RoleRun, testID(1)}}
	if !reflect.DeepEqual(got.Subjects, want) || !got.Time.Equal(testTime) || got.Time.Location() != time.UTC {
		t.Errorf("%+v", got)
	}
	if subjects[0].Role != RoleRun {
		t.Error("Encode sorted the caller's subjects")
	}
	if n, ok := got.Body.Int("count"); !ok || n != 3 {
		t.Errorf("count %d, %t", n, ok)
	}
	if d, ok := got.Body.Digest("digest"); !ok || d != [32]byte{1} {
		t.Errorf("digest %x, %t", d, ok)
	}
	if l, ok := got.Body.List("ids"); !ok || len(l) != 1 {
		t.Errorf("ids %v, %t", l, ok)
	}
	if _, ok := got.Subject(RoleJob); ok {
		t.Error("one job of two")
	}
	if id, ok := got.Subject(RoleRun); !ok || id != testID(1) {
		t.Errorf("run %s, %t", id, ok)
	}
}

func TestEntry_EncodeRefuses(t *testing.T) {
	t.Parallel()
	ok := Entry{Time: testTime, Kind: RunReady}
	for name, change := range map[string]func(*Entry){
		"unknown kind":      func(e *Entry) { e.Kind = "run.flown" },
		"no kind":           func(e *Entry) { e.Kind = "" },
		"zero time":         func(e *Entry) { e.Time = time.Time{} },
		"year 10000":        func(e *Entry) { e.Time = time.Date(10000, 1, 1, 0, 0, 0, 0, time.UTC) },
		"zero subject":      func(e *Entry) { e.Subjects = []Subject{{RoleRun, ID{}}} },
		"role with a space": func(e *Entry) { e.Subjects = []Subject{{"a run", testID(1)}} },
		"subject twice":     func(e *Entry) { e.Subjects = []Subject{{RoleRun, testID(1)}, {RoleRun, testID(1)}} },
		"float":             func(e *Entry) { e.Body = Body{"x": 1.5} },
		"null":              func(e *Entry) { e.Body = Body{"x": nil} },
		"map":               func(e *Entry) { e.Body = Body{"x": map[string]any{}} },
		"list in a list":    func(e *Entry) { e.Body = Body{"x": []any{[]any{}}} },
		"time":              func(e *Entry) { e.Body = Body{"x": testTime} },
		"field name":        func(e *Entry) { e.Body = Body{"Name": "x"} },
		"not UTF-8":         func(e *Entry) { e.Body = Body{"x": "\xff"} },
		"over 63 bits":      func(e *Entry) { e.Body = Body{"x": uint64(1 << 63)} },
		"too long":          func(e *Entry) { e.Body = Body{"x": make([]byte, MaxEntry)} },
	} {
		e := ok
		change(&e)
		if data, err := e.Encode(); !errors.Is(err, ErrEntry) {
			t.Errorf("%s: %x, %v", name, data, err)
		}
	}
}

func TestEntry_LongestFits(t *testing.T) {
	t.Parallel()
	e := Entry{Time: testTime, Kind: RunReady, Body: Body{"x": []byte{}}}
	data, err := e.Encode()
	if err != nil {
		t.Fatal(err)
	}
	room := MaxEntry - len(data) - 2 // a length over 255 takes two more bytes
	e.Body["x"] = make([]byte, room)
	if data, err = e.Encode(); err != nil || len(data) != MaxEntry {
		t.Fatalf("%d bytes, %v", len(data), err)
	}
	if _, err := Decode(data); err != nil {
		t.Error(err)
	}
	e.Body["x"] = make([]byte, room+1)
	if _, err := e.Encode(); !errors.Is(err, ErrTooLong) {
		t.Error(err)
	}
	if _, err := Decode(append(data, 0)); !errors.Is(err, ErrTooLong) {
		t.Error(err)
	}
}

// TestDecode_Refuses holds Decode to one encoding for each entry: RFC 8949
// section 4.2.1 names each of the spellings below as not deterministic, or the
// entry's own rules do.
func TestDecode_Refuses(t *testing.T) {
	t.Parallel()
	const id = "500195943f1c0070008000000000000001"
	for name, c := range map[string]struct {
		hex  string
		want error
	}{
		"empty":                 {"", ErrEntry},
		"version alone":         {"01", ErrEntry},
		"version 0":             {"00 a2 0100 0261 61", ErrVersion},
		"version 2":             {"02 a2 0100 0261 61", ErrVersion},
		"trailing byte":         {"01 a2 0100 0261 61 00", ErrEntry},
		"cut short":             {"01 a2 0100 0261", ErrEntry},
		"not a map":             {"01 82 00 6161", ErrEntry},
		"long integer":          {"01 a2 011800 0261 61", ErrNotCanonical},
		"long length":           {"01 a2 0100 027801 61", ErrNotCanonical},
		"long map":              {"01 b802 0100 0261 61", ErrNotCanonical},
		"keys out of order":     {"01 a2 0261 61 0100", ErrNotCanonical},
		"key twice":             {"01 a3 0100 0100 0261 61", ErrEntry},
		"indefinite map":        {"01 bf 0100 0261 61 ff", ErrEntry},
		"tag":                   {"01 a2 01c100 0261 61", ErrEntry},
		"float time":            {"01 a2 01f90000 0261 61", ErrEntry},
		"null time":             {"01 a2 01f6 0261 61", ErrEntry},
		"no time":               {"01 a1 0261 61", ErrNotCanonical},
		"no kind":               {"01 a1 0100", ErrEntry},
		"negative time":         {"01 a2 0120 0261 61", ErrEntry},
		"unknown key":           {"01 a3 0100 0261 61 0700", ErrEntry},
		"text key":              {"01 a3 0100 0261 61 616100", ErrEntry},
		"zero actor":            {"01 a3 0100 0261 61 0350" + strings.Repeat("00", 16), ErrNotCanonical},
		"empty actor":           {"01 a3 0100 0261 61 0340", ErrEntry},
		"short actor":           {"01 a3 0100 0261 61 034f" + strings.Repeat("01", 15), ErrEntry},
		"actor as a list":       {"01 a3 0100 0261 61 0390" + strings.Repeat("01", 16), ErrEntry},
		"null actor":            {"01 a3 0100 0261 61 03f6", ErrNotCanonical},
		"no subjects":           {"01 a3 0100 0261 61 0580", ErrNotCanonical},
		"subjects out of order": {"01 a3 0100 0261 61 0582 826162" + id + "826161" + id, ErrNotCanonical},
		"subject twice":         {"01 a3 0100 0261 61 0582 826161" + id + "826161" + id, ErrEntry},
		"subject of three":      {"01 a3 0100 0261 61 0581 836161" + id + "00", ErrEntry},
		"empty body":            {"01 a3 0100 0261 61 06a0", ErrNotCanonical},
		"float in body":         {"01 a3 0100 0261 61 06a1 6161 f93e00", ErrEntry},
		"null in body":          {"01 a3 0100 0261 61 06a1 6161 f6", ErrEntry},
		"undefined in body":     {"01 a3 0100 0261 61 06a1 6161 f7", ErrEntry},
		"map in body":           {"01 a3 0100 0261 61 06a1 6161 a0", ErrEntry},
		"integer field name":    {"01 a3 0100 0261 61 06a1 01 01", ErrEntry},
		"integer over 63 bits":  {"01 a3 0100 0261 61 06a1 6161 1b8000000000000000", ErrEntry},
		"body out of order":     {"01 a3 0100 0261 61 06a2 6162 01 6161 01", ErrNotCanonical},
		"text not UTF-8":        {"01 a3 0100 0261 61 06a1 6161 61ff", ErrEntry},
		"kind with a capital":   {"01 a2 0100 0261 41", ErrEntry},
	} {
		data := unhex(t, strings.ReplaceAll(c.hex, " ", ""))
		if _, err := decodeByLibrary(data); !errors.Is(err, c.want) {
			t.Errorf("%s: by a general library %v, want %v", name, err, c.want)
		}
		e, err := Decode(data)
		if !errors.Is(err, c.want) {
			t.Errorf("%s: %+v, %v, want %v", name, e, err, c.want)
		}
	}
}

// TestDecode_KeepsWhatItDoesNotKnow: a later version may add kinds, roles and
// body fields.
func TestDecode_KeepsWhatItDoesNotKnow(t *testing.T) {
	t.Parallel()
	data := unhex(t, strings.ReplaceAll("01 a3 0100 0269 6265642e736f776564 06a1 647365656418 2a", " ", ""))
	e, err := Decode(data)
	if err != nil {
		t.Fatal(err)
	}
	if n, ok := e.Body.Int("seed"); e.Kind != "bed.sowed" || !ok || n != 42 {
		t.Errorf("%+v", e)
	}
	if again, err := e.encode(); err != nil || !bytes.Equal(again, data) {
		t.Errorf("%x, %v", again, err)
	}
}

func TestKinds_WellFormedAndDistinct(t *testing.T) {
	t.Parallel()
	seen := map[Kind]bool{}
	for _, k := range Kinds() {
		if !k.wellFormed() || !k.Known() || seen[k] {
			t.Errorf("kind %q", k)
		}
		seen[k] = true
	}
	if Kind("run.flown").Known() || Kind("Run").wellFormed() || Kind("a.b.c").wellFormed() || Kind("a.").wellFormed() {
		t.Error("a kind that is none passes")
	}
}

// TestID_Text uses the example of RFC 9562 appendix A.6.
func TestID_Text(t *testing.T) {
	t.Parallel()
	const want = "017f22e2-79b0-7cc3-98c4-dc0c0c07398f"
	id, err := ParseID(want)
	if err != nil || id.String() != want || id[0] != 0x01 || id[15] != 0x8f {
		t.Errorf("%s, %v", id, err)
	}
	for _, s := range []string{"", strings.ToUpper(want), strings.ReplaceAll(want, "-", ""), want + "0",
		strings.Replace(want, "-", "0", 1), strings.Replace(want, "f", "g", 1), "{" + want[1:35] + "}"} {
		if id, err := ParseID(s); !errors.Is(err, ErrID) {
			t.Errorf("%q: %s, %v", s, id, err)
		}
	}
}

// TestSaltedDigest_RFC4231 uses test cases 2 and 6 of RFC 4231 section 4 (values
// from memory, and equal to what crypto/hmac computes).
func TestSaltedDigest_RFC4231(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		salt, text []byte
		want       string
	}{
		{[]byte("Jefe"), []byte("what do ya want for nothing?"), "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"},
		{bytes.Repeat([]byte{0xaa}, 131), []byte("Test Using Larger Than Block-Size Key - Hash Key First"), "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54"},
	} {
		if got := SaltedDigest(c.salt, c.text); hex.EncodeToString(got[:]) != c.want {
			t.Errorf("%x, want %s", got, c.want)
		}
	}
}

func FuzzDecode(f *testing.F) {
	for _, c := range goldenEntries() {
		data, err := c.entry.Encode()
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		e, err := Decode(data)
		want, libErr := decodeByLibrary(data)
		if (err == nil) != (libErr == nil) || errors.Is(err, ErrVersion) != errors.Is(libErr, ErrVersion) {
			t.Fatalf("%x: %v, by a general library %v", data, err, libErr)
		}
		if err != nil {
			if !errors.Is(err, ErrEntry) && !errors.Is(err, ErrVersion) {
				t.Fatalf("error of no kind: %v", err)
			}
			return
		}
		if !reflect.DeepEqual(e, want) {
			t.Fatalf("%x reads %+v, by a general library %+v", data, e, want)
		}
		again, err := e.encode()
		if err != nil || !bytes.Equal(again, data) {
			t.Fatalf("%x reads, but is written %x, %v", data, again, err)
		}
	})
}
