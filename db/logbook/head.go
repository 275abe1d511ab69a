package logbook

import (
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"
)

// MaxHead is the most bytes that OpenHead reads: far more than one signature
// and a room full of witnesses' cosignatures need.
const MaxHead = 65536

var (
	// ErrHead is the error of a malformed head.
	ErrHead = errors.New("malformed head")
	// ErrSignature is the error of a signed note without a good signature of
	// the key it must be signed with.
	ErrSignature = errors.New("signature not verified")
	// ErrOrigin is the error of a name that cannot be an origin of a logbook.
	ErrOrigin = errors.New("malformed origin")
)

// Head is the signed statement of how long the log is and what is in it: a C2SP
// checkpoint (c2sp.org/tlog-checkpoint).
type Head struct {
	Origin string    // see Origin
	Size   int64     // entries
	Root   tlog.Hash // of the first Size entries
}

const (
	logKeySuffix    = "/logbook"
	permitKeySuffix = "/permit"
)

// LogKeyName returns the name of the key that signs a site's heads.
func LogKeyName(site string) string { return site + logKeySuffix }

// PermitKeyName returns the name of the key that signs a site's permits.
func PermitKeyName(site string) string { return site + permitKeySuffix }

// Origin returns the origin of a site's log, which is the log key's name. After
// a restore that lost entries the log must not go on under the same origin (a
// log never signs inconsistent heads under one): it then appends the server
// epoch. The zero epoch stands for a log that was never cut.
func Origin(site string, epoch [16]byte) string {
	if epoch == [16]byte{} {
		return LogKeyName(site)
	}
	return LogKeyName(site) + "/" + hex.EncodeToString(epoch[:])
}

// ParseOrigin is the inverse of Origin. Errors wrap ErrOrigin.
func ParseOrigin(origin string) (site string, epoch [16]byte, err error) {
	site, rest, ok := cutLast(origin, logKeySuffix)
	if !ok || !validSite(site) {
		return "", epoch, fmt.Errorf("%w: %.80q", ErrOrigin, origin)
	}
	if rest != "" {
		raw, err := hex.DecodeString(strings.TrimPrefix(rest, "/"))
		if err != nil || len(raw) != len(epoch) {
			return "", epoch, fmt.Errorf("%w: epoch %.80q", ErrOrigin, rest)
		}
		epoch = [16]byte(raw)
	}
	if Origin(site, epoch) != origin {
		return "", epoch, fmt.Errorf("%w: %.80q", ErrOrigin, origin)
	}
	return site, epoch, nil
}

// validSite reports whether site can begin a key name of a signed note: no
// spaces, no plus sign.
func validSite(site string) bool {
	return site != "" && utf8.ValidString(site) && !strings.ContainsFunc(site, func(r rune) bool {
		return r == '+' || unicode.IsSpace(r) || unicode.IsControl(r)
	})
}

func cutLast(s, sep string) (before, after string, ok bool) {
	i := strings.LastIndex(s, sep)
	if i < 0 {
		return s, "", false
	}
	return s[:i], s[i+len(sep):], true
}

// Text returns the head's three lines: origin, size, root in base64.
func (h Head) Text() string {
	return fmt.Sprintf("%s\n%d\n%s\n", h.Origin, h.Size, h.Root)
}

// ParseHead reads what Text writes and nothing else: no leading zero, standard
// base64 with its padding, a final newline, no extension lines. Errors wrap
// ErrHead.
func ParseHead(text string) (Head, error) {
	lines := strings.Split(text, "\n")
	if len(lines) != 4 || lines[3] != "" {
		return Head{}, fmt.Errorf("%w: not three whole lines", ErrHead)
	}
	if _, _, err := ParseOrigin(lines[0]); err != nil {
		return Head{}, fmt.Errorf("%w: %w", ErrHead, err)
	}
	size, err := parseDecimal(lines[1])
	if err != nil {
		return Head{}, fmt.Errorf("%w: size %.20q", ErrHead, lines[1])
	}
	root, err := parseHash(lines[2])
	if err != nil {
		return Head{}, fmt.Errorf("%w: root %.60q", ErrHead, lines[2])
	}
	return Head{Origin: lines[0], Size: size, Root: root}, nil
}

