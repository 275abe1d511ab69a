package permit

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"errors"
	"fmt"
	"strings"

	"golang.org/x/mod/sumdb/note"
)

// MaxNote is the most bytes of a signed statement, signature included.
const MaxNote = 4096

var (
	// ErrForm is the error of bytes that are not a statement exactly as Sign writes it, and of a
	// value that cannot be stated.
	ErrForm = errors.New("malformed statement")
	// ErrSignature is the error of a note that is not signed by exactly one known key.
	ErrSignature = errors.New("signature not verified")
	// ErrWrongStatement is the error of a well signed note that states something else.
	ErrWrongStatement = errors.New("another kind of statement")
)

// Digest names a statement: SHA-256 of the whole note as it was sent, the signature included.
func Digest(msg []byte) [sha256.Size]byte { return sha256.Sum256(msg) }

// form is a statement as a first line and a fixed row of further lines.
type form interface {
	kind() string
	lines() []line
}

// formOf lets Sign take plain values.
type formOf[T any] interface {
	*T
	form
}

// Sign writes and signs a statement: Permit, Go, Void, Resume, Leave, Lockout, Applied or
// Handover. Ed25519 is deterministic, so the same statement and key give the same bytes. Errors wrap ErrForm.
func Sign[T any, P formOf[T]](signer note.Signer, statement T) ([]byte, error) {
	if !signsStatements(signer.Name()) {
		return nil, fmt.Errorf("%w: key %.80q does not sign statements", ErrForm, signer.Name())
	}
	return sign(signer, P(&statement))
}

func sign(signer note.Signer, f form) ([]byte, error) {
	text, err := write(f)
	if err != nil {
		return nil, err
	}
	msg, err := note.Sign(&note.Note{Text: text}, signer)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrForm, err)
	}
	if len(msg) > MaxNote {
		return nil, fmt.Errorf("%w: %d bytes, at most %d are allowed", ErrForm, len(msg), MaxNote)
	}
	return msg, nil
}

func signsStatements(key string) bool { return strings.HasSuffix(key, keySuffix) }

// OpenPermit reads a permit. Errors of this and the other Open functions wrap ErrForm,
// ErrSignature or ErrWrongStatement; with an error the result is zero.
func OpenPermit(msg []byte, known note.Verifiers) (Permit, error) { return open[Permit](msg, known) }

// OpenGo reads a go.
func OpenGo(msg []byte, known note.Verifiers) (Go, error) { return open[Go](msg, known) }

// OpenVoid reads a void.
func OpenVoid(msg []byte, known note.Verifiers) (Void, error) { return open[Void](msg, known) }

// OpenResume reads a resume.
func OpenResume(msg []byte, known note.Verifiers) (Resume, error) { return open[Resume](msg, known) }

// OpenLeave reads a set-up leave.
func OpenLeave(msg []byte, known note.Verifiers) (Leave, error) { return open[Leave](msg, known) }

// OpenLockout reads a lockout statement.
func OpenLockout(msg []byte, known note.Verifiers) (Lockout, error) { return open[Lockout](msg, known) }

// OpenApplied reads an applied statement.
func OpenApplied(msg []byte, known note.Verifiers) (Applied, error) { return open[Applied](msg, known) }

// OpenHandover reads a hand-over.
func OpenHandover(msg []byte, known note.Verifiers) (Handover, error) {
	return open[Handover](msg, known)
}

func open[T any, P formOf[T]](msg []byte, known note.Verifiers) (T, error) {
	var statement, none T
	text, _, err := verified(msg, known, signsStatements)
	if err != nil {
		return none, err
	}
	if err := read(text, P(&statement)); err != nil {
		return none, err
	}
	return statement, nil
}

// verified gives the text of a note that carries one signature, by a known key whose name may sign
// it, and nothing else.
func verified(msg []byte, known note.Verifiers, may func(key string) bool) (string, note.Signature, error) {
	if len(msg) > MaxNote {
		return "", note.Signature{}, fmt.Errorf("%w: %d bytes, at most %d are allowed", ErrForm, len(msg), MaxNote)
	}
	n, err := note.Open(msg, known)
	if err != nil {
		var invalid *note.InvalidSignatureError
		var unverified *note.UnverifiedNoteError
		if errors.As(err, &invalid) || errors.As(err, &unverified) {
			return "", note.Signature{}, fmt.Errorf("%w: %w", ErrSignature, err)
		}
		return "", note.Signature{}, fmt.Errorf("%w: %w", ErrForm, err)
	}
	if len(n.Sigs) != 1 || len(n.UnverifiedSigs) != 0 {
		return "", note.Signature{}, fmt.Errorf("%w: more than one signature", ErrSignature)
	}
	sig := n.Sigs[0]
	if !may(sig.Name) {
		return "", note.Signature{}, fmt.Errorf("%w: key %.80q does not sign statements", ErrSignature, sig.Name)
	}
	// The note format tolerates repeated lines and unused bits in the base64 text. Writing the
	// note anew leaves one spelling.
	raw, err := base64.StdEncoding.Strict().DecodeString(sig.Base64)
	if err != nil || binary.BigEndian.Uint32(raw) != sig.Hash {
		return "", note.Signature{}, fmt.Errorf("%w: signature is not canonical base64", ErrForm)
	}
	again := n.Text + "\n— " + sig.Name + " " + base64.StdEncoding.EncodeToString(raw) + "\n"
	if !bytes.Equal([]byte(again), msg) {
		return "", note.Signature{}, fmt.Errorf("%w: more than text and one signature", ErrForm)
	}
	return n.Text, sig, nil
}

func firstLine(kind string) string { return "kerfgate " + kind + " v1" }

func write(f form) (string, error) {
	var b strings.Builder
	b.WriteString(firstLine(f.kind()))
	b.WriteByte('\n')
	for _, l := range f.lines() {
		text, err := l.value.text()
		if err != nil {
			return "", fmt.Errorf("%w: %s of %s: %w", ErrForm, l.name, f.kind(), err)
		}
		b.WriteString(l.name + " " + text + "\n")
	}
	return b.String(), nil
}

func read(text string, f form) error {
	first, rest, _ := strings.Cut(text, "\n")
	if first != firstLine(f.kind()) {
		if strings.HasPrefix(first, "kerfgate ") {
			return fmt.Errorf("%w: %.80q where %s is asked", ErrWrongStatement, first, f.kind())
		}
		return fmt.Errorf("%w: first line %.80q", ErrForm, first)
	}
	for _, l := range f.lines() {
		var got string
		got, rest, _ = strings.Cut(rest, "\n")
		value, ok := strings.CutPrefix(got, l.name+" ")
		if !ok {
			return fmt.Errorf("%w: want line %q of %s, got %.80q", ErrForm, l.name, f.kind(), got)
		}
		if err := l.value.read(value); err != nil {
			return fmt.Errorf("%w: %s of %s: %w", ErrForm, l.name, f.kind(), err)
		}
	}
	// One spelling for each value: what was read, written anew, is the text to the byte.
	again, err := write(f)
	if err != nil {
		return err
	}
	if again != text {
		return fmt.Errorf("%w: %s is not in canonical form", ErrForm, f.kind())
	}
	return nil
}
