package permit

import (
	"bytes"
	"crypto/rand"
	"errors"
	"testing"

	"golang.org/x/mod/sumdb/note"
)

// public is the verifier key of a test key as text.
func public(t *testing.T, name string) (note.Signer, note.Verifiers, string) {
	t.Helper()
	secret, text, err := note.GenerateKey(rand.Reader, name)
	if err != nil {
		t.Fatal(err)
	}
	signer, err := note.NewSigner(secret)
	if err != nil {
		t.Fatal(err)
	}
	v, err := note.NewVerifier(text)
	if err != nil {
		t.Fatal(err)
	}
	return signer, note.VerifierList(v), text
}

// A chain of two replacements is followed link by link; no link can be left out, turned around, made
// by somebody else or made for another key.
func TestS23_OnlyTheOldKeyNamesItsSuccessor(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"garden/permit", "garden/logbook"} {
		first, firstV, firstText := public(t, name)
		second, secondV, secondText := public(t, name)
		_, _, thirdText := public(t, name)
		one, err := SignSuccessor(first, Successor{Number: 1, Public: secondText})
		if err != nil {
			t.Fatal(err)
		}
		two, err := SignSuccessor(second, Successor{Number: 2, Public: thirdText})
		if err != nil {
			t.Fatal(err)
		}
		if got, err := OpenSuccessor(one, firstV); err != nil || got.Public != secondText || got.Number != 1 {
			t.Fatalf("%s: %+v %v", name, got, err)
		}
		if got, err := OpenSuccessor(two, secondV); err != nil || got.Public != thirdText {
			t.Fatalf("%s: %+v %v", name, got, err)
		}
		if _, err := OpenSuccessor(two, firstV); !errors.Is(err, ErrSignature) {
			t.Errorf("%s: a link left out: %v", name, err)
		}
		if _, err := OpenSuccessor(one, secondV); !errors.Is(err, ErrSignature) {
			t.Errorf("%s: turned around: %v", name, err)
		}
		for i := range one {
			bad := bytes.Clone(one)
			bad[i] ^= 1
			if _, err := OpenSuccessor(bad, firstV); err == nil {
				t.Errorf("%s: byte %d altered and taken", name, i)
			}
		}
		if _, err := OpenSuccessor(append(bytes.Clone(one), '\n'), firstV); err == nil {
			t.Error("trailing bytes taken")
		}
		if _, err := SignSuccessor(first, Successor{Number: 1, Public: firstText}); !errors.Is(err, ErrForm) {
			t.Errorf("follows itself: %v", err)
		}
		if _, err := SignSuccessor(first, Successor{Number: 0, Public: secondText}); !errors.Is(err, ErrForm) {
			t.Errorf("number 0: %v", err)
		}
	}
	permits, permitsV, _ := public(t, "garden/permit")
	_, _, logText := public(t, "garden/logbook")
	_, _, otherText := public(t, "felt/permit")
	for _, text := range []string{logText, otherText, "garden/permit"} {
		if _, err := SignSuccessor(permits, Successor{Number: 1, Public: text}); !errors.Is(err, ErrForm) {
			t.Errorf("%.40q follows garden/permit: %v", text, err)
		}
	}
	// What a holder of the permit key writes by other means is held to the same rule.
	forged, err := sign(permits, &Successor{Number: 1, Public: logText})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := OpenSuccessor(forged, permitsV); !errors.Is(err, ErrForm) {
		t.Errorf("a permit key that names a log key: %v", err)
	}
	// Nor is a successor another statement, or the other way round.
	if _, err := OpenPermit(forged, permitsV); !errors.Is(err, ErrWrongStatement) {
		t.Errorf("a successor as a permit: %v", err)
	}
}
