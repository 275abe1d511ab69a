package logbook

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"errors"
	"fmt"
	"strings"
	"testing"

	"golang.org/x/mod/sumdb/note"
)

const (
	testSite   = "beds.example"
	testOrigin = testSite + "/logbook"
)

// testKeys are a site's keys, the same in every run.
type testKeys struct {
	log, permit note.Signer
	vkeys       []string
	verifiers   note.Verifiers
}

func newTestKeys(t testing.TB, site string) *testKeys {
	t.Helper()
	k := &testKeys{}
	var list []note.Verifier
	for _, name := range []string{LogKeyName(site), PermitKeyName(site)} {
		seed := sha256.Sum256([]byte(name))
		skey, vkey, err := note.GenerateKey(bytes.NewReader(seed[:]), name)
		if err != nil {
			t.Fatal(err)
		}
		signer, err := note.NewSigner(skey)
		if err != nil {
			t.Fatal(err)
		}
		v, err := ParseVerifierKey(vkey)
		if err != nil {
			t.Fatal(err)
		}
		k.vkeys = append(k.vkeys, vkey)
		list = append(list, v)
		if k.log == nil {
			k.log = signer
		} else {
			k.permit = signer
		}
	}
	k.verifiers = note.VerifierList(list...)
	return k
}

// The key, text and signature are those of the example of
// golang.org/x/mod/sumdb/note.
const (
	exampleKey  = "PeterNeumann+c74f20a3+ARpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TW"
	exampleText = "If you think cryptography is the answer to your problem,\n" +
		"then you don't know what your problem is.\n"
	exampleNote = exampleText + "\n" +
		"— PeterNeumann x08go/ZJkuBS9UG/SffcvIAQxVBtiFupLLr8pAcElZInNIuGUgYN1FFYC2pZSNXgKvqfqdngotpRZb6KE6RyyBwJnAM=\n"
)

func TestSignedNote_Example(t *testing.T) {
	t.Parallel()
	v, err := ParseVerifierKey(exampleKey)
	if err != nil {
		t.Fatal(err)
	}
	// Key id: the first four bytes of SHA-256(name, newline, type, key), c2sp.org/signed-note.
	key, err := base64.StdEncoding.DecodeString("ARpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TW")
	if err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256(append([]byte("PeterNeumann\n"), key...))
	if id := binary.BigEndian.Uint32(sum[:]); id != 0xc74f20a3 || v.KeyHash() != id || key[0] != 1 {
		t.Errorf("key id %08x, type %d", id, key[0])
	}
	if err := openNote([]byte(exampleNote), "PeterNeumann", note.VerifierList(v)); err != nil {
		t.Error(err)
	}
	// The last character before the padding holds two bits that no byte uses.
	stray := strings.Replace(exampleNote, "JnAM=", "JnAN=", 1)
	if _, err := note.Open([]byte(stray), note.VerifierList(v)); err != nil {
		t.Fatalf("package note has become strict, drop our own check: %v", err)
	}
	if err := openNote([]byte(stray), "PeterNeumann", note.VerifierList(v)); !errors.Is(err, ErrSignature) {
		t.Errorf("stray bits: %v", err)
	}
	for i := range len(exampleNote) {
		b := []byte(exampleNote)
		b[i] ^= 1
		if err := openNote(b, "PeterNeumann", note.VerifierList(v)); !errors.Is(err, ErrSignature) {
			t.Errorf("byte %d altered: %v", i, err)
		}
	}
}

func TestHead_Text(t *testing.T) {
	t.Parallel()
	h := vectorHead(t, 8)
	want := "beds.example/logbook\n8\nXcnaeacGWamtVZy3Ad7ZoqudgjqtL0lgz+Nw7/RgQyg=\n" // V12 in base64
	if h.Text() != want {
		t.Errorf("text %q, want %q", h.Text(), want)
	}
	again, err := ParseHead(want)
	if err != nil || again != h {
		t.Errorf("%+v, %v", again, err)
	}
}

func TestParseHead_Refuses(t *testing.T) {
	t.Parallel()
	good := vectorHead(t, 8).Text()
	for name, text := range map[string]string{
		"empty":                    "",
		"size with leading zero":   strings.Replace(good, "\n8\n", "\n08\n", 1),
		"size with sign":           strings.Replace(good, "\n8\n", "\n+8\n", 1),
		"negative size":            strings.Replace(good, "\n8\n", "\n-8\n", 1),
		"size in hexadecimal":      strings.Replace(good, "\n8\n", "\n0x8\n", 1),
		"size over 63 bits":        strings.Replace(good, "\n8\n", "\n9223372036854775808\n", 1),
		"root in URL base64":       strings.NewReplacer("+", "-", "/R", "_R").Replace(good),
		"root without its padding": strings.Replace(good, "=", "", 1),
		"root with stray bits":     strings.Replace(good, "yg=", "yh=", 1),
		"missing last newline":     strings.TrimSuffix(good, "\n"),
		"carriage returns":         strings.ReplaceAll(good, "\n", "\r\n"),
		"extension line":           good + "more\n",
		"empty origin":             strings.TrimPrefix(good, testOrigin),
		"origin with a space":      " " + good,
		"origin with a plus sign":  "a+" + good,
		"origin of another thing":  strings.Replace(good, "/logbook", "/permit", 1),
		"epoch in upper case":      strings.Replace(good, "/logbook", "/logbook/000102030405060708090A0B0C0D0E0F", 1),
		"epoch of zeros":           strings.Replace(good, "/logbook", "/logbook/"+strings.Repeat("0", 32), 1),
		"short epoch":              strings.Replace(good, "/logbook", "/logbook/00", 1),
	} {
		if text == good {
			t.Errorf("%s: the case alters nothing", name)
		}
		if h, err := ParseHead(text); !errors.Is(err, ErrHead) {
			t.Errorf("%s: %+v, %v", name, h, err)
		}
	}
}

