package permit

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"errors"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/uuid"
	"go.uber.org/goleak"
	"golang.org/x/mod/sumdb/note"
	"pgregory.net/rapid"
)

var update = flag.Bool("update", false, "rewrite golden files")

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// The secret half of the test key is 32 bytes of one value each: made up here.
func keys(t testing.TB, name string, fill byte) (note.Signer, note.Verifier) {
	t.Helper()
	seed := bytes.Repeat([]byte{fill}, ed25519.SeedSize)
	public := append([]byte{1}, ed25519.NewKeyFromSeed(seed).Public().(ed25519.PublicKey)...)
	sum := sha256.Sum256(append([]byte(name+"\n"), public...))
	id := name + "+" + hex8(binary.BigEndian.Uint32(sum[:])) + "+"
	signer, err := note.NewSigner("PRIVATE+KEY+" + id + base64.StdEncoding.EncodeToString(append([]byte{1}, seed...)))
	if err != nil {
		t.Fatal(err)
	}
	verifier, err := note.NewVerifier(id + base64.StdEncoding.EncodeToString(public))
	if err != nil {
		t.Fatal(err)
	}
	return signer, verifier
}

func hex8(v uint32) string {
	const digits = "0123456789abcdef"
	var b [8]byte
	for i := range b {
		b[7-i] = digits[v&15]
		v >>= 4
	}
	return string(b[:])
}

func fill32(b byte) (d [32]byte) {
	for i := range d {
		d[i] = b
	}
	return d
}

var (
	machineID = uuid.MustParse("01890000-0000-7000-8000-00000000000a")
	runID     = uuid.MustParse("01890000-0000-7000-8000-00000000000b")
	personID  = uuid.MustParse("01890000-0000-7000-8000-00000000000c")
	serialID  = uuid.MustParse("01890000-0000-7000-8000-00000000000d")
)

func samplePermit() Permit {
	return Permit{
		Serial: serialID, Run: runID, Machine: machineID, MachineKey: "U" + strings.Repeat("A2", 27) + "B",
		Plan: fill32(1), Placement: fill32(2), Profile: fill32(3), Stock: fill32(4), SignOff: fill32(5),
		OriginXUM: -12_500, OriginYUM: 40_000, SheetWUM: 300_000, SheetHUM: 200_000,
		Operator: personID, Epoch: [16]byte{6}, Challenge: fill32(7), AgeLimitS: 60,
		Attendance: fill32(8), LogSize: 1234, LogRoot: fill32(9),
	}
}

// statement is one kind with its sample, for tests over all of them.
type statement struct {
	name string
	sign func(note.Signer) ([]byte, error)
	// open reads msg and gives what Sign makes of the result again.
	open func(msg []byte, known note.Verifiers, again note.Signer) ([]byte, error)
}

func kind[T any, P formOf[T]](sample T, open func([]byte, note.Verifiers) (T, error)) statement {
	return statement{
		name: P(&sample).kind(),
		sign: func(s note.Signer) ([]byte, error) { return Sign[T, P](s, sample) },
		open: func(msg []byte, known note.Verifiers, again note.Signer) ([]byte, error) {
			got, err := open(msg, known)
			if err != nil {
				var none T
				if any(got) != any(none) {
					return nil, errors.New("an error came with a statement")
				}
				return nil, err
			}
			return Sign[T, P](again, got)
		},
	}
}

func statements() []statement {
	return []statement{
		kind(samplePermit(), OpenPermit),
		kind(Go{Machine: machineID, Run: runID, Permit: fill32(1), Challenge: fill32(2), Granted: true}, OpenGo),
		kind(Void{Machine: machineID, Run: runID, Permit: fill32(1), Reason: "the stock changed"}, OpenVoid),
		kind(Resume{Machine: machineID, Run: runID, Operator: personID, PauseToken: fill32(3)}, OpenResume),
		kind(Leave{Serial: serialID, Machine: machineID, Operator: personID, Epoch: [16]byte{6}, Challenge: fill32(7), AgeLimitS: 600}, OpenLeave),
		kind(Lockout{Machine: machineID, Locked: true, LogIndex: 77, Reason: "flame or glow seen"}, OpenLockout),
		kind(Applied{Machine: machineID, Epoch: [16]byte{6}, Number: 41}, OpenApplied),
		kind(Handover{Machine: machineID, Run: runID, Permit: fill32(1), Number: 2, Operator: personID, Attendance: fill32(8)}, OpenHandover),
	}
}

