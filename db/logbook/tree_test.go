package logbook

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"golang.org/x/mod/sumdb/tlog"
)

// Leaves, leaf hashes and roots: transparency-dev/merkle, testonly/constants.go
// and rfc6962/rfc6962_test.go, for the tree of RFC 6962 section 2.1.
var (
	vectorLeaves = []string{"", "00", "10", "2021", "3031", "40414243", "5051525354555657", "606162636465666768696a6b6c6d6e6f"}
	vectorRoots  = []string{
		"e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855", // V1, the empty tree
		"6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d", // V5
		"fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125", // V6
		"aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77", // V7
		"d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7", // V8
		"4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4", // V9
		"76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef", // V10
		"ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c", // V11
		"5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328", // V12
	}
	vectorLeafHashes = map[int]string{
		0: "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d", // V2, the empty leaf
		1: "96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7",
		2: "0298d122906dcfc10892cb53a73992fc5b9f493ea4c9badb27b791b4127a7fe7",
		3: "07506a85fd9dd2f120eb694f86011e5bb4662e5c415a62917033d4a9624487e7",
		4: "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b",
	}
)

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// hashes is a hash reader over what a Tree said to store.
type hashes map[int64]tlog.Hash

func (h hashes) ReadHashes(indexes []int64) ([]tlog.Hash, error) {
	out := make([]tlog.Hash, len(indexes))
	for i, index := range indexes {
		var ok bool
		if out[i], ok = h[index]; !ok {
			return nil, fmt.Errorf("no hash at %d", index)
		}
	}
	return out, nil
}

func (h hashes) keep(t testing.TB, stored []StoredHash) {
	t.Helper()
	for _, s := range stored {
		if _, ok := h[s.Index]; ok {
			t.Fatalf("hash %d stored twice", s.Index)
		}
		h[s.Index] = s.Hash
	}
}

// vectorTree returns the tree of the first n vector leaves and its stored hashes.
func vectorTree(t testing.TB, n int) (Tree, hashes) {
	t.Helper()
	var tree Tree
	kept := hashes{}
	for _, leaf := range vectorLeaves[:n] {
		_, stored := tree.Append(unhex(t, leaf))
		kept.keep(t, stored)
	}
	return tree, kept
}

func TestTree_Vectors(t *testing.T) {
	t.Parallel()
	for size, want := range vectorRoots {
		tree, _ := vectorTree(t, size)
		if root := tree.Root(); hex.EncodeToString(root[:]) != want {
			t.Errorf("root of %d leaves: %x, want %s", size, root, want)
		}
	}
	for i, want := range vectorLeafHashes {
		var tree Tree
		_, stored := tree.Append(unhex(t, vectorLeaves[i]))
		if len(stored) != 1 || hex.EncodeToString(stored[0].Hash[:]) != want {
			t.Errorf("leaf %d: %x, want %s", i, stored, want)
		}
	}
	// V3: rfc6962_test.go, leaf "L123456".
	var one Tree
	one.Append([]byte("L123456"))
	if root := one.Root(); hex.EncodeToString(root[:]) != "395aa064aa4c29f7010acfe3f25db9485bbd4b91897b6ad7ad547639252b4d56" {
		t.Errorf("leaf L123456: %x", root)
	}
}

// TestTree_NodeIsNotLeaf: a node is the SHA-256 of 0x01 and its children, and a
// leaf of those very bytes is something else.
func TestTree_NodeIsNotLeaf(t *testing.T) {
	t.Parallel()
	leafOf := func(data []byte) tlog.Hash {
		var tree Tree
		tree.Append(data)
		return tree.Root()
	}
	// V4: rfc6962_test.go, the node of "N123" and "N456", which are shorter than
	// any hash of a tree.
	v4 := tlog.Hash(unhex(t, "aa217fe888e47007fa15edab33c2b492a722cb106c64667fc2b044444de66bbb"))
	spelled := []byte("\x01N123N456")
	if sha256.Sum256(spelled) != v4 || leafOf(spelled) == v4 {
		t.Errorf("leaf spelled like V4: %x", leafOf(spelled))
	}
	tree, _ := vectorTree(t, 2)
	l, r := unhex(t, vectorLeafHashes[0]), unhex(t, vectorLeafHashes[1])
	spelled = slices.Concat([]byte{1}, l, r)
	if sha256.Sum256(spelled) != tree.Root() || leafOf(spelled) == tree.Root() {
		t.Errorf("leaf spelled like the root of two: %x", leafOf(spelled))
	}
}

