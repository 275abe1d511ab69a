package logbook

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"strings"
	"testing"

	"golang.org/x/mod/sumdb/tlog"
)

// TestI7_TamperedLogsAreFoundAsEver spoils a log of several chunks in hundreds of ways, each at a
// place of its own, and holds what the check finds, status and index, to testdata/tampered.golden.
// That file was first written by a check that took one entry after another, with a general CBOR
// library, on one core.
func TestI7_TamperedLogsAreFoundAsEver(t *testing.T) {
	t.Parallel()
	good := longLog(t)
	if _, bad := good.check(Options{Verifiers: good.keys.verifiers}); bad != nil {
		t.Fatal(bad)
	}
	earlier := good.heads[len(good.heads)/2].signed
	var found strings.Builder
	for i := range 160 {
		r := rand.New(rand.NewPCG(4, uint64(i)))
		l := copyLog(good)
		way := ways[i%len(ways)]
		file := way.spoil(l, r)
		if file == nil {
			file = l.export()
		}
		opts := Options{Verifiers: l.keys.verifiers}
		if i%3 == 0 {
			opts.EarlierHead = earlier
		}
		_, bad := checkFile(t, file, opts)
		status, index := StatusGood, int64(-1)
		if bad != nil {
			status, index = bad.Status, bad.Index
		}
		fmt.Fprintf(&found, "%d %s: %d at %d\n", i, way.name, status, index)
	}
	const golden = "testdata/tampered.golden"
	if *update {
		if err := os.WriteFile(golden, []byte(found.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	wants, founds := strings.Split(string(want), "\n"), strings.Split(found.String(), "\n")
	if len(wants) != len(founds) {
		t.Fatalf("%d findings, want %d", len(founds), len(wants))
	}
	for i := range wants {
		if founds[i] != wants[i] {
			t.Errorf("found %q, want %q", founds[i], wants[i])
		}
	}
}

// longLog is whole: runs between entries that no rule reads, and heads here and there.
func longLog(t testing.TB) *testLog {
	l := newTestLog(t)
	for i := range 2600 {
		if i%65 == 0 {
			l.walk(testID(byte(1+i/65)), testID(byte(100+i%3)), toClosed...)
		}
		l.append(Entry{Time: testTime, Kind: SessionEnded, Actor: testID(9), Body: Body{"count": i}})
		if i%171 == 0 {
			l.head()
		}
	}
	l.head()
	return l
}

func copyLog(l *testLog) *testLog {
	c := *l
	c.tree = l.tree.Clone()
	c.entries = append([][]byte(nil), l.entries...)
	c.leaves = append([]tlog.Hash(nil), l.leaves...)
	c.indexes = append([]int64(nil), l.indexes...)
	c.heads = append([]testHead(nil), l.heads...)
	return &c
}

// rewrite makes hashes and heads anew, as only the holder of the log key could.
func (l *testLog) rewrite() {
	heads := l.heads
	l.tree, l.heads = Tree{}, nil
	for i, data := range l.entries {
		for len(heads) > 0 && heads[0].size == int64(i) {
			l.head()
			heads = heads[1:]
		}
		_, stored := l.tree.Append(data)
		l.leaves[i], l.indexes[i] = stored[0].Hash, int64(i)
	}
	l.head()
}

func (l *testLog) edit(i int, change func(*Entry)) {
	e, err := Decode(l.entries[i])
	if err != nil {
		l.t.Fatal(err)
	}
	change(&e)
	if l.entries[i], err = e.encode(); err != nil {
		l.t.Fatal(err)
	}
}

func (l *testLog) drop(i int) {
	l.entries = append(l.entries[:i:i], l.entries[i+1:]...)
	l.leaves = append(l.leaves[:i:i], l.leaves[i+1:]...)
	l.indexes = append(l.indexes[:i:i], l.indexes[i+1:]...)
}

// find answers an entry of that kind, at or after a random place.
func (l *testLog) find(r *rand.Rand, k Kind) int {
	for i := r.IntN(len(l.entries)); ; i = (i + 1) % len(l.entries) {
		if bytes.Contains(l.entries[i], []byte(k)) {
			return i
		}
	}
}

// ways of spoiling a log; what is answered stands in place of its export.
var ways = []struct {
	name  string
	spoil func(*testLog, *rand.Rand) []byte
}{
	{"a bit of the file flipped", func(l *testLog, r *rand.Rand) []byte {
		file := l.export()
		file[r.IntN(len(file))] ^= 1 << r.IntN(8)
		return file
	}},
	{"file cut", func(l *testLog, r *rand.Rand) []byte {
		file := l.export()
		return file[:r.IntN(len(file))]
	}},
	{"entry edited", func(l *testLog, r *rand.Rand) []byte {
		l.edit(r.IntN(len(l.entries)), func(e *Entry) { e.Actor = testID(66) })
		return nil
	}},
	{"entry edited, all hashes too", func(l *testLog, r *rand.Rand) []byte {
		heads := l.heads
		l.edit(r.IntN(len(l.entries)), func(e *Entry) { e.Actor = testID(66) })
		l.rewrite()
		l.heads = heads
		return nil
	}},
	{"entry removed", func(l *testLog, r *rand.Rand) []byte { l.drop(r.IntN(len(l.entries))); return nil }},
	{"entry removed, rest renumbered", func(l *testLog, r *rand.Rand) []byte {
		heads := l.heads
		l.drop(r.IntN(len(l.entries)))
		l.rewrite()
		l.heads = heads
		return nil
	}},
	{"two swapped", func(l *testLog, r *rand.Rand) []byte {
		i, k := r.IntN(len(l.entries)), r.IntN(len(l.entries))
		l.entries[i], l.entries[k] = l.entries[k], l.entries[i]
		l.leaves[i], l.leaves[k] = l.leaves[k], l.leaves[i]
		return nil
	}},
	{"entry in a longer form", func(l *testLog, r *rand.Rand) []byte {
		i := l.find(r, SessionEnded)
		at := bytes.Index(l.entries[i], []byte("ecount")) + len("ecount") // a short text, then the number
		value := l.entries[i][at:]
		if value[0] < 24 {
			value = append([]byte{0x18}, value...)
		} else if value[0] == 0x18 {
			value = append([]byte{0x19, 0}, value[1:]...)
		} else {
			value = append([]byte{0x1a, 0, 0}, value[1:]...)
		}
		l.entries[i] = append(bytes.Clone(l.entries[i][:at]), value...)
		l.rewrite()
		return nil
	}},
	{"entry of a later version", func(l *testLog, r *rand.Rand) []byte {
		i := r.IntN(len(l.entries))
		l.entries[i] = append([]byte{2}, l.entries[i][1:]...)
		l.rewrite()
		return nil
	}},
	{"head of another log", func(l *testLog, r *rand.Rand) []byte {
		i := r.IntN(len(l.heads))
		l.heads[i].signed = foreignHead(l, l.heads[i].size)
		return nil
	}},
	{"head out of place", func(l *testLog, r *rand.Rand) []byte {
		l.heads[1+r.IntN(len(l.heads)-2)].size += int64(r.IntN(3)) - 1
		return nil
	}},
	{"head of another root", func(l *testLog, r *rand.Rand) []byte {
		i := r.IntN(len(l.heads))
		l.heads[i].signed = signRoot(l, l.heads[i].size, tlog.Hash{1})
		return nil
	}},
	{"permit altered", func(l *testLog, r *rand.Rand) []byte {
		l.edit(l.find(r, RunSigned), func(e *Entry) {
			text, _ := e.Body.String(FieldNote)
			e.Body[FieldNote] = strings.Replace(text, "run ", "Run ", 1)
		})
		l.rewrite()
		return nil
	}},
	{"permit without its signature", func(l *testLog, r *rand.Rand) []byte {
		other := newTestKeys(l.t, "felt.example")
		l.edit(l.find(r, RunSigned), func(e *Entry) {
			was := l.keys
			defer func() { l.keys = was }()
			l.keys = other
			run, _ := e.Subject(RoleRun)
			machine, _ := e.Subject(RoleMachine)
			text, digest := l.permitFor(run, machine)
			e.Body[FieldNote], e.Body[FieldPermit] = text, digest
		})
		l.rewrite()
		return nil
	}},
	{"run signed for another machine", func(l *testLog, r *rand.Rand) []byte {
		l.edit(l.find(r, RunSigned), func(e *Entry) { e.Subjects[1].ID = testID(77) })
		l.rewrite()
		return nil
	}},
	{"run moves twice", func(l *testLog, r *rand.Rand) []byte {
		i := l.find(r, RunCompleted)
		l.entries[i] = l.entries[i-1]
		l.rewrite()
		return nil
	}},
	{"burn left out", func(l *testLog, r *rand.Rand) []byte {
		l.drop(l.find(r, RunBurned))
		l.rewrite()
		return nil
	}},
	{"outcome of another kind", func(l *testLog, r *rand.Rand) []byte {
		l.edit(l.find(r, RunCompleted), func(e *Entry) { e.Body[FieldOutcome] = []any{int64(r.IntN(9)), "stopped"} })
		l.rewrite()
		return nil
	}},
	{"signed while locked out", func(l *testLog, r *rand.Rand) []byte {
		i := l.find(r, RunSigned)
		e, err := Decode(l.entries[i])
		if err != nil {
			l.t.Fatal(err)
		}
		machine, _ := e.Subject(RoleMachine)
		at := l.find(r, SessionEnded)
		if l.entries[at], err = lockoutEntry(LockoutSet, machine).Encode(); err != nil {
			l.t.Fatal(err)
		}
		l.rewrite()
		return nil
	}},
	{"unknown phase change", func(l *testLog, r *rand.Rand) []byte {
		l.edit(l.find(r, RunPurged), func(e *Entry) { e.Kind = "run.mulched" })
		l.rewrite()
		return nil
	}},
}