func TestGolden(t *testing.T) {
	t.Parallel()
	signer, verifier := keys(t, "garden/permit", 0x42)
	for _, s := range statements() {
		msg, err := s.sign(signer)
		if err != nil {
			t.Fatalf("%s: %v", s.name, err)
		}
		path := filepath.Join("testdata", s.name+".note")
		if *update {
			if err := os.WriteFile(path, msg, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(msg, want) {
			t.Errorf("%s is now\n%s\nwas\n%s", s.name, msg, want)
		}
		again, err := s.open(want, note.VerifierList(verifier), signer)
		if err != nil || !bytes.Equal(again, want) {
			t.Errorf("%s does not come back: %v\n%s", s.name, err, again)
		}
		// The note library itself must agree that this is a note of that key.
		if _, err := note.Open(msg, note.VerifierList(verifier)); err != nil {
			t.Errorf("%s: %v", s.name, err)
		}
	}
}

// S23: one flipped bit in each byte, every truncation and every trailing byte is refused, with the
// errors that callers tell apart.
func TestS23_EveryAlterationIsRefused(t *testing.T) {
	t.Parallel()
	signer, verifier := keys(t, "garden/permit", 0x42)
	known := note.VerifierList(verifier)
	for _, s := range statements() {
		t.Run(s.name, func(t *testing.T) {
			t.Parallel()
			msg, err := s.sign(signer)
			if err != nil {
				t.Fatal(err)
			}
			refused := func(altered []byte, how string, args ...any) {
				t.Helper()
				_, err := s.open(altered, known, signer)
				if !errors.Is(err, ErrForm) && !errors.Is(err, ErrSignature) && !errors.Is(err, ErrWrongStatement) {
					t.Errorf("%s %v: %v", how, args, err)
				}
			}
			for i := range msg {
				for bit := range 8 {
					if s.name != "permit" && bit != i%8 {
						continue // every bit of the permit, one of each byte of the others
					}
					altered := bytes.Clone(msg)
					altered[i] ^= 1 << bit
					refused(altered, "flip", i, bit)
				}
				refused(msg[:i], "cut", i)
				refused(append(bytes.Clone(msg[:i]), msg[i+1:]...), "drop", i)
			}
			for b := range 256 {
				refused(append(bytes.Clone(msg), byte(b)), "trail", b)
				refused(append([]byte{byte(b)}, msg...), "lead", b)
			}
			refused(bytes.ReplaceAll(msg, []byte("\n"), []byte("\r\n")), "line breaks")
			refused(append(bytes.Clone(msg), msg...), "twice")
			_, signature, _ := strings.Cut(string(msg), "\n\n")
			refused(append(bytes.Clone(msg), signature...), "signature twice")
			refused(append(bytes.Clone(msg), "— witness AAAAAAAA\n"...), "unknown signature beside")
			refused(append(bytes.Clone(msg), bytes.Repeat([]byte("— w AAAAAAAA\n"), 500)...), "too long")
		})
	}
}

func TestS23_OtherKeysAreRefused(t *testing.T) {
	t.Parallel()
	signer, verifier := keys(t, "garden/permit", 0x42)
	sameName, sameNameVerifier := keys(t, "garden/permit", 0x43)
	otherName, _ := keys(t, "orchard/permit", 0x42)
	logKey, logVerifier := keys(t, "garden/logbook", 0x42)
	for _, s := range statements() {
		msg, err := s.sign(signer)
		if err != nil {
			t.Fatal(err)
		}
		for _, wrong := range []note.Signer{sameName, otherName} {
			forged, err := s.sign(wrong)
			if err != nil {
				t.Fatal(err)
			}
			if _, err := s.open(forged, note.VerifierList(verifier), signer); !errors.Is(err, ErrSignature) {
				t.Errorf("%s by %s: %v", s.name, wrong.Name(), err)
			}
		}
		if _, err := s.open(msg, nil, signer); !errors.Is(err, ErrSignature) {
			t.Errorf("%s without keys: %v", s.name, err)
		}
		// A key of another purpose neither signs nor verifies, even where a caller lists it.
		if _, err := s.sign(logKey); !errors.Is(err, ErrForm) {
			t.Errorf("%s signed by the logbook's key: %v", s.name, err)
		}
		text, _, _ := strings.Cut(string(msg), "\n\n")
		byLog, err := note.Sign(&note.Note{Text: text + "\n"}, logKey)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := s.open(byLog, note.VerifierList(verifier, logVerifier), signer); !errors.Is(err, ErrSignature) {
			t.Errorf("%s by the logbook's key: %v", s.name, err)
		}
		// Two good signatures are one too many.
		both, err := note.Sign(&note.Note{Text: text + "\n"}, signer, sameName)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := s.open(both, note.VerifierList(verifier, sameNameVerifier), signer); !errors.Is(err, ErrSignature) {
			t.Errorf("%s signed twice: %v", s.name, err)
		}
		// While a key is being replaced both count.
		byNew, err := s.sign(sameName)
		if err != nil {
			t.Fatal(err)
		}
		rotating := note.VerifierList(verifier, sameNameVerifier)
		if _, err := s.open(msg, rotating, signer); err != nil {
			t.Errorf("%s by the old key: %v", s.name, err)
		}
		if _, err := s.open(byNew, rotating, signer); err != nil {
			t.Errorf("%s by the new key: %v", s.name, err)
		}
	}
}

func TestOneKindIsNotAnother(t *testing.T) {
	t.Parallel()
	signer, verifier := keys(t, "garden/permit", 0x42)
	all := statements()
	for _, s := range all {
		msg, err := s.sign(signer)
		if err != nil {
			t.Fatal(err)
		}
		for _, o := range all {
			_, err := o.open(msg, note.VerifierList(verifier), signer)
			if (o.name == s.name) != (err == nil) || (err != nil && !errors.Is(err, ErrWrongStatement)) {
				t.Errorf("%s read as %s: %v", s.name, o.name, err)
			}
		}
	}
}

// A well signed text that Sign would not have written is refused all the same: what a statement
// means must not depend on how a reader forgives.
func TestOneSpelling(t *testing.T) {
	t.Parallel()
	signer, verifier := keys(t, "garden/permit", 0x42)
	msg, err := Sign(signer, samplePermit())
	if err != nil {
		t.Fatal(err)
	}
	text, _, _ := strings.Cut(string(msg), "\n\n")
	text += "\n"
	for _, c := range []struct{ old, new string }{
		{"kerfgate permit v1", "kerfgate permit v2"},
		{"kerfgate permit v1", "Kerfgate permit v1"},
		{"kerfgate permit v1\n", "kerfgate permit v1\nalg none\n"},
		{"age-limit-s 60", "age-limit-s 060"},
		{"age-limit-s 60", "age-limit-s +60"},
		{"age-limit-s 60", "age-limit-s 61"},
		{"age-limit-s 60", "age-limit-s 0"},
		{"age-limit-s 60", "age-limit-s -1"},
		{"age-limit-s 60", "age-limit-s 6e1"},
		{"age-limit-s 60", "age-limit-s  60"},
		{"age-limit-s 60", "age-limit-s 60 "},
		{"log-size 1234", "log-size 99999999999999999999"},
		{"origin-x-um -12500", "origin-x-um -012500"},
		{"origin-x-um -12500", "origin-x-um −12500"},
		{"origin-y-um 40000", "origin-y-um -0"},
		{"sheet-width-um 300000", "sheet-width-um -300000"},
		{serialID.String(), strings.ToUpper(serialID.String())},
		{serialID.String(), "{" + serialID.String() + "}"},
		{serialID.String(), "urn:uuid:" + serialID.String()},
		{serialID.String(), strings.ReplaceAll(serialID.String(), "-", "")},
		{serialID.String(), uuid.Nil.String()},
		{strings.Repeat("07", 32), strings.Repeat("00", 32)},
		{strings.Repeat("07", 32), strings.Repeat("07", 31)},
		{strings.Repeat("07", 32), strings.Repeat("07", 33)},
		{strings.Repeat("07", 32), strings.Repeat("AB", 32)},
		{"machine-key U", "machine-key X"},
		{"machine-key U", "machine-key Ü"},
		{"\nrun ", "\nRun "},
		{"\nrun " + runID.String(), ""},
		{"\nrun " + runID.String(), "\nrun " + runID.String() + "\nrun " + runID.String()},
		{text[len(text)-1:], "\n\n"},
	} {
		altered := strings.Replace(text, c.old, c.new, 1)
		if c.old == "\n" {
			altered = text + "\n"
		}
		if altered == text {
			t.Fatalf("%q is not in the text", c.old)
		}
		forged, err := note.Sign(&note.Note{Text: altered}, signer)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := OpenPermit(forged, note.VerifierList(verifier)); !errors.Is(err, ErrForm) && !errors.Is(err, ErrWrongStatement) {
			t.Errorf("%q → %q: %v", c.old, c.new, err)
		}
	}
	swapped := strings.Replace(text, "serial "+serialID.String()+"\nrun "+runID.String(), "run "+runID.String()+"\nserial "+serialID.String(), 1)
	forged, err := note.Sign(&note.Note{Text: swapped}, signer)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := OpenPermit(forged, note.VerifierList(verifier)); !errors.Is(err, ErrForm) {
		t.Errorf("two lines swapped: %v", err)
	}
}

func TestReason(t *testing.T) {
	t.Parallel()
	signer, verifier := keys(t, "garden/permit", 0x42)
	for reason, fine := range map[string]bool{
		"": true, "the lot ran out": true, "Prüfung fehlt": true, strings.Repeat("x", MaxReason): true,
		"-": false, " x": false, "x ": false, "a\nb": false, "a\tb": false, "a\u2028b": false, "a\u202eb": false,
		"\xff": false, "a\x7fb": false, strings.Repeat("x", MaxReason+1): false, "\n": false,
	} {
		msg, err := Sign(signer, Void{Machine: machineID, Run: runID, Permit: fill32(1), Reason: reason})
		if fine != (err == nil) || (err != nil && !errors.Is(err, ErrForm)) {
			t.Errorf("%q: %v", reason, err)
			continue
		}
		if !fine {
			continue
		}
		got, err := OpenVoid(msg, note.VerifierList(verifier))
		if err != nil || got.Reason != reason {
			t.Errorf("%q came back as %q: %v", reason, got.Reason, err)
		}
	}
}

func TestSignRefusesWhatOpenRefuses(t *testing.T) {
	t.Parallel()
	signer, _ := keys(t, "garden/permit", 0x42)
	for name, spoil := range map[string]func(*Permit){
		"no machine":         func(p *Permit) { p.Machine = uuid.Nil },
		"no challenge":       func(p *Permit) { p.Challenge = [32]byte{} },
		"no plan":            func(p *Permit) { p.Plan = [32]byte{} },
		"no epoch":           func(p *Permit) { p.Epoch = [16]byte{} },
		"lives for an hour":  func(p *Permit) { p.AgeLimitS = 3600 },
		"no sheet":           func(p *Permit) { p.SheetWUM = 0 },
		"key with a line":    func(p *Permit) { p.MachineKey = "U" + strings.Repeat("A", 54) + "\n" },
		"key of a server":    func(p *Permit) { p.MachineKey = "N" + p.MachineKey[1:] },
		"far away":           func(p *Permit) { p.OriginXUM = maxUM + 1 },
		"log of before zero": func(p *Permit) { p.LogSize = -1 },
	} {
		p := samplePermit()
		spoil(&p)
		if _, err := Sign(signer, p); !errors.Is(err, ErrForm) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestDigestIsOfTheWholeNote(t *testing.T) {
	t.Parallel()
	signer, _ := keys(t, "garden/permit", 0x42)
	other, _ := keys(t, "garden/permit", 0x43)
	a, err := Sign(signer, samplePermit())
	if err != nil {
		t.Fatal(err)
	}
	b, err := Sign(other, samplePermit())
	if err != nil {
		t.Fatal(err)
	}
	if Digest(a) != sha256.Sum256(a) || Digest(a) == Digest(b) {
		t.Error("the signature is not part of the digest")
	}
}

func TestKeys(t *testing.T) {
	t.Parallel()
	secret, public, err := GenerateKey(KeyName("garden"))
	if err != nil {
		t.Fatal(err)
	}
	signer, err := note.NewSigner(secret)
	if err != nil {
		t.Fatal(err)
	}
	known, err := Verifiers(public)
	if err != nil {
		t.Fatal(err)
	}
	msg, err := Sign(signer, samplePermit())
	if err != nil {
		t.Fatal(err)
	}
	got, err := OpenPermit(msg, known)
	if err != nil || got != samplePermit() {
		t.Fatalf("%+v, %v", got, err)
	}
	_, second, _ := GenerateKey(KeyName("garden"))
	_, third, _ := GenerateKey(KeyName("garden"))
	_, orchard, _ := GenerateKey(KeyName("orchard"))
	_, logbook, _ := GenerateKey("garden/logbook")
	otherAlgorithm := func() string { // the byte before the key names the algorithm; 1 is Ed25519
		key := append([]byte{2}, bytes.Repeat([]byte{7}, 32)...)
		sum := sha256.Sum256(append([]byte("garden/permit\n"), key...))
		return "garden/permit+" + hex8(binary.BigEndian.Uint32(sum[:])) + "+" + base64.StdEncoding.EncodeToString(key)
	}()
	if _, err := Verifiers(public, second); err != nil {
		t.Errorf("two keys: %v", err)
	}
	for name, list := range map[string][]string{
		"none": {}, "three": {public, second, third}, "two sites": {public, orchard}, "the logbook's": {logbook},
		"twice": {public, public}, "secret": {secret}, "junk": {"garden/permit"}, "algorithm": {otherAlgorithm},
	} {
		if _, err := Verifiers(list...); !errors.Is(err, ErrKey) {
			t.Errorf("%s: %v", name, err)
		}
	}
	for _, name := range []string{"", "garden", "/permit", "garden/", "gar den/permit", "garden+/permit"} {
		if _, _, err := GenerateKey(name); !errors.Is(err, ErrKey) {
			t.Errorf("name %q: %v", name, err)
		}
	}
}

func TestAnyPermitComesBack(t *testing.T) {
	t.Parallel()
	signer, verifier := keys(t, "garden/permit", 0x42)
	rapid.Check(t, func(t *rapid.T) {
		bytes32 := func(name string) (d [32]byte) {
			copy(d[:], rapid.SliceOfN(rapid.Byte(), 32, 32).Draw(t, name))
			d[0] |= 1
			return d
		}
		p := samplePermit()
		p.Plan, p.Challenge, p.LogRoot = bytes32("plan"), bytes32("challenge"), bytes32("root")
		p.OriginXUM = rapid.Int64Range(-maxUM, maxUM).Draw(t, "x")
		p.SheetHUM = rapid.Int64Range(1, maxUM).Draw(t, "h")
		p.AgeLimitS = rapid.Int64Range(1, MaxPermitAgeS).Draw(t, "age")
		p.LogSize = rapid.Int64Min(0).Draw(t, "size")
		msg, err := Sign(signer, p)
		if err != nil {
			t.Fatal(err)
		}
		got, err := OpenPermit(msg, note.VerifierList(verifier))
		if err != nil || got != p {
			t.Fatalf("%+v came back as %+v: %v", p, got, err)
		}
	})
}
