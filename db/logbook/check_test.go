package logbook

import (
	"bytes"
	"testing"

	"golang.org/x/mod/sumdb/tlog"
)

func TestCheck_GoodLog(t *testing.T) {
	t.Parallel()
	l := newStory(t)
	other := newTestKeys(t, "felt.example")
	for name, opts := range map[string]Options{
		"own keys":     {},
		"trusted keys": {Verifiers: l.keys.verifiers},
		"earlier head": {EarlierHead: l.heads[1].signed},
		"empty head":   {EarlierHead: l.heads[0].signed},
	} {
		report, bad := l.check(opts)
		if bad != nil {
			t.Errorf("%s: %v", name, bad)
			continue
		}
		if report.Entries != l.tree.Size || report.Root != l.tree.Root() || report.Heads != 4 || report.Runs != 4 ||
			report.Permits != 5 || report.Covered != l.tree.Size || report.Origin != testOrigin ||
			report.TrustedKeys != (opts.Verifiers != nil) {
			t.Errorf("%s: %+v", name, report)
		}
	}
	if _, bad := l.check(Options{Verifiers: other.verifiers}); bad == nil || bad.Status != StatusSignature {
		t.Errorf("keys of another site: %v", bad)
	}
	empty := newTestLog(t)
	if report, bad := empty.check(Options{}); bad != nil || report.Entries != 0 || report.EarlierSize != -1 {
		t.Errorf("empty log: %+v, %v", report, bad)
	}
}

// TestCheck_EveryByte alters each byte of an export in two ways; nothing passes,
// and what lies in an entry's record is found at its index.
func TestCheck_EveryByte(t *testing.T) {
	t.Parallel()
	l := newTestLog(t)
	l.append(Entry{Time: testTime, Kind: SiteOpened})
	l.walk(testID(1), testID(100), toSigned...)
	l.head()
	l.walk(testID(1), testID(100), "run.voided permitted checking")
	l.head()
	file := l.export()
	if _, bad := checkFile(t, file, Options{}); bad != nil {
		t.Fatal(bad)
	}
	recordOf := make([]int, len(file)) // index of the entry, -1 elsewhere
	for i := range recordOf {
		recordOf[i] = -1
	}
	for i, data := range l.entries {
		at := bytes.Index(file, data)
		for j := at - 11; j < at+len(data)+tlog.HashSize; j++ { // type, index, length, entry, leaf hash
			recordOf[j] = i
		}
	}
	for _, flip := range []byte{0x01, 0x20, 0x80} {
		for i := range file {
			b := bytes.Clone(file)
			b[i] ^= flip
			_, bad := checkFile(t, b, Options{Verifiers: l.keys.verifiers})
			if bad == nil {
				t.Errorf("byte %d flipped by %#02x: passes", i, flip)
			} else if recordOf[i] >= 0 && bad.Index != int64(recordOf[i]) {
				t.Errorf("byte %d of entry %d flipped by %#02x: %v", i, recordOf[i], flip, bad)
			}
		}
	}
	for n := range file {
		if _, bad := checkFile(t, file[:n], Options{}); bad == nil || bad.Status != StatusUnreadable {
			t.Errorf("cut to %d bytes: %v", n, bad)
		}
	}
	if _, bad := checkFile(t, append(file, 0), Options{}); bad == nil || bad.Status != StatusUnreadable {
		t.Errorf("a byte more: %v", bad)
	}
}

