package logbook

import (
	"bytes"
	"encoding/hex"
	"errors"
	"slices"
	"strings"
	"testing"

	"golang.org/x/mod/sumdb/tlog"
)

func short(proof []tlog.Hash) string {
	var s []string
	for _, h := range proof {
		s = append(s, hex.EncodeToString(h[:4]))
	}
	return strings.Join(s, " ")
}

func vectorHead(t testing.TB, n int) Head {
	t.Helper()
	tree, _ := vectorTree(t, n)
	return Head{Origin: testOrigin, Size: tree.Size, Root: tree.Root()}
}

// V13, V14: transparency-dev/merkle testdata; V15 has the shape of the worked
// example of RFC 6962 section 2.1.3.
func TestInclusion_Vectors(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name        string
		index, size int
		want        string
	}{
		{"V13", 0, 8, "96a296d2 5f083f0a 6b47aaf2"},
		{"V14", 5, 8, "bc1a0643 ca854ea1 d37ee418"},
		{"V15", 6, 7, "0ebc5d34 d37ee418"},
		{"V16", 4, 5, "d37ee418"},
	} {
		_, kept := vectorTree(t, c.size)
		proof, err := ProveInclusion(int64(c.index), int64(c.size), kept)
		if err != nil || short(proof) != c.want {
			t.Errorf("%s: %s, %v, want %s", c.name, short(proof), err, c.want)
		}
		head, leaf := vectorHead(t, c.size), unhex(t, vectorLeaves[c.index])
		if err := CheckInclusion(proof, head, int64(c.index), leaf); err != nil {
			t.Errorf("%s: %v", c.name, err)
		}
		if err := CheckInclusion(proof, head, int64(c.index), append(leaf, 0)); !errors.Is(err, ErrProof) {
			t.Errorf("%s: another entry: %v", c.name, err)
		}
		if err := CheckInclusion(proof[1:], head, int64(c.index), leaf); !errors.Is(err, ErrProof) {
			t.Errorf("%s: a hash less: %v", c.name, err)
		}
		for i := range int64(c.size) {
			if err := CheckInclusion(proof, head, i, leaf); (err == nil) != (i == int64(c.index)) {
				t.Errorf("%s: index %d: %v", c.name, i, err)
			}
		}
	}
}

// V19 to V21: transparency-dev/merkle testdata; V17 to V19 have the shape of the
// worked example of RFC 6962 section 2.1.3.
func TestConsistency_Vectors(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name         string
		older, newer int
		want         string
	}{
		{"V17", 3, 7, "0298d122 07506a85 fac54203 837dbb15"},
		{"V18", 4, 7, "837dbb15"},
		{"V19", 6, 7, "0ebc5d34 b08693ec d37ee418"},
		{"V20", 6, 8, "0ebc5d34 ca854ea1 d37ee418"},
		{"V21", 2, 5, "5f083f0a bc1a0643"},
	} {
		_, kept := vectorTree(t, c.newer)
		proof, err := ProveConsistency(int64(c.older), int64(c.newer), kept)
		if err != nil || short(proof) != c.want {
			t.Errorf("%s: %s, %v, want %s", c.name, short(proof), err, c.want)
		}
		older, newer := vectorHead(t, c.older), vectorHead(t, c.newer)
		if err := CheckConsistency(proof, older, newer); err != nil {
			t.Errorf("%s: %v", c.name, err)
		}
		for i := range proof {
			bad := slices.Clone(proof)
			bad[i][7] ^= 1
			if err := CheckConsistency(bad, older, newer); !errors.Is(err, ErrProof) {
				t.Errorf("%s: hash %d altered: %v", c.name, i, err)
			}
		}
		if err := CheckConsistency(proof, newer, older); !errors.Is(err, ErrProof) {
			t.Errorf("%s: backwards: %v", c.name, err)
		}
	}
}