func TestOrigin(t *testing.T) {
	t.Parallel()
	epoch := [16]byte{0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15}
	for _, site := range []string{"beds.example", "a/logbook/b", "x"} {
		for _, e := range [][16]byte{{}, epoch} {
			s, got, err := ParseOrigin(Origin(site, e))
			if err != nil || s != site || got != e {
				t.Errorf("%s: %s, %x, %v", Origin(site, e), s, got, err)
			}
		}
	}
	if got := Origin("beds.example", epoch); got != "beds.example/logbook/000102030405060708090a0b0c0d0e0f" {
		t.Error(got)
	}
}

func TestSignHead_OpenHead(t *testing.T) {
	t.Parallel()
	k := newTestKeys(t, testSite)
	h := vectorHead(t, 8)
	signed, err := SignHead(h, k.log)
	if err != nil {
		t.Fatal(err)
	}
	got, err := OpenHead(signed, k.verifiers)
	if err != nil || got != h {
		t.Fatalf("%+v, %v", got, err)
	}
	// Ed25519 is deterministic (RFC 8032) and type 0x01 signs the text itself:
	// verify with crypto/ed25519 alone.
	text, sigs, _ := strings.Cut(string(signed), "\n\n")
	raw, err := base64.StdEncoding.Strict().DecodeString(strings.TrimSuffix(strings.TrimPrefix(sigs, "— "+testOrigin+" "), "\n"))
	if err != nil {
		t.Fatal(err)
	}
	public, _ := base64.StdEncoding.DecodeString(k.vkeys[0][strings.LastIndex(k.vkeys[0], "+")+1:])
	if len(public) != 33 || !ed25519.Verify(public[1:], []byte(text+"\n"), raw[4:]) {
		t.Error("signature does not verify over the text alone")
	}
	for i := range signed {
		b := bytes.Clone(signed)
		b[i] ^= 1
		if h, err := OpenHead(b, k.verifiers); err == nil {
			t.Errorf("byte %d altered: %+v", i, h)
		}
	}
}

func TestOpenHead_Refuses(t *testing.T) {
	t.Parallel()
	k, other := newTestKeys(t, testSite), newTestKeys(t, "felt.example")
	h := vectorHead(t, 8)
	signed, err := SignHead(h, k.log)
	if err != nil {
		t.Fatal(err)
	}
	permitSigned, err := note.Sign(&note.Note{Text: h.Text()}, k.permit)
	if err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		signed    []byte
		verifiers note.Verifiers
		want      error
	}{
		"unknown key only":     {signed, other.verifiers, ErrSignature},
		"no keys":              {signed, nil, ErrSignature},
		"another key's":        {permitSigned, k.verifiers, ErrSignature},
		"no signature":         {[]byte(h.Text()), k.verifiers, ErrHead},
		"missing last newline": {bytes.TrimSuffix(signed, []byte("\n")), k.verifiers, ErrSignature},
		"empty":                {nil, k.verifiers, ErrHead},
		"too long":             {make([]byte, MaxHead+1), k.verifiers, ErrHead},
	} {
		if got, err := OpenHead(c.signed, c.verifiers); !errors.Is(err, c.want) {
			t.Errorf("%s: %+v, %v", name, got, err)
		}
	}
	if _, err := SignHead(h, k.permit); !errors.Is(err, ErrHead) {
		t.Errorf("signing with the permit key: %v", err)
	}
	// A witness's signature beside the log's own is ignored.
	both, err := note.Sign(&note.Note{Text: h.Text()}, k.log, other.log)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := OpenHead(both, k.verifiers); err != nil {
		t.Errorf("an unknown key beside the log's: %v", err)
	}
}

func TestParseVerifierKey_Refuses(t *testing.T) {
	t.Parallel()
	for _, key := range []string{
		"", "PeterNeumann", strings.Replace(exampleKey, "c74f20a3", "C74F20A3", 1),
		strings.Replace(exampleKey, "c74f20a3", "c74f20a4", 1), exampleKey + "\n", " " + exampleKey,
	} {
		if _, err := ParseVerifierKey(key); err == nil {
			t.Errorf("%q accepted", key)
		}
	}
}

func FuzzParseHead(f *testing.F) {
	f.Add(vectorHead(f, 8).Text())
	f.Add(fmt.Sprintf("%s/%032x\n0\n%s\n", testOrigin, 5, vectorHead(f, 0).Root))
	f.Fuzz(func(t *testing.T, text string) {
		h, err := ParseHead(text)
		if err == nil && h.Text() != text {
			t.Fatalf("%q reads, but is written %q", text, h.Text())
		}
	})
}