// TestTree_EqualsTlog holds Tree to tlog's own bookkeeping for sizes 0 to 300.
func TestTree_EqualsTlog(t *testing.T) {
	t.Parallel()
	var tree Tree
	var dense []tlog.Hash
	reader := tlog.HashReaderFunc(func(indexes []int64) ([]tlog.Hash, error) {
		out := make([]tlog.Hash, len(indexes))
		for i, index := range indexes {
			out[i] = dense[index]
		}
		return out, nil
	})
	for n := range int64(301) {
		want, err := tlog.TreeHash(n, reader)
		if err != nil {
			t.Fatal(err)
		}
		if tree.Size != n || tree.Root() != want {
			t.Fatalf("size %d: root %s, tlog has %s", n, tree.Root(), want)
		}
		again, err := DecodeTree(n, tree.EncodeFrontier())
		if err != nil || again.Root() != want {
			t.Fatalf("size %d: after decoding root %s, %v", n, again.Root(), err)
		}
		data := fmt.Appendf(nil, "entry %d", n)
		all, err := tlog.StoredHashesForRecordHash(n, tlog.RecordHash(data), reader)
		if err != nil {
			t.Fatal(err)
		}
		index, stored := tree.Append(data)
		if index != n || len(stored) != len(all) {
			t.Fatalf("size %d: index %d with %d hashes, tlog has %d", n, index, len(stored), len(all))
		}
		for i, s := range stored {
			if s.Index != int64(len(dense)) || s.Hash != all[i] {
				t.Fatalf("size %d, hash %d: %d %s, tlog has %d %s", n, i, s.Index, s.Hash, len(dense), all[i])
			}
			dense = append(dense, s.Hash)
		}
		if int64(len(dense)) != tlog.StoredHashCount(n+1) {
			t.Fatalf("size %d: %d hashes, tlog counts %d", n+1, len(dense), tlog.StoredHashCount(n+1))
		}
	}
}

// TestTree_Batches holds batches of any sizes to appending one by one.
func TestTree_Batches(t *testing.T) {
	t.Parallel()
	rng := rand.New(rand.NewPCG(1, 2))
	for round := range 50 {
		var single, batched Tree
		var ones, all []StoredHash
		for batched.Size < 400 {
			batch := make([][]byte, rng.IntN(40))
			for i := range batch {
				batch[i] = make([]byte, rng.IntN(64))
				for j := range batch[i] {
					batch[i][j] = byte(rng.Uint32())
				}
				_, s := single.Append(batch[i])
				ones = append(ones, s...)
			}
			before := batched.Clone()
			first, s := batched.AppendBatch(batch)
			all = append(all, s...)
			if first != before.Size || batched.Size != before.Size+int64(len(batch)) {
				t.Fatalf("round %d: first %d after %d", round, first, before.Size)
			}
			if batched.Root() != single.Root() {
				t.Fatalf("round %d, size %d: roots differ", round, batched.Size)
			}
		}
		if fmt.Sprint(ones) != fmt.Sprint(all) {
			t.Fatalf("round %d: stored hashes differ", round)
		}
	}
}

func TestTree_CloneSharesNothing(t *testing.T) {
	t.Parallel()
	tree, _ := vectorTree(t, 7)
	other := tree.Clone()
	root, frontier := tree.Root(), tree.EncodeFrontier()
	other.Append([]byte("x"))
	if tree.Root() != root || tree.Size != 7 || !bytes.Equal(tree.EncodeFrontier(), frontier) {
		t.Fatal("appending to a clone changed the original")
	}
}

func TestDecodeTree_Refuses(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		size  int64
		bytes int
	}{{-1, 0}, {0, 32}, {1, 0}, {1, 31}, {1, 64}, {3, 32}, {4, 64}} {
		if _, err := DecodeTree(c.size, make([]byte, c.bytes)); !errors.Is(err, ErrTree) {
			t.Errorf("size %d with %d bytes: %v", c.size, c.bytes, err)
		}
	}
}

func BenchmarkTree_Append(b *testing.B) {
	var tree Tree
	data := make([]byte, 256)
	for b.Loop() {
		tree.Append(data)
	}
}
