package logbook

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"testing"

	"golang.org/x/mod/sumdb/tlog"
)

// TestExport_Layout reads an export with nothing but the format's description.
func TestExport_Layout(t *testing.T) {
	t.Parallel()
	l := newTestLog(t)
	l.append(Entry{Time: testTime, Kind: SiteOpened})
	l.head()
	l.append(Entry{Time: testTime, Kind: WorkerSeen})
	file := l.export()

	head := "kerfgate logbook export v1\norigin beds.example/logbook\nkey " + l.keys.vkeys[0] + "\nkey " + l.keys.vkeys[1] + "\n\n"
	rest, ok := bytes.CutPrefix(file, []byte(head))
	if !ok {
		t.Fatalf("header: %q", file[:min(len(file), len(head))])
	}
	take := func(n int) []byte {
		b := rest[:n]
		rest = rest[n:]
		return b
	}
	for i, want := range l.entries {
		if i == 1 {
			if got := take(1); got[0] != 'H' {
				t.Fatalf("record %q, want the head", got)
			}
			n := binary.BigEndian.Uint16(take(2))
			if !bytes.Equal(take(int(n)), l.heads[0].signed) {
				t.Error("head differs")
			}
		}
		if got := take(1); got[0] != 'E' {
			t.Fatalf("record %q, want entry %d", got, i)
		}
		if index := binary.BigEndian.Uint64(take(8)); index != uint64(i) {
			t.Errorf("index %d, want %d", index, i)
		}
		n := binary.BigEndian.Uint16(take(2))
		if !bytes.Equal(take(int(n)), want) {
			t.Errorf("entry %d differs", i)
		}
		if leaf := tlog.RecordHash(want); !bytes.Equal(take(32), leaf[:]) {
			t.Errorf("leaf %d differs", i)
		}
	}
	if got := take(1); got[0] != 'Z' || binary.BigEndian.Uint64(take(8)) != 2 || len(rest) != 32 {
		t.Errorf("end record %q, then %d bytes", got, len(rest))
	}
}

func TestExport_RoundTrip(t *testing.T) {
	t.Parallel()
	l := newStory(t)
	r, err := NewExportReader(bytes.NewReader(l.export()))
	if err != nil {
		t.Fatal(err)
	}
	if r.Header.Origin != testOrigin || len(r.Header.Keys) != 2 {
		t.Errorf("header %+v", r.Header)
	}
	entries, heads := 0, 0
	for {
		rec, err := r.Next()
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		if rec.Head != nil {
			if want := l.heads[heads]; !bytes.Equal(rec.Head, want.signed) || rec.Index != want.size {
				t.Errorf("head %d at %d", heads, rec.Index)
			}
			heads++
			continue
		}
		if rec.Index != int64(entries) || !bytes.Equal(rec.Entry, l.entries[entries]) {
			t.Errorf("entry %d", entries)
		}
		entries++
	}
	if entries != len(l.entries) || heads != len(l.heads) {
		t.Errorf("%d entries, %d heads", entries, heads)
	}
}

