package journal_test

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/uuid"
	"go.uber.org/goleak"

	"kerfgate/plan/canon"
	"kerfgate/worker/journal"
	"kerfgate/worker/journal/journaltest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func runID(n byte) uuid.UUID       { return uuid.UUID{15: n} }
func permitOf(n byte) canon.Digest { return canon.Digest{0: 0xee, 31: n} }

func open(t *testing.T, dir journal.Files) *journal.Journal {
	t.Helper()
	j, err := journal.Open(dir)
	if err != nil {
		t.Fatalf("open: %v", err)
	}
	return j
}

func appendAll(t *testing.T, j *journal.Journal, facts ...journal.Fact) {
	t.Helper()
	if err := j.Append(facts...); err != nil {
		t.Fatalf("append: %v", err)
	}
}

// life is a history that touches every kind of write; it stops at the first error and says which
// burns were acknowledged.
func life(dir journal.Files) (burned []uuid.UUID, j *journal.Journal, err error) {
	j, err = journal.Open(dir)
	if err != nil {
		return nil, nil, err
	}
	number := j.LastNumber()
	report := func(size int) journal.Fact {
		number++
		return journal.Fact{Kind: journal.Reported, Number: number, Data: bytes.Repeat([]byte{7}, size)}
	}
	for n := byte(1); n <= 3; n++ {
		run := runID(n)
		size := 100
		if n == 3 {
			size = 1100 << 10 // so that Compact has something to do
		}
		steps := [][]journal.Fact{
			{{Kind: journal.Prepared, Run: run, Revision: 1, Ready: true}, report(100)},
			{{Kind: journal.Burned, Run: run, Permit: permitOf(n), Challenge: [32]byte{n}, PurgeS: 40}},
			{{Kind: journal.Started, Run: run}, report(90)},
			{{Kind: journal.Ended, Run: run}, {Kind: journal.Purging, Run: run, LeftS: 40}, report(size)},
			{{Kind: journal.Purging, Run: run, Over: true}, report(50)},
			{{Kind: journal.Applied, Number: number + 4}},
		}
		for _, facts := range steps {
			if err := j.Append(facts...); err != nil {
				return burned, j, err
			}
			if facts[0].Kind == journal.Burned {
				burned = append(burned, run)
			}
		}
		if err := j.Compact(); err != nil {
			return burned, j, err
		}
	}
	return burned, j, nil
}

// F20, F22: the n-th call to the disk fails, once and for ever after, for n = 1, 2, 3, … until the
// history passes untouched; then the process dies, with and without the power. Acknowledged burns
// are there afterwards, and the journal that saw the error took nothing more.
func TestF22_EveryCallFails(t *testing.T) {
	t.Parallel()
	for _, forEver := range []bool{false, true} {
		passed := false
		for n := 1; !passed; n++ {
			disk := journaltest.New()
			disk.FailWhen(func(call int, _ string) error {
				if call == n || forEver && call > n {
					return journaltest.ErrFault
				}
				return nil
			})
			burned, j, err := life(disk)
			passed = err == nil
			if err != nil {
				if !errors.Is(err, journaltest.ErrFault) {
					t.Fatalf("n=%d: %v", n, err)
				}
				if j != nil {
					before := disk.Bytes("journal")
					err := j.Append(journal.Fact{Kind: journal.Burned, Run: runID(99), Permit: permitOf(99)})
					if !errors.Is(err, journal.ErrOutOfUse) {
						t.Fatalf("n=%d: append after an error: %v", n, err)
					}
					if !bytes.Equal(before, disk.Bytes("journal")) {
						t.Fatalf("n=%d: the journal was written after its error", n)
					}
					if j.Problem() == nil {
						t.Fatalf("n=%d: no problem told", n)
					}
				}
			}
			after := map[string]*journaltest.Disk{"kill": disk.Kill()}
			for seed := range uint64(5) {
				after[fmt.Sprintf("power cut %d", seed)] = disk.PowerCut(seed)
			}
			for how, next := range after {
				j := open(t, next)
				for _, run := range burned {
					if !j.RunBurned(run) || !j.PermitBurned(permitOf(run[15])) {
						t.Fatalf("n=%d for ever=%v, %s: burn of run %d is gone", n, forEver, how, run[15])
					}
				}
				appendAll(t, j, journal.Fact{Kind: journal.Burned, Run: runID(98), Permit: permitOf(98)})
			}
			if n > 10_000 {
				t.Fatal("never passes")
			}
		}
	}
}

