package logbook

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"strings"
	"testing"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"
)

// testLog is a log in memory that a test may spoil before exporting it.
type testLog struct {
	t       testing.TB
	keys    *testKeys
	origin  string
	tree    Tree
	entries [][]byte
	leaves  []tlog.Hash // as stored
	indexes []int64
	heads   []testHead
}

type testHead struct {
	size   int64
	signed []byte
}

func newTestLog(t testing.TB) *testLog {
	t.Helper()
	return &testLog{t: t, keys: newTestKeys(t, testSite), origin: testOrigin}
}

func (l *testLog) append(e Entry) {
	l.t.Helper()
	data, err := e.Encode()
	if err != nil {
		l.t.Fatal(err)
	}
	l.appendBytes(data)
}

func (l *testLog) appendBytes(data []byte) {
	index, stored := l.tree.Append(data)
	l.entries = append(l.entries, data)
	l.leaves = append(l.leaves, stored[0].Hash)
	l.indexes = append(l.indexes, index)
}

// head signs a head of the log as it stands and keeps it.
func (l *testLog) head() {
	l.t.Helper()
	signed, err := SignHead(Head{Origin: l.origin, Size: l.tree.Size, Root: l.tree.Root()}, l.keys.log)
	if err != nil {
		l.t.Fatal(err)
	}
	l.heads = append(l.heads, testHead{l.tree.Size, signed})
}

// export writes the file record by record without ExportWriter's own refusals,
// so that it can hold what a writer would not write.
func (l *testLog) export() []byte {
	var b bytes.Buffer
	fmt.Fprintf(&b, "%s\norigin %s\n", exportLine, l.origin)
	for _, key := range l.keys.vkeys {
		fmt.Fprintf(&b, "key %s\n", key)
	}
	b.WriteByte('\n')
	next := 0
	heads := func(size int64) {
		for ; next < len(l.heads) && l.heads[next].size <= size; next++ {
			b.WriteByte(headRecord)
			binary.Write(&b, binary.BigEndian, uint16(len(l.heads[next].signed)))
			b.Write(l.heads[next].signed)
		}
	}
	last := int64(-1)
	for i, data := range l.entries {
		heads(int64(i))
		b.WriteByte(entryRecord)
		binary.Write(&b, binary.BigEndian, l.indexes[i])
		binary.Write(&b, binary.BigEndian, uint16(len(data)))
		b.Write(data)
		b.Write(l.leaves[i][:])
		last = l.indexes[i]
	}
	heads(1 << 62)
	b.WriteByte(endRecord)
	binary.Write(&b, binary.BigEndian, last+1)
	sum := sha256.Sum256(b.Bytes())
	b.Write(sum[:])
	return b.Bytes()
}

func (l *testLog) check(opts Options) (Report, *CheckError) {
	l.t.Helper()
	return checkFile(l.t, l.export(), opts)
}

func checkFile(t testing.TB, file []byte, opts Options) (Report, *CheckError) {
	t.Helper()
	report, err := Check(bytes.NewReader(file), opts)
	if err == nil {
		return report, nil
	}
	var bad *CheckError
	if !errors.As(err, &bad) {
		t.Fatalf("error of no kind: %v", err)
	}
	return report, bad
}

// testSignoff is the digest of every sign-off.
var testSignoff = sha256.Sum256([]byte("answers"))

// permitFor returns a signed permit and its digest.
func (l *testLog) permitFor(run, machine ID) (string, [32]byte) {
	l.t.Helper()
	text := fmt.Sprintf("%s\nserial %s\nrun %s\nmachine %s\nsign-off %x\n", permitLine, testID(200), run, machine, testSignoff)
	signed, err := note.Sign(&note.Note{Text: text}, l.keys.permit)
	if err != nil {
		l.t.Fatal(err)
	}
	return string(signed), sha256.Sum256(signed)
}

// runEntry makes an entry of one phase change, with the permit where the kind
// asks for one.
func (l *testLog) runEntry(run, machine ID, k Kind, from, to string, more Body) Entry {
	l.t.Helper()
	body := Body{FieldFrom: from, FieldTo: to}
	signed, digest := l.permitFor(run, machine)
	switch k {
	case RunSigned:
		body[FieldSignoff] = testSignoff
		body[FieldPermit] = digest
		body[FieldNote] = signed
	case RunBurned:
		body[FieldPermit] = digest
	}
	for key, v := range more {
		body[key] = v
	}
	return Entry{Time: testTime, Kind: k, Actor: testID(9), Station: testID(8), Body: body,
		Subjects: []Subject{{RoleJob, testID(7)}, {RoleMachine, machine}, {RoleRun, run}}}
}

// walk appends phase changes given as "kind from to", or an entry without from
// and to given as its kind alone.
func (l *testLog) walk(run, machine ID, steps ...string) {
	l.t.Helper()
	for _, step := range steps {
		f := strings.Fields(step)
		if len(f) == 1 {
			e := l.runEntry(run, machine, Kind(f[0]), "", "", nil)
			e.Body = nil
			l.append(e)
			continue
		}
		l.append(l.runEntry(run, machine, Kind(f[0]), f[1], f[2], nil))
	}
}

var (
	toChecking = []string{"run.proposed", "run.opened proposed checking"}
	toSigned   = append(toChecking[:2:2], "run.signed checking permitted")
	toStarting = append(toSigned[:3:3], "run.burned permitted starting")
	toRunning  = append(toStarting[:4:4], "run.moved starting running")
	toClosed   = append(toRunning[:5:5], "run.completed running purging", "run.purged purging inspecting", "run.inspected inspecting closed")
)

// newStory is a good log: bed signs on one machine, a pause, a void, a lockout.
func newStory(t testing.TB) *testLog {
	t.Helper()
	l := newTestLog(t)
	l.head()
	l.append(Entry{Time: testTime, Kind: SiteOpened})
	l.walk(testID(1), testID(100), toClosed...)
	l.head()
	l.walk(testID(2), testID(100), toChecking...)
	l.walk(testID(2), testID(100), "run.ready", "run.signed checking permitted", "run.voided permitted checking",
		"run.signed checking permitted", "run.burned permitted starting", "run.moved starting running",
		"attendance.missed", "run.paused running paused", "run.resumed paused running", "run.paused running paused",
		"attendance.missed", "run.stopped paused purging", "run.stopped purging purging", "attendance.missed",
		"run.purged purging inspecting", "run.inspected inspecting closed", "attendance.missed")
	l.head()
	l.append(Entry{Time: testTime, Kind: LockoutSet, Actor: testID(9), Subjects: []Subject{{RoleMachine, testID(100)}}})
	l.walk(testID(3), testID(100), toChecking...)
	l.walk(testID(4), testID(101), toStarting...)
	l.append(l.runEntry(testID(4), testID(101), RunInterrupted, "starting", "inspecting",
		Body{FieldOutcome: "interrupted", FieldNeverMoved: true}))
	l.append(Entry{Time: testTime, Kind: LockoutLifted, Actor: testID(9), Subjects: []Subject{{RoleMachine, testID(100)}}})
	l.walk(testID(3), testID(100), "run.stopped checking checking", "run.signed checking permitted")
	l.head()
	return l
}