func TestExportWriter_Refuses(t *testing.T) {
	t.Parallel()
	l := newStory(t)
	for _, h := range []ExportHeader{
		{}, {Origin: "beds.example"}, {Origin: testOrigin, Keys: []string{"x"}}, {Origin: testOrigin, Keys: make([]string, 65)},
		{Origin: testOrigin, Keys: []string{l.keys.vkeys[0], l.keys.vkeys[0]}},
	} {
		if _, err := NewExportWriter(io.Discard, h); !errors.Is(err, ErrExport) {
			t.Errorf("%+v: %v", h, err)
		}
	}
	w, err := NewExportWriter(io.Discard, ExportHeader{Origin: testOrigin})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.WriteEntry(0, make([]byte, MaxEntry+1), tlog.Hash{}); !errors.Is(err, ErrExport) {
		t.Errorf("long entry: %v", err)
	}
	if err := w.WriteHead([]byte("x")); !errors.Is(err, ErrExport) {
		t.Errorf("no head: %v", err)
	}
	for i := range int64(l.heads[0].size + 1) {
		if err := w.WriteEntry(i, l.entries[i], tlog.RecordHash(l.entries[i])); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.WriteEntry(0, l.entries[0], tlog.Hash{}); !errors.Is(err, ErrExport) {
		t.Errorf("index again: %v", err)
	}
	if err := w.WriteHead(l.heads[0].signed); !errors.Is(err, ErrExport) {
		t.Errorf("head too late: %v", err)
	}
	if err := errors.Join(w.Close(), w.Close()); err != nil {
		t.Error(err)
	}
	if err := w.WriteEntry(99, l.entries[0], tlog.Hash{}); !errors.Is(err, ErrExport) {
		t.Errorf("after the end: %v", err)
	}
}

// errDisk stands for a medium that fails.
var errDisk = errors.New("medium failed")

type failing struct{}

func (failing) Read([]byte) (int, error)  { return 0, errDisk }
func (failing) Write([]byte) (int, error) { return 0, errDisk }

func TestExport_FailingMedium(t *testing.T) {
	t.Parallel()
	file := newStory(t).export()
	_, err := Check(io.MultiReader(bytes.NewReader(file[:len(file)/2]), failing{}), Options{})
	var bad *CheckError
	if !errors.As(err, &bad) || bad.Status != StatusUnreadable || !errors.Is(err, errDisk) {
		t.Errorf("reading: %v", err)
	}
	w, err := NewExportWriter(failing{}, ExportHeader{Origin: testOrigin})
	if err == nil {
		err = w.Close()
	}
	if !errors.Is(err, errDisk) {
		t.Errorf("writing: %v", err)
	}
}

func FuzzCheck(f *testing.F) {
	f.Add(newStory(f).export())
	f.Fuzz(func(t *testing.T, file []byte) {
		report, err := Check(bytes.NewReader(file), Options{})
		if err == nil && report.Covered > report.Entries {
			t.Fatalf("%+v", report)
		}
		var bad *CheckError
		if err != nil && (!errors.As(err, &bad) || bad.Status < StatusUnreadable || bad.Status > StatusRule) {
			t.Fatalf("error of no kind: %v", err)
		}
	})
}

// TestExportWriter_WritesTheFormat holds the writer to a file put together record
// by record from the format's description.
func TestExportWriter_WritesTheFormat(t *testing.T) {
	t.Parallel()
	l := newStory(t)
	var got bytes.Buffer
	w, err := NewExportWriter(&got, ExportHeader{Origin: testOrigin, Keys: l.keys.vkeys})
	if err != nil {
		t.Fatal(err)
	}
	heads := l.heads
	for i := range int64(len(l.entries)) + 1 {
		for len(heads) > 0 && heads[0].size == i {
			if err := w.WriteHead(heads[0].signed); err != nil {
				t.Fatal(err)
			}
			heads = heads[1:]
		}
		if i == int64(len(l.entries)) {
			break
		}
		if err := w.WriteEntry(i, l.entries[i], l.leaves[i]); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if want := l.export(); !bytes.Equal(got.Bytes(), want) {
		t.Errorf("%d bytes, want %d", got.Len(), len(want))
	}
}

func TestExportReader_RefusesHeader(t *testing.T) {
	t.Parallel()
	key := "key " + newTestKeys(t, testSite).vkeys[0] + "\n"
	const first, origin = exportLine + "\n", "origin " + testOrigin + "\n"
	for name, header := range map[string]string{
		"nothing":         "",
		"another version": "kerfgate logbook export v2\n" + origin + "\n",
		"no origin":       first + key + "\n",
		"bad origin":      first + "origin beds.example\n\n",
		"key twice":       first + origin + key + key + "\n",
		"no key":          first + origin + "key x\n\n",
		"other line":      first + origin + "more x\n\n",
		"no end":          first + origin + key,
		"long line":       first + "origin " + string(bytes.Repeat([]byte("x"), 2000)) + "\n\n",
	} {
		if _, err := NewExportReader(bytes.NewReader([]byte(header))); !errors.Is(err, ErrExport) {
			t.Errorf("%s: %v", name, err)
		}
	}
}
