package permit

import (
	"bytes"
	"strings"
	"testing"

	"golang.org/x/mod/sumdb/note"
)

// Each fuzz target signs any text with a known key: a reader must take it only if Sign makes the
// very same bytes of what was read. Unsigned bytes go through the same reader.
func fuzz(f *testing.F, name string) {
	signer, verifier := keys(f, "garden/permit", 0x42)
	known := note.VerifierList(verifier)
	var target statement
	for _, s := range statements() {
		msg, err := s.sign(signer)
		if err != nil {
			f.Fatal(err)
		}
		text, _, _ := strings.Cut(string(msg), "\n\n")
		f.Add(text + "\n")
		f.Add(string(msg))
		if s.name == name {
			target = s
		}
	}
	f.Fuzz(func(t *testing.T, text string) {
		if again, err := target.open([]byte(text), known, signer); err == nil && string(again) != text {
			t.Fatalf("two spellings:\n%s\n%s", text, again)
		}
		msg, err := note.Sign(&note.Note{Text: text}, signer)
		if err != nil {
			return // not a note's text
		}
		again, err := target.open(msg, known, signer)
		if err == nil && !bytes.Equal(again, msg) {
			t.Fatalf("two spellings:\n%s\n%s", msg, again)
		}
	})
}

func FuzzOpenPermit(f *testing.F)   { fuzz(f, "permit") }
func FuzzOpenGo(f *testing.F)       { fuzz(f, "go") }
func FuzzOpenVoid(f *testing.F)     { fuzz(f, "void") }
func FuzzOpenResume(f *testing.F)   { fuzz(f, "resume") }
func FuzzOpenLeave(f *testing.F)    { fuzz(f, "leave") }
func FuzzOpenLockout(f *testing.F)  { fuzz(f, "lockout") }
func FuzzOpenApplied(f *testing.F)  { fuzz(f, "applied") }
func FuzzOpenHandover(f *testing.F) { fuzz(f, "handover") }
