package logbook

import (
	"errors"
	"strings"

	"golang.org/x/mod/sumdb/tlog"
)

// An export is examined in chunks: one goroutine reads and cuts, some examine, each a chunk of its
// own, and one takes what they found, in order. What needs no entry before it is done by those in the
// middle: leaf hashes, the form of entries, subtrees, permits' signatures.

const (
	chunkEntries = 1024    // most entries of a chunk; a power of two, so that most chunks are a perfect subtree
	chunkBytes   = 1 << 20 // a chunk that has more ends
)

// chunk is a row of entries without a head between them.
type chunk struct {
	first   int64 // index that the first entry should have
	entries []ExportRecord
	head    []byte // stands after the entries; nil if none does
	err     error  // of the reader, after the entries: io.EOF at the end of a whole file

	examined chan struct{} // closed when the fields below are there
	subtrees []subtree     // of the entries before the fault
	told     []told        // what the rules read of these
	fault    *CheckError   // of the first bad entry
}

// subtree is a perfect one whose entries lie in one chunk.
type subtree struct {
	level int
	root  tlog.Hash
}

// told is an entry that the rules read.
type told struct {
	record
	what   Kind
	index  int64
	opened bool // the permit in it is signed by a key known when it was examined
}

// cut hands the file out chunk by chunk, first to those who examine, and in order. A chunk also ends
// where the tree has the size of a head kept elsewhere. It returns when the file ends, cannot be
// read, or stop is closed.
func cut(in *ExportReader, earlier int64, toExamine, inOrder chan<- *chunk, stop <-chan struct{}) {
	defer close(toExamine)
	defer close(inOrder)
	for next := int64(0); ; {
		c := &chunk{first: next, examined: make(chan struct{})}
		for bytes := 0; ; {
			rec, err := in.Next()
			if err != nil {
				c.err = err
				break
			}
			if rec.Head != nil {
				c.head = rec.Head
				break
			}
			if c.entries == nil {
				c.entries = make([]ExportRecord, 0, chunkEntries-next%chunkEntries)
			}
			c.entries = append(c.entries, rec)
			next++
			bytes += len(rec.Entry)
			if next%chunkEntries == 0 || bytes > chunkBytes || next == earlier {
				break
			}
		}
		select {
		case inOrder <- c:
		case <-stop:
			return
		}
		toExamine <- c // those who examine end only when this is closed
		if c.err != nil {
			return
		}
	}
}

// examiner examines chunks; each goroutine has its own.
type examiner struct {
	keys   *trust
	permit string // name of the permit key
	space  [1 + MaxEntry]byte
}

func (x *examiner) examine(c *chunk) {
	defer close(c.examined)
	for i, rec := range c.entries {
		index := c.first + int64(i)
		if rec.Index != index {
			c.fault = missing(index, rec.Index)
			return
		}
		leaf := leafHash(&x.space, rec.Entry)
		if leaf != rec.Leaf {
			c.fault = &CheckError{Status: StatusBroken, Index: index, Reason: "entry does not have the leaf hash that was stored with it"}
			return
		}
		r, err := scanEntry(rec.Entry)
		if err != nil {
			c.fault = &CheckError{Status: StatusBroken, Index: index, Reason: err.Error(), err: err}
			if errors.Is(err, ErrVersion) {
				c.fault.Status = StatusUnreadable
			}
			return
		}
		c.grow(index, leaf)
		if readByRules(r.kind) {
			c.told = append(c.told, x.tell(r, index))
		}
	}
}

// grow joins a leaf to the subtrees of the chunk.
func (c *chunk) grow(index int64, h tlog.Hash) {
	level := 0
	for ; index>>level&1 == 1; level++ {
		last := len(c.subtrees) - 1
		if last < 0 || c.subtrees[last].level != level {
			break // its left half lies in an earlier chunk
		}
		h = nodeHash(c.subtrees[last].root, h)
		c.subtrees = c.subtrees[:last]
	}
	c.subtrees = append(c.subtrees, subtree{level, h})
}

// readByRules reports whether the rules read entries of that kind, or of one that this version does
// not know and might have to.
func readByRules(kind []byte) bool {
	switch string(kind) {
	case string(AttendanceMissed), string(LockoutSet), string(LockoutLifted), string(KeyReplaced):
		return true
	}
	return strings.HasPrefix(string(kind), "run.")
}

func (x *examiner) tell(r record, index int64) told {
	t := told{record: r, index: index, what: kindNamed(r.kind)}
	if t.what == RunSigned {
		if signed, ok := r.text(FieldNote); ok {
			t.opened = openNote(signed, x.permit, x.keys) == nil
		}
	}
	return t
}