// F23: whatever length the last frame was torn to, the run that it might have burned counts as
// burned, and later records are fine.
func TestF23_TornAtEveryLength(t *testing.T) {
	t.Parallel()
	disk := journaltest.New()
	j := open(t, disk)
	appendAll(t, j, journal.Fact{Kind: journal.Prepared, Run: runID(1), Revision: 1, Ready: true})
	before := len(disk.Bytes("journal"))
	appendAll(t, j, journal.Fact{Kind: journal.Burned, Run: runID(1), Permit: permitOf(1)})
	whole := disk.Bytes("journal")
	for length := before; length <= len(whole); length++ {
		next := journaltest.New()
		next.Put("journal", whole[:length])
		j := open(t, next)
		torn := length > before && length < len(whole)
		if (j.Torn() > 0) != torn {
			t.Fatalf("length %d: torn %d bytes", length, j.Torn())
		}
		if got, want := j.RunBurned(runID(1)), length > before; got != want {
			t.Fatalf("length %d: burned %v, want %v", length, got, want)
		}
		if torn && !bytes.Equal(next.Bytes("journal.torn"), whole[before:length]) {
			t.Fatalf("length %d: the torn bytes are not kept", length)
		}
		appendAll(t, j, journal.Fact{Kind: journal.Burned, Run: runID(2), Permit: permitOf(2)})
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
		j = open(t, next)
		if j.Torn() != 0 || !j.RunBurned(runID(2)) || j.RunBurned(runID(1)) != (length > before) {
			t.Fatalf("length %d: the second opening tells something else", length)
		}
	}
}

// A flipped bit in what had been written safely is damage, in the last frame a torn tail: never a
// journal that silently knows less.
func TestI2_FlippedBitNeverUnburns(t *testing.T) {
	t.Parallel()
	disk := journaltest.New()
	j := open(t, disk)
	appendAll(t, j, journal.Fact{Kind: journal.Prepared, Run: runID(1), Revision: 1, Ready: true})
	appendAll(t, j, journal.Fact{Kind: journal.Burned, Run: runID(1), Permit: permitOf(1)})
	burnEnd := len(disk.Bytes("journal"))
	appendAll(t, j, journal.Fact{Kind: journal.Started, Run: runID(1)})
	whole := disk.Bytes("journal")
	for at := range whole {
		for _, bit := range []byte{1, 0x80} {
			bad := bytes.Clone(whole)
			bad[at] ^= bit
			next := journaltest.New()
			next.Put("journal", bad)
			j, err := journal.Open(next)
			switch {
			case err != nil && !errors.Is(err, journal.ErrDamaged):
				t.Fatalf("byte %d: %v", at, err)
			case err == nil && at < burnEnd:
				t.Fatalf("byte %d of %d: damage before a sound frame was not seen", at, burnEnd)
			case err == nil && (!j.RunBurned(runID(1)) || j.Torn() == 0):
				t.Fatalf("byte %d: burned %v, torn %d", at, j.RunBurned(runID(1)), j.Torn())
			}
		}
	}
}

