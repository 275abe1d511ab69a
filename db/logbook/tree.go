package logbook

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"math/bits"
	"slices"

	"golang.org/x/mod/sumdb/tlog"
)

// ErrTree is the error of a size and a frontier that do not belong together.
var ErrTree = errors.New("malformed logbook tree")

// StoredHash is one node of the tree and where it is kept: Index is
// tlog.StoredHashIndex of its level and place.
type StoredHash struct {
	Index int64
	Hash  tlog.Hash
}

// Tree is the growing edge of an RFC 6962 Merkle tree: all that appending and
// the root need. The zero Tree is the empty log. Not for concurrent use.
type Tree struct {
	Size     int64       // entries
	Frontier []tlog.Hash // roots of the perfect subtrees, largest (oldest) first: one for each 1 in Size
}

// DecodeTree is the inverse of EncodeFrontier. Errors wrap ErrTree.
func DecodeTree(size int64, frontier []byte) (Tree, error) {
	if size < 0 || len(frontier) != tlog.HashSize*bits.OnesCount64(uint64(size)) {
		return Tree{}, fmt.Errorf("%w: size %d with a frontier of %d bytes", ErrTree, size, len(frontier))
	}
	t := Tree{Size: size}
	for h := range slices.Chunk(frontier, tlog.HashSize) {
		t.Frontier = append(t.Frontier, tlog.Hash(h))
	}
	return t, nil
}

// EncodeFrontier returns the frontier's hashes one after another, 32 bytes each.
func (t *Tree) EncodeFrontier() []byte {
	out := make([]byte, 0, tlog.HashSize*len(t.Frontier))
	for _, h := range t.Frontier {
		out = append(out, h[:]...)
	}
	return out
}

// Clone returns a tree that shares nothing with t.
func (t *Tree) Clone() Tree { return Tree{Size: t.Size, Frontier: slices.Clone(t.Frontier)} }

// Append adds one entry's bytes. It returns the entry's index, counted from 0,
// and the nodes that became final, the leaf first, with consecutive indexes.
func (t *Tree) Append(data []byte) (index int64, stored []StoredHash) {
	return t.AppendLeaf(tlog.RecordHash(data))
}

// AppendLeaf is Append for an entry whose leaf hash is at hand.
func (t *Tree) AppendLeaf(leaf tlog.Hash) (index int64, stored []StoredHash) {
	index = t.Size
	at := tlog.StoredHashIndex(0, index)
	stored = append(stored, StoredHash{at, leaf})
	h := leaf
	// Every trailing 1 of the old size is a subtree that this leaf completes.
	for s := index; s&1 == 1; s >>= 1 {
		last := len(t.Frontier) - 1
		h = nodeHash(t.Frontier[last], h)
		t.Frontier = t.Frontier[:last]
		at++
		stored = append(stored, StoredHash{at, h})
	}
	t.Frontier = append(t.Frontier, h)
	t.Size++
	return index, stored
}

// appendSubtree adds the root of a perfect subtree of 1<<level entries. The size so far is a multiple
// of that.
func (t *Tree) appendSubtree(level int, h tlog.Hash) {
	size := t.Size + 1<<level
	for ; t.Size>>level&1 == 1; level++ {
		last := len(t.Frontier) - 1
		h = nodeHash(t.Frontier[last], h)
		t.Frontier = t.Frontier[:last]
	}
	t.Frontier = append(t.Frontier, h)
	t.Size = size
}

// AppendBatch adds several entries in order. It returns the index of the first
// and all nodes that became final, with consecutive indexes.
func (t *Tree) AppendBatch(entries [][]byte) (first int64, stored []StoredHash) {
	first = t.Size
	for _, data := range entries {
		_, s := t.Append(data)
		stored = append(stored, s...)
	}
	return first, stored
}

// Root returns the tree's root; that of the empty tree is SHA-256 of no bytes
// (RFC 6962 section 2.1).
func (t *Tree) Root() tlog.Hash {
	if len(t.Frontier) == 0 {
		return sha256.Sum256(nil)
	}
	last := len(t.Frontier) - 1
	h := t.Frontier[last]
	for _, left := range slices.Backward(t.Frontier[:last]) {
		h = nodeHash(left, h)
	}
	return h
}

// leafHash is tlog.RecordHash (RFC 6962 section 2.1) without an allocation: space has room for the
// longest entry and a byte before it.
func leafHash(space *[1 + MaxEntry]byte, data []byte) tlog.Hash {
	space[0] = 0
	n := copy(space[1:], data)
	return sha256.Sum256(space[:1+n])
}

// nodeHash is tlog.NodeHash without an allocation.
func nodeHash(left, right tlog.Hash) tlog.Hash {
	var node [1 + 2*tlog.HashSize]byte
	node[0] = 1
	copy(node[1:], left[:])
	copy(node[1+tlog.HashSize:], right[:])
	return sha256.Sum256(node[:])
}