func TestConsistency_Ends(t *testing.T) {
	t.Parallel()
	_, kept := vectorTree(t, 7)
	empty, seven := vectorHead(t, 0), vectorHead(t, 7)
	for _, c := range [][2]Head{{empty, seven}, {empty, empty}, {seven, seven}} {
		proof, err := ProveConsistency(c[0].Size, c[1].Size, kept)
		if err != nil || len(proof) != 0 || CheckConsistency(proof, c[0], c[1]) != nil {
			t.Errorf("%d to %d: %v, %v", c[0].Size, c[1].Size, proof, err)
		}
	}
	forged := seven
	forged.Root[0] ^= 1
	if err := CheckConsistency(nil, forged, seven); !errors.Is(err, ErrProof) {
		t.Errorf("same size, other root: %v", err)
	}
	forged = empty
	forged.Root[0] ^= 1
	if err := CheckConsistency(nil, forged, seven); !errors.Is(err, ErrProof) {
		t.Errorf("empty log with another root: %v", err)
	}
	for _, c := range [][2]int64{{-1, 3}, {4, 3}} {
		if _, err := ProveConsistency(c[0], c[1], kept); !errors.Is(err, ErrProof) {
			t.Errorf("%v: %v", c, err)
		}
	}
	for _, c := range [][2]int64{{-1, 3}, {3, 3}, {0, 0}} {
		if _, err := ProveInclusion(c[0], c[1], kept); !errors.Is(err, ErrProof) {
			t.Errorf("%v: %v", c, err)
		}
	}
}

func testEntryProof(t testing.TB, k *testKeys) EntryProof {
	t.Helper()
	_, kept := vectorTree(t, 7)
	proof, err := ProveInclusion(5, 7, kept)
	if err != nil {
		t.Fatal(err)
	}
	signed, err := SignHead(vectorHead(t, 7), k.log)
	if err != nil {
		t.Fatal(err)
	}
	return EntryProof{Index: 5, Hashes: proof, Head: signed}
}

func TestEntryProof_RoundTrip(t *testing.T) {
	t.Parallel()
	k := newTestKeys(t, testSite)
	p := testEntryProof(t, k)
	text := p.Text()
	// The form of c2sp.org/tlog-proof: first line, index, hashes, empty line, checkpoint.
	if !strings.HasPrefix(string(text), "c2sp.org/tlog-proof@v1\nindex 5\nvBoGQ7EuTS18d5GPROD095qDi2z57FtcKD4fTYhZnms=\n") ||
		!bytes.HasSuffix(text, append([]byte("\n\n"), p.Head...)) {
		t.Errorf("text:\n%s", text)
	}
	again, err := ParseEntryProof(text)
	if err != nil || !bytes.Equal(again.Text(), text) {
		t.Fatalf("%+v, %v", again, err)
	}
	head, err := again.Check(unhex(t, vectorLeaves[5]), k.verifiers)
	if err != nil || head.Size != 7 {
		t.Fatalf("%+v, %v", head, err)
	}
	if _, err := again.Check(unhex(t, vectorLeaves[4]), k.verifiers); !errors.Is(err, ErrProof) {
		t.Errorf("another entry: %v", err)
	}
	if _, err := again.Check(unhex(t, vectorLeaves[5]), newTestKeys(t, testSite+"-other").verifiers); !errors.Is(err, ErrSignature) {
		t.Errorf("another site's keys: %v", err)
	}
}

func TestParseEntryProof_Refuses(t *testing.T) {
	t.Parallel()
	good := string(testEntryProof(t, newTestKeys(t, testSite)).Text())
	for name, text := range map[string]string{
		"empty":             "",
		"version":           strings.Replace(good, "@v1", "@v2", 1),
		"leading zero":      strings.Replace(good, "index 5", "index 05", 1),
		"negative":          strings.Replace(good, "index 5", "index -5", 1),
		"no index":          strings.Replace(good, "index 5\n", "", 1),
		"short hash":        strings.Replace(good, "vBoG", "vBo", 1),
		"stray base64 bits": strings.Replace(good, "Znms=", "Znmt=", 1),
		"url base64":        strings.Replace(good, "+", "-", 1),
		"too many hashes":   strings.Replace(good, "index 5\n", "index 5\n"+strings.Repeat("vBoGQ7EuTS18d5GPROD095qDi2z57FtcKD4fTYhZnms=\n", 63), 1),
		"no head":           good[:strings.Index(good, "\n\n")+1],
	} {
		if p, err := ParseEntryProof([]byte(text)); !errors.Is(err, ErrProof) && (err != nil || text == good) {
			t.Errorf("%s: %+v, %v", name, p, err)
		} else if err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}

func FuzzParseEntryProof(f *testing.F) {
	f.Add(testEntryProof(f, newTestKeys(f, testSite)).Text())
	f.Fuzz(func(t *testing.T, text []byte) {
		p, err := ParseEntryProof(text)
		if err != nil {
			return
		}
		if !bytes.Equal(p.Text(), text) {
			t.Fatalf("%q reads, but is written %q", text, p.Text())
		}
	})
}