// I2: neither a run nor a permit burns twice, and no rewriting forgets a burn.
func TestI2_BurnsAreForEver(t *testing.T) {
	t.Parallel()
	disk := journaltest.New()
	j := open(t, disk)
	for n := range byte(200) {
		appendAll(t, j, journal.Fact{Kind: journal.Burned, Run: runID(n), Permit: permitOf(n)})
	}
	number := int64(0)
	for range 4 {
		number++
		appendAll(t, j, journal.Fact{Kind: journal.Reported, Number: number, Data: make([]byte, 700<<10)})
	}
	appendAll(t, j, journal.Fact{Kind: journal.Applied, Number: 3})
	large := len(disk.Bytes("journal"))
	if err := j.Compact(); err != nil {
		t.Fatal(err)
	}
	if small := len(disk.Bytes("journal")); small > large-3*700<<10 {
		t.Fatalf("rewritten from %d to %d bytes", large, small)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	j = open(t, disk)
	if q := j.Queued(); len(q) != 1 || q[0].Number != 4 || j.LastNumber() != 4 {
		t.Fatalf("queued %d reports, last %d", len(q), j.LastNumber())
	}
	for n := range byte(200) {
		for _, f := range []journal.Fact{
			{Kind: journal.Burned, Run: runID(n), Permit: permitOf(250)},
			{Kind: journal.Burned, Run: runID(250), Permit: permitOf(n)},
		} {
			if err := j.Append(f); !errors.Is(err, journal.ErrBurned) {
				t.Fatalf("burn %d again: %v", n, err)
			}
		}
	}
	if j.Problem() != nil {
		t.Fatal("a refused burn put the journal out of use")
	}
}

// F33, I8: a purge, a lockout, an epoch and an unfinished run are told alike after every opening.
func TestOpen_ReadsBackWhatWasWritten(t *testing.T) {
	t.Parallel()
	disk := journaltest.New()
	j := open(t, disk)
	server := [16]byte{1, 2, 3}
	appendAll(t, j,
		journal.Fact{Kind: journal.Epoch, Server: server},
		journal.Fact{Kind: journal.LockedOut, Data: []byte("statement"), Index: 41, Locked: true},
		journal.Fact{Kind: journal.LockedOut, Data: []byte("older"), Index: 40},
		journal.Fact{Kind: journal.Burned, Run: runID(1), Permit: permitOf(1), Attendance: [32]byte{9}, Number: 1, PurgeS: 70},
		journal.Fact{Kind: journal.Started, Run: runID(1)},
		journal.Fact{Kind: journal.Missed, Run: runID(1)},
		journal.Fact{Kind: journal.Purging, Run: runID(1), LeftS: 30})
	for range 2 {
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
		j = open(t, disk)
		book := j.Book()
		burn, _ := book.BurnOf(runID(1))
		if !book.HasServer || book.Server != server || string(book.Lockout.Statement) != "statement" ||
			!book.Lockout.Locked || book.Lockout.Index != 41 || !burn.Started || burn.Ended || burn.Missed != 1 ||
			burn.PurgeS != 70 || burn.Attendance != [32]byte{9} || book.Purge.LeftS != 30 || len(book.Open()) != 1 {
			t.Fatalf("read back %+v", book)
		}
	}
	if got := j.Book().Starts; got != 3 {
		t.Fatalf("opened %d times, want 3", got)
	}
	appendAll(t, j, journal.Fact{Kind: journal.Epoch, Server: [16]byte{4}})
	if l := j.Book().Lockout; !l.Locked || l.Index != -1 {
		t.Fatalf("a new epoch lifts the lockout: %+v", l)
	}
}

func TestOpenDir_HeldByOneProcess(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "worker")
	dir, err := journal.OpenDir(path)
	if err != nil {
		t.Fatal(err)
	}
	defer dir.Close()
	if _, j, err := life(dir); err != nil {
		t.Fatal(err)
	} else {
		if _, err := journal.Open(dir); !errors.Is(err, journal.ErrInUse) {
			t.Fatalf("second opening: %v", err)
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
	}
	j := open(t, dir)
	defer j.Close()
	if !j.RunBurned(runID(3)) {
		t.Fatal("burn lost on a real disk")
	}
	info, err := os.Stat(filepath.Join(path, "journal"))
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Fatalf("mode %v, %v", info.Mode(), err)
	}
}

// Foreign bytes never make Open panic, and what opens can be opened again.
func FuzzOpen(f *testing.F) {
	disk := journaltest.New()
	if _, _, err := life(disk); err != nil {
		f.Fatal(err)
	}
	f.Add([]byte{})
	f.Add(disk.Bytes("journal")[:400])
	f.Fuzz(func(t *testing.T, data []byte) {
		disk := journaltest.New()
		disk.Put("journal", data)
		j, err := journal.Open(disk)
		if err != nil {
			if !errors.Is(err, journal.ErrDamaged) {
				t.Fatalf("open: %v", err)
			}
			return
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
		if _, err := journal.Open(disk); err != nil {
			t.Fatalf("second opening: %v", err)
		}
	})
}