// parseDecimal reads a number of at least 0 written in one way only.
func parseDecimal(s string) (int64, error) {
	n, err := strconv.ParseInt(s, 10, 64)
	if err != nil || n < 0 || strconv.FormatInt(n, 10) != s {
		return 0, fmt.Errorf("malformed number")
	}
	return n, nil
}

// parseHash reads a hash in standard base64, written in one way only.
func parseHash(s string) (tlog.Hash, error) {
	h, err := tlog.ParseHash(s)
	if err != nil || h.String() != s {
		return tlog.Hash{}, fmt.Errorf("malformed hash")
	}
	return h, nil
}

// SignHead returns h as a signed note. The signer's name must be the log key's
// name of the origin's site.
func SignHead(h Head, signer note.Signer) ([]byte, error) {
	if _, err := ParseHead(h.Text()); err != nil {
		return nil, err
	}
	site, _, err := ParseOrigin(h.Origin)
	if err != nil {
		return nil, err
	}
	if signer.Name() != LogKeyName(site) {
		return nil, fmt.Errorf("%w: key %q does not sign heads of %q", ErrHead, signer.Name(), h.Origin)
	}
	return note.Sign(&note.Note{Text: h.Text()}, signer)
}

// PeekHead reads a signed head without looking at its signature: for its size and origin alone.
// Errors wrap ErrHead.
func PeekHead(signed []byte) (Head, error) {
	if len(signed) > MaxHead {
		return Head{}, fmt.Errorf("%w: over %d bytes", ErrHead, MaxHead)
	}
	h, _, err := peekHead(signed)
	return h, err
}

// OpenHead verifies and reads a signed head. It must bear a good signature of
// the log key that its origin names; signatures of unknown keys are ignored, a
// bad signature of any known key is an error. Errors wrap ErrSignature, or
// ErrHead for what is no signed head at all.
func OpenHead(signed []byte, verifiers note.Verifiers) (Head, error) {
	if len(signed) > MaxHead {
		return Head{}, fmt.Errorf("%w: over %d bytes", ErrHead, MaxHead)
	}
	head, site, err := peekHead(signed)
	if err != nil {
		return Head{}, err
	}
	if err := openNote(signed, LogKeyName(site), verifiers); err != nil {
		return Head{}, err
	}
	return head, nil
}

// peekHead reads a signed head without verifying it.
func peekHead(signed []byte) (head Head, site string, err error) {
	text, ok := noteText(signed)
	if !ok {
		return Head{}, "", fmt.Errorf("%w: not a signed note", ErrHead)
	}
	if head, err = ParseHead(text); err != nil {
		return Head{}, "", err
	}
	site, _, err = ParseOrigin(head.Origin)
	return head, site, err
}

// noteText returns the part of a signed note that is signed: all up to the last
// blank line.
func noteText(signed []byte) (string, bool) {
	text, _, ok := cutLast(string(signed), "\n\n")
	return text + "\n", ok
}

// openNote verifies that a note has a good signature by a key of that name, and
// that every verified signature is written in the one way of its bytes: the
// base64 reader of package note overlooks stray bits.
func openNote(signed []byte, keyName string, verifiers note.Verifiers) error {
	n, err := note.Open(signed, verifiers)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrSignature, err)
	}
	found := false
	for _, sig := range n.Sigs {
		if _, err := base64.StdEncoding.Strict().DecodeString(sig.Base64); err != nil {
			return fmt.Errorf("%w: base64 of %q", ErrSignature, sig.Name)
		}
		found = found || sig.Name == keyName
	}
	if !found {
		return fmt.Errorf("%w: no signature by %q", ErrSignature, keyName)
	}
	return nil
}

// ParseVerifierKey reads a verifier key of a signed note, written in the one
// way of its bytes.
func ParseVerifierKey(vkey string) (note.Verifier, error) {
	v, err := note.NewVerifier(vkey)
	if err != nil {
		return nil, fmt.Errorf("verifier key: %w", err)
	}
	name, rest, _ := strings.Cut(vkey, "+")
	hash, key, _ := strings.Cut(rest, "+")
	raw, err := base64.StdEncoding.Strict().DecodeString(key)
	if err != nil || name != v.Name() || hash != fmt.Sprintf("%08x", v.KeyHash()) ||
		base64.StdEncoding.EncodeToString(raw) != key {
		return nil, fmt.Errorf("verifier key of %q is not in its one spelling", v.Name())
	}
	return v, nil
}
