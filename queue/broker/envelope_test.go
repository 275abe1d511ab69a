package broker

import (
	"bytes"
	"crypto/ed25519"
	"encoding/base32"
	"encoding/binary"
	"errors"
	"reflect"
	"testing"

	"github.com/google/uuid"
	"github.com/nats-io/nkeys"
	"go.uber.org/goleak"

	"kerfgate/plan/canon"
	"kerfgate/plan/geom"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func newKey(t testing.TB) (nkeys.KeyPair, string) {
	t.Helper()
	key, err := nkeys.CreateUser()
	if err != nil {
		t.Fatal(err)
	}
	public, err := key.PublicKey()
	if err != nil {
		t.Fatal(err)
	}
	return key, public
}

var (
	millID = uuid.MustParse("01890000-0000-7000-8000-0000000000a1")
	penID  = uuid.MustParse("01890000-0000-7000-8000-0000000000a2")
	aRun   = uuid.MustParse("01890000-0000-7000-8000-0000000000b1")
)

func sampleReport() Report {
	return Report{Number: 7, Kind: ReportPaused, Run: aRun, Permit: canon.Sum([]byte("permit")), Process: [16]byte{1},
		Reason: "lid open", PauseToken: [32]byte{2}, Picture: []byte{3, 4}, RealMS: -1}
}

func TestSealedComesBack(t *testing.T) {
	t.Parallel()
	key, public := newKey(t)
	for kind, message := range map[string]any{
		KindReport:    sampleReport(),
		KindChallenge: ChallengeAnswer{Ask: [16]byte{1}, Run: aRun, Purpose: PurposeStart, Challenge: [32]byte{9}},
		KindTaken:     Taken{Run: aRun, Permit: canon.Sum([]byte("permit")), Challenge: [32]byte{9}},
		KindSetup:     SetupResult{Leave: canon.Sum(nil), Number: 3, Position: geom.Pt(-5, 7), Homed: true},
	} {
		data, err := Seal(key, millID, kind, 7, message)
		if err != nil {
			t.Fatal(err)
		}
		signed, err := OpenSigned(data, public, kind)
		if err != nil || signed.Machine != millID || signed.Counter != 7 || signed.Kind != kind {
			t.Fatalf("%s: %+v, %v", kind, signed, err)
		}
		got := reflect.New(reflect.TypeOf(message))
		if err := signed.Decode(got.Interface()); err != nil || !reflect.DeepEqual(got.Elem().Interface(), message) {
			t.Errorf("%s: %+v, %v", kind, got.Elem().Interface(), err)
		}
	}
}

// The signature is plain Ed25519 (RFC 8032) over the stated text: checked here without nkeys. The
// key inside a public nkey is base32 text of one prefix byte, 32 bytes of key and a 2-byte CRC.
func TestSignatureIsPlainEd25519(t *testing.T) {
	t.Parallel()
	key, public := newKey(t)
	data, err := Seal(key, millID, KindReport, 7, sampleReport())
	if err != nil {
		t.Fatal(err)
	}
	var s Signed
	if err := canon.Unmarshal(data, &s); err != nil {
		t.Fatal(err)
	}
	text := append([]byte("kerfgate worker v1\nreport\n"), millID[:]...)
	text = binary.BigEndian.AppendUint64(text, 7)
	text = append(text, s.Body...)
	raw, err := base32.StdEncoding.WithPadding(base32.NoPadding).DecodeString(public)
	if err != nil || len(raw) != 35 {
		t.Fatalf("%d bytes, %v", len(raw), err)
	}
	if !ed25519.Verify(raw[1:33], text, s.Signature) {
		t.Error("not an Ed25519 signature over the text")
	}
}

func TestSealedAlterationsAreRefused(t *testing.T) {
	t.Parallel()
	key, public := newKey(t)
	_, other := newKey(t)
	data, err := Seal(key, millID, KindReport, 7, sampleReport())
	if err != nil {
		t.Fatal(err)
	}
	refused := func(data []byte, public, kind string, how string, args ...any) {
		t.Helper()
		s, err := OpenSigned(data, public, kind)
		if !errors.Is(err, ErrForm) && !errors.Is(err, ErrSignature) && !errors.Is(err, ErrWrongKind) {
			t.Errorf("%s %v: %v", how, args, err)
		}
		if !reflect.DeepEqual(s, Signed{}) {
			t.Errorf("%s %v: an error came with a message", how, args)
		}
	}
	for i := range data {
		altered := bytes.Clone(data)
		altered[i] ^= 1 << (i % 8)
		refused(altered, public, KindReport, "flip", i)
		refused(data[:i], public, KindReport, "cut", i)
	}
	for b := range 256 {
		refused(append(bytes.Clone(data), byte(b)), public, KindReport, "trail", b)
	}
	refused(data, other, KindReport, "other key")
	refused(data, "", KindReport, "no key")
	refused(data, public[:len(public)-1], KindReport, "half a key")
	for _, kind := range []string{KindTaken, KindChallenge, KindSetup, ""} {
		if _, err := OpenSigned(data, public, kind); !errors.Is(err, ErrWrongKind) {
			t.Errorf("report read as %q: %v", kind, err)
		}
	}
	var s Signed
	if err := canon.Unmarshal(data, &s); err != nil {
		t.Fatal(err)
	}
	for how, spoil := range map[string]func(*Signed){
		"other machine":     func(s *Signed) { s.Machine = penID },
		"other counter":     func(s *Signed) { s.Counter++ },
		"other kind":        func(s *Signed) { s.Kind = KindTaken },
		"no machine":        func(s *Signed) { s.Machine = uuid.Nil },
		"below zero":        func(s *Signed) { s.Counter = -1 },
		"no signature":      func(s *Signed) { s.Signature = nil },
		"longer signature":  func(s *Signed) { s.Signature = append(s.Signature, 0) },
		"shorter signature": func(s *Signed) { s.Signature = s.Signature[:63] },
	} {
		spoiled := s
		spoiled.Signature = bytes.Clone(s.Signature)
		spoil(&spoiled)
		altered, err := canon.Marshal(spoiled)
		if err != nil {
			t.Fatal(err)
		}
		refused(altered, public, KindReport, how)
		refused(altered, public, KindTaken, how)
	}
}

// The same value in another spelling is refused (RFC 8949 §4.2.1 leaves one): here an integer in
// two bytes where one does, and a map in another order.
func TestOneSpelling(t *testing.T) {
	t.Parallel()
	good, err := Encode(StateAsk{Process: [16]byte{1}})
	if err != nil {
		t.Fatal(err)
	}
	if err := decode(good, &StateAsk{}); err != nil {
		t.Fatal(err)
	}
	for name, data := range map[string][]byte{
		// {"by": bytes(16), "reason": ""} with the keys swapped; a1.. lengths by RFC 8949 §3.1.
		"order":         append([]byte{0xa2, 0x66, 'r', 'e', 'a', 's', 'o', 'n', 0x60, 0x62, 'b', 'y', 0x50}, make([]byte, 16)...),
		"long length":   append([]byte{0xa2, 0x62, 'b', 'y', 0x58, 0x10}, append(make([]byte, 16), 0x66, 'r', 'e', 'a', 's', 'o', 'n', 0x60)...),
		"unknown field": append([]byte{0xa3, 0x61, 'x', 0x00, 0x62, 'b', 'y', 0x50}, append(make([]byte, 16), 0x66, 'r', 'e', 'a', 's', 'o', 'n', 0x60)...),
		"missing field": {0xa1, 0x66, 'r', 'e', 'a', 's', 'o', 'n', 0x60},
	} {
		if err := decode(data, &Stop{}); !errors.Is(err, ErrForm) {
			t.Errorf("%s: %v", name, err)
		}
	}
	canonical := append([]byte{0xa2, 0x62, 'b', 'y', 0x50}, append(make([]byte, 16), 0x66, 'r', 'e', 'a', 's', 'o', 'n', 0x60)...)
	if err := decode(canonical, &Stop{}); err != nil {
		t.Errorf("canonical: %v", err)
	}
}

func TestSealRefuses(t *testing.T) {
	t.Parallel()
	key, _ := newKey(t)
	for name, seal := range map[string]func() ([]byte, error){
		"unknown kind": func() ([]byte, error) { return Seal(key, millID, "resume", 1, Taken{}) },
		"line in kind": func() ([]byte, error) { return Seal(key, millID, "report\n", 1, Taken{}) },
		"below zero":   func() ([]byte, error) { return Seal(key, millID, KindTaken, -1, Taken{}) },
		"no machine":   func() ([]byte, error) { return Seal(key, uuid.Nil, KindTaken, 1, Taken{}) },
		"large picture": func() ([]byte, error) {
			return Seal(key, millID, KindReport, 1, Report{Picture: make([]byte, MaxMessage)})
		},
		"not encodable":  func() ([]byte, error) { return Seal(key, millID, KindReport, 1, make(chan int)) },
		"large unsigned": func() ([]byte, error) { return Encode(PlanChunk{Data: make([]byte, MaxMessage)}) },
	} {
		if _, err := seal(); !errors.Is(err, ErrForm) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func FuzzOpenSigned(f *testing.F) {
	key, public := newKey(f)
	data, err := Seal(key, millID, KindReport, 7, sampleReport())
	if err != nil {
		f.Fatal(err)
	}
	f.Add(data)
	f.Add([]byte{0xa5})
	f.Fuzz(func(t *testing.T, data []byte) {
		if s, err := OpenSigned(data, public, KindReport); err == nil {
			again, err := canon.Marshal(s)
			if err != nil || !bytes.Equal(again, data) {
				t.Fatalf("two spellings: %x and %x, %v", data, again, err)
			}
		}
		// Every message type must survive any bytes, and have one spelling.
		for _, message := range []any{&Offer{}, &PlanAsk{}, &PlanChunk{}, &StateAsk{}, &State{}, &ChallengeAsk{},
			&ChallengeAnswer{}, &Taken{}, &SetupCommand{}, &SetupResult{}, &Stop{}, &Reading{}, &Report{}} {
			if decode(data, message) != nil {
				continue
			}
			again, err := Encode(message)
			if err != nil || !bytes.Equal(again, data) {
				t.Fatalf("%T: two spellings: %x and %x, %v", message, data, again, err)
			}
		}
	})
}