// TestI7_TamperedLogIsFound: what an owner of the database could do to it.
func TestI7_TamperedLogIsFound(t *testing.T) {
	t.Parallel()
	rehash := func(l *testLog) {
		for i, data := range l.entries {
			l.leaves[i] = tlog.RecordHash(data)
			l.indexes[i] = int64(i)
		}
	}
	edited := func(l *testLog, i int) {
		e, err := Decode(l.entries[i])
		if err != nil {
			t.Fatal(err)
		}
		e.Actor = testID(66)
		if l.entries[i], err = e.Encode(); err != nil {
			t.Fatal(err)
		}
	}
	drop := func(l *testLog, i int) {
		l.entries = append(l.entries[:i:i], l.entries[i+1:]...)
		l.leaves = append(l.leaves[:i:i], l.leaves[i+1:]...)
		l.indexes = append(l.indexes[:i:i], l.indexes[i+1:]...)
	}
	for name, c := range map[string]struct {
		spoil  func(*testLog)
		status int
		index  int64
	}{
		"entry edited":                        {func(l *testLog) { edited(l, 5) }, StatusBroken, 5},
		"entry edited, leaf hash too":         {func(l *testLog) { edited(l, 5); rehash(l) }, StatusBroken, 0},
		"later entry edited, leaf hash too":   {func(l *testLog) { edited(l, 12); rehash(l) }, StatusBroken, 9},
		"entry removed":                       {func(l *testLog) { drop(l, 5) }, StatusBroken, 5},
		"entry removed, rest renumbered":      {func(l *testLog) { drop(l, 12); rehash(l) }, StatusBroken, 9},
		"last entry removed":                  {func(l *testLog) { drop(l, len(l.entries)-1) }, StatusBroken, 38},
		"entry appended twice":                {func(l *testLog) { l.entries[10] = l.entries[9]; rehash(l) }, StatusBroken, 9},
		"same index twice":                    {func(l *testLog) { l.indexes[10] = 9 }, StatusBroken, 10},
		"two swapped":                         {func(l *testLog) { l.entries[9], l.entries[10] = l.entries[10], l.entries[9] }, StatusBroken, 9},
		"two swapped, leaf hashes too":        {func(l *testLog) { l.entries[9], l.entries[10] = l.entries[10], l.entries[9]; rehash(l) }, StatusBroken, 9},
		"entry that is none":                  {func(l *testLog) { l.entries[5] = []byte{1}; rehash(l) }, StatusBroken, 5},
		"entry of a later version":            {func(l *testLog) { l.entries[5][0] = 2; rehash(l) }, StatusUnreadable, 5},
		"head of another log":                 {func(l *testLog) { l.heads[1].signed = foreignHead(l, 9) }, StatusSignature, 9},
		"head of size with leading zero":      {func(l *testLog) { respell(l, 1, "\n9\n", "\n09\n") }, StatusUnreadable, -1},
		"head without last newline":           {func(l *testLog) { l.heads[1].signed = bytes.TrimSuffix(l.heads[1].signed, []byte("\n")) }, StatusSignature, 9},
		"head with another size":              {func(l *testLog) { respell(l, 1, "\n9\n", "\n8\n") }, StatusSignature, 8},
		"head out of place":                   {func(l *testLog) { l.heads[1].size = 10 }, StatusUnreadable, 10},
		"head before its entries":             {func(l *testLog) { l.heads[1].size = 8 }, StatusUnreadable, 8},
		"head signed over another log's root": {func(l *testLog) { l.heads[1].signed = signRoot(l, 9, tlog.Hash{1}) }, StatusBroken, 0},
	} {
		l := newStory(t)
		c.spoil(l)
		_, bad := l.check(Options{Verifiers: l.keys.verifiers})
		if bad == nil || bad.Status != c.status || bad.Index != c.index {
			t.Errorf("%s: %v, want status %d at %d", name, bad, c.status, c.index)
		}
	}
}

func respell(l *testLog, i int, from, to string) {
	l.heads[i].signed = bytes.Replace(l.heads[i].signed, []byte(from), []byte(to), 1)
}

func signRoot(l *testLog, size int64, root tlog.Hash) []byte {
	signed, err := SignHead(Head{Origin: l.origin, Size: size, Root: root}, l.keys.log)
	if err != nil {
		l.t.Fatal(err)
	}
	return signed
}

func foreignHead(l *testLog, size int64) []byte {
	signed, err := SignHead(Head{Origin: LogKeyName("felt.example"), Size: size}, newTestKeys(l.t, "felt.example").log)
	if err != nil {
		l.t.Fatal(err)
	}
	return signed
}

