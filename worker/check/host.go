package check

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"time"

	"golang.org/x/sys/unix"

	"kerfgate/worker"
	"kerfgate/worker/journal"
)

// Bounds of what is fit for a worker.
const (
	slowSync  = 500 * time.Millisecond // an fsync stands between permit and motion
	leastFree = 64 << 20               // bytes: plans are kept there
	// mostClockOff is how far the clock that people read may be from the server's. No deadline reads it.
	mostClockOff = 5 * time.Second
)

// Folder says whether a worker's folder is private, can be written, and keeps what is written to it.
func Folder(dir string) []Finding {
	const what = "folder"
	info, err := os.Stat(dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return []Finding{{What: what, State: Fault, Text: dir + " does not exist", Next: "name the worker's folder, or make it with: kerfgate worker enrol --dir " + dir + " --server URL --code CODE"}}
	case err != nil:
		return []Finding{Bad(what, err)}
	case !info.IsDir():
		return []Finding{{What: what, State: Fault, Text: dir + " is no folder", Next: "name the folder that kerfgate worker enrol made"}}
	}
	var all []Finding
	if info.Mode().Perm()&0o077 != 0 {
		all = append(all, Finding{What: what, State: Warning, Text: fmt.Sprintf("%s can be read by others (mode %o)", dir, info.Mode().Perm()), Next: "chmod 700 " + dir})
	}
	took, err := trySync(dir)
	switch {
	case err != nil:
		return append(all, Finding{What: what, State: Fault, Text: "what is written does not reach the disk: " + err.Error(),
			Next: "look at rights, space and the disk itself; without fsync no permit is burned"})
	case took > slowSync:
		all = append(all, Finding{What: what, State: Warning, Text: fmt.Sprintf("an fsync takes %d ms", took.Milliseconds()), Next: "a better card or disk makes starts quicker"})
	}
	var disk unix.Statfs_t
	if err := unix.Statfs(dir, &disk); err == nil && disk.Bavail*uint64(disk.Bsize) < leastFree {
		all = append(all, Finding{What: what, State: Warning, Text: fmt.Sprintf("%d MiB are free", disk.Bavail*uint64(disk.Bsize)>>20), Next: "a plan may take more; make room"})
	}
	if len(all) == 0 {
		all = append(all, good(what, "%s can be written, fsync takes %d ms", dir, took.Milliseconds()))
	}
	return all
}

// trySync writes, syncs, renames and removes a file, as the journal does.
func trySync(dir string) (time.Duration, error) {
	f, err := os.CreateTemp(dir, "check-*")
	if err != nil {
		return 0, err
	}
	defer os.Remove(f.Name())
	begun := time.Now()
	_, err = f.Write(make([]byte, 4096))
	if err == nil {
		err = f.Sync()
	}
	if err := errors.Join(err, f.Close()); err != nil {
		return 0, err
	}
	d, err := os.Open(dir)
	if err != nil {
		return 0, err
	}
	err = d.Sync()
	return time.Since(begun), errors.Join(err, d.Close())
}

// Journal says whether a worker's journal opens. running is true where a worker holds it.
func Journal(dir string) (f Finding, running bool) {
	const what = "journal"
	path := filepath.Join(dir, "journal")
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return good(what, "empty: no worker has run here yet"), false
	}
	folder, err := worker.OpenFolder(path)
	if err != nil {
		return Bad(what, err), false
	}
	defer folder.Close()
	j, err := journal.Open(folder)
	switch {
	case errors.Is(err, journal.ErrInUse):
		return Finding{What: what, State: Warning, Text: errTaken.Error(), Next: "end it to have its machine asked too"}, true
	case err != nil:
		return Bad(what, err), false
	}
	book := j.Book()
	if err := j.Close(); err != nil {
		return Bad(what, err), false
	}
	return good(what, "%d runs burned, last report %d", len(book.Burns), book.LastNumber), false
}

// Clocks says whether the two clocks that a worker trusts run: one that counts time in which the host
// sleeps and one that does not.
func Clocks(c worker.Clock) Finding {
	const what = "clock"
	boot, awake := c.Boot(), c.Awake()
	time.Sleep(20 * time.Millisecond)
	b, a := c.Boot()-boot, c.Awake()-awake
	if b < 15*time.Millisecond || a < 15*time.Millisecond || b-a > 100*time.Millisecond || a-b > 100*time.Millisecond {
		return Finding{What: what, State: Fault, Text: fmt.Sprintf("in 20 ms the boot clock ran %v and the waking clock %v", b, a), Next: "no deadline can be kept on this host"}
	}
	return good(what, "runs; this host has slept %s since it started", (boot - awake).Round(time.Second))
}

// WallClock holds the clock that people read against the server's.
func WallClock(here, server time.Time) Finding {
	const what = "time of day"
	off := here.Sub(server).Round(time.Second)
	if off < -mostClockOff || off > mostClockOff {
		return Finding{What: what, State: Warning, Text: fmt.Sprintf("%v away from the server's", off),
			Next: "no deadline reads it, but certificates and people do: set the clock, or have it set over the network"}
	}
	return good(what, "agrees with the server's")
}

// Suspend says whether a run can keep the host from sleeping.
func Suspend(ctx context.Context) Finding {
	const what = "suspend"
	ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	next := "turn suspend and lid switch off on this host: waking in a run is lost contact and ends it"
	if _, err := exec.LookPath(worker.InhibitCommand); err != nil {
		return Finding{What: what, State: Warning, Text: "a run cannot keep this host awake: there is no " + worker.InhibitCommand, Next: next}
	}
	release, err := worker.StayAwake(ctx)
	if err != nil {
		return Finding{What: what, State: Warning, Text: "a run cannot keep this host awake: " + err.Error(), Next: next}
	}
	release()
	return good(what, "a run keeps this host awake")
}
