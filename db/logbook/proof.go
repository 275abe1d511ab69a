package logbook

import (
	"bytes"
	"errors"
	"fmt"
	"strings"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"
)

// ErrProof is the error of a proof that is malformed or proves nothing.
var ErrProof = errors.New("proof not valid")

// maxProof bounds a proof: a log of 2^63 entries needs no more hashes.
const maxProof = 63

// ProveInclusion returns the hashes that show the entry at index to be in the
// log of that size, from the leaf's sibling up.
func ProveInclusion(index, size int64, r tlog.HashReader) ([]tlog.Hash, error) {
	if index < 0 || index >= size {
		return nil, fmt.Errorf("%w: index %d in a log of %d entries", ErrProof, index, size)
	}
	return tlog.ProveRecord(size, index, r)
}

// CheckInclusion verifies that the entry with those bytes has that index in the
// log of head h.
func CheckInclusion(proof []tlog.Hash, h Head, index int64, entry []byte) error {
	if err := tlog.CheckRecord(proof, h.Size, h.Root, index, tlog.RecordHash(entry)); err != nil {
		return fmt.Errorf("%w: entry %d of %d: %w", ErrProof, index, h.Size, err)
	}
	return nil
}

// ProveConsistency returns the hashes that show the log of size older to be the
// beginning of the log of size newer. The empty log begins every log: no hashes.
func ProveConsistency(older, newer int64, r tlog.HashReader) ([]tlog.Hash, error) {
	if older < 0 || older > newer {
		return nil, fmt.Errorf("%w: from %d to %d entries", ErrProof, older, newer)
	}
	if older == 0 || older == newer {
		return nil, nil
	}
	return tlog.ProveTree(newer, older, r)
}

// CheckConsistency verifies that the log of head older is the beginning of the
// log of head newer. The origins are the caller's to compare.
func CheckConsistency(proof []tlog.Hash, older, newer Head) error {
	var empty Tree
	switch {
	case older.Size < 0 || older.Size > newer.Size:
		return fmt.Errorf("%w: from %d to %d entries", ErrProof, older.Size, newer.Size)
	case older.Size == 0:
		if len(proof) != 0 || older.Root != empty.Root() || newer.Size == 0 && newer.Root != empty.Root() {
			return fmt.Errorf("%w: from the empty log", ErrProof)
		}
		return nil
	}
	if err := tlog.CheckTree(proof, newer.Size, newer.Root, older.Size, older.Root); err != nil {
		return fmt.Errorf("%w: from %d to %d entries: %w", ErrProof, older.Size, newer.Size, err)
	}
	return nil
}

// EntryProof is the proof, complete in one file, that an entry is in the log.
type EntryProof struct {
	Index  int64
	Hashes []tlog.Hash // from the leaf's sibling up
	Head   []byte      // the signed head
}

const entryProofLine = "c2sp.org/tlog-proof@v1"

// Text returns the proof in the form of c2sp.org/tlog-proof, without extra data.
// Such files are named *.tlog-proof.
func (p EntryProof) Text() []byte {
	var b bytes.Buffer
	fmt.Fprintf(&b, "%s\nindex %d\n", entryProofLine, p.Index)
	for _, h := range p.Hashes {
		fmt.Fprintf(&b, "%s\n", h)
	}
	b.WriteByte('\n')
	b.Write(p.Head)
	return b.Bytes()
}

// ParseEntryProof reads what Text writes and nothing else; it verifies nothing.
// Errors wrap ErrProof.
func ParseEntryProof(text []byte) (EntryProof, error) {
	if len(text) > MaxHead {
		return EntryProof{}, fmt.Errorf("%w: over %d bytes", ErrProof, MaxHead)
	}
	top, head, ok := strings.Cut(string(text), "\n\n")
	if !ok {
		return EntryProof{}, fmt.Errorf("%w: no head", ErrProof)
	}
	lines := strings.Split(top, "\n")
	if len(lines) < 2 || lines[0] != entryProofLine {
		return EntryProof{}, fmt.Errorf("%w: not a %s", ErrProof, entryProofLine)
	}
	digits, ok := strings.CutPrefix(lines[1], "index ")
	if !ok {
		return EntryProof{}, fmt.Errorf("%w: no index", ErrProof)
	}
	index, err := parseDecimal(digits)
	if err != nil {
		return EntryProof{}, fmt.Errorf("%w: index %.20q", ErrProof, digits)
	}
	p := EntryProof{Index: index, Head: []byte(head)}
	if len(lines)-2 > maxProof {
		return EntryProof{}, fmt.Errorf("%w: %d hashes", ErrProof, len(lines)-2)
	}
	for _, line := range lines[2:] {
		h, err := parseHash(line)
		if err != nil {
			return EntryProof{}, fmt.Errorf("%w: hash %.60q", ErrProof, line)
		}
		p.Hashes = append(p.Hashes, h)
	}
	return p, nil
}

// Check verifies that the head is signed and that the entry with those bytes is
// in its log. Errors wrap ErrProof, ErrHead or ErrSignature.
func (p EntryProof) Check(entry []byte, verifiers note.Verifiers) (Head, error) {
	head, err := OpenHead(p.Head, verifiers)
	if err != nil {
		return Head{}, err
	}
	if err := CheckInclusion(p.Hashes, head, p.Index, entry); err != nil {
		return Head{}, err
	}
	return head, nil
}