// TestI7_RewrittenLogNeedsAnOutsideHead: whoever holds the log key can rewrite
// the whole log, heads and all; only a head kept elsewhere tells.
func TestI7_RewrittenLogNeedsAnOutsideHead(t *testing.T) {
	t.Parallel()
	outside := newStory(t).heads[2].signed
	forged := newTestLog(t)
	forged.append(Entry{Time: testTime, Kind: SiteOpened, Actor: testID(66)})
	forged.walk(testID(1), testID(100), toClosed...)
	forged.head()
	if _, bad := forged.check(Options{}); bad != nil {
		t.Fatalf("without the head: %v", bad)
	}
	_, bad := forged.check(Options{EarlierHead: outside})
	if bad == nil || bad.Status != StatusBroken || bad.Index != forged.tree.Size {
		t.Errorf("shorter than the head: %v", bad)
	}
	forged.walk(testID(2), testID(100), toClosed...)
	forged.walk(testID(3), testID(100), toClosed...)
	forged.walk(testID(4), testID(100), toClosed...)
	_, bad = forged.check(Options{EarlierHead: outside})
	if bad == nil || bad.Status != StatusBroken || bad.Index != 9 {
		t.Errorf("longer than the head: %v", bad)
	}
	_, bad = forged.check(Options{EarlierHead: bytes.Replace(outside, []byte("— "), []byte("- "), 1)})
	if bad == nil || bad.Status != StatusSignature {
		t.Errorf("earlier head without signature: %v", bad)
	}
	_, bad = forged.check(Options{EarlierHead: []byte("x")})
	if bad == nil || bad.Status != StatusUnreadable {
		t.Errorf("earlier head that is none: %v", bad)
	}
}

// TestCheck_BrokenBeforeRules: a log that is not whole is said to be that, not
// to tell of a broken rule.
func TestCheck_BrokenBeforeRules(t *testing.T) {
	t.Parallel()
	l := newTestLog(t)
	l.walk(testID(1), testID(100), "run.proposed", "run.moved proposed running") // I1 at 1
	l.walk(testID(1), testID(100), "run.ready")
	l.head()
	if _, bad := l.check(Options{}); bad == nil || bad.Status != StatusRule || bad.Index != 1 {
		t.Fatalf("whole: %v", bad)
	}
	unsigned := *l
	unsigned.heads = []testHead{{3, foreignHead(l, 3)}}
	if _, bad := unsigned.check(Options{}); bad == nil || bad.Status != StatusSignature {
		t.Errorf("unsigned: %v", bad)
	}
	l.leaves[2][0] ^= 1
	if _, bad := l.check(Options{}); bad == nil || bad.Status != StatusBroken || bad.Index != 2 {
		t.Errorf("broken: %v", bad)
	}
}

// TestCheck_HoldsNoMoreThanLiveRuns: memory follows live runs and machines.
func TestCheck_HoldsNoMoreThanLiveRuns(t *testing.T) {
	t.Parallel()
	r := newRules(testSite, &trust{given: newTestKeys(t, testSite).verifiers})
	l := newTestLog(t)
	for i := range 50 {
		l.walk(testID(byte(i+1)), testID(100), toClosed...)
	}
	for i, data := range l.entries {
		e, err := scanEntry(data)
		if err != nil {
			t.Fatal(err)
		}
		if bad := r.entry(told{record: e, what: kindNamed(e.kind)}); bad != nil {
			t.Fatalf("entry %d: %v", i, bad)
		}
		if len(r.live) > 1 || len(r.machines) > 1 {
			t.Fatalf("entry %d: %d live runs, %d machines", i, len(r.live), len(r.machines))
		}
	}
	if len(r.closed) != 50 {
		t.Errorf("%d closed runs", len(r.closed))
	}
}

func BenchmarkCheck(b *testing.B) {
	l := newTestLog(b)
	for i := range 200 {
		l.walk(testID(byte(i+1)), testID(100), toClosed...)
	}
	l.head()
	file := l.export()
	b.SetBytes(int64(len(file)))
	for b.Loop() {
		if _, err := Check(bytes.NewReader(file), Options{}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(len(l.entries)), "entries/op")
}

func TestCheckError_Message(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		err  CheckError
		want string
	}{
		{CheckError{Status: StatusBroken, Index: 17, Reason: "entry 17 is missing"}, "logbook is broken at index 17: entry 17 is missing"},
		{CheckError{Status: StatusUnreadable, Index: -1, Reason: "damaged"}, "logbook cannot be read: damaged"},
		{CheckError{Status: StatusSignature, Index: 3, Reason: "x"}, "signature is not good at index 3: x"},
		{CheckError{Status: StatusRule, Index: 4, Reason: "I1: x"}, "rule is broken at index 4: I1: x"},
	} {
		if got := c.err.Error(); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}
