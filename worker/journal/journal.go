// Package journal is a worker's own append-only memory of what it burned, did and still has to tell.
//
// The file is the worker's only authority besides signatures and its clock (I12): a run or a permit
// that stands here as burned never moves again (I2), whatever a database, a broker or a restored
// backup says (I14). Every append is one frame (length, CRC-32C, canonical CBOR) and one fsync; a
// frame is whole or it does not count.
//
// A bad tail counts as burned: what was prepared when it was written may never move. Bad bytes with
// good frames behind them are damage, and then nothing opens without a person. The first error of a
// write or an fsync puts the journal out of use for as long as the process lives: after a failed
// write-back a second fsync may report success for data that is lost.
package journal

import (
	"errors"
	"fmt"
	"io/fs"
	"sync"

	"github.com/google/uuid"

	"kerfgate/plan/canon"
)

// Names inside the folder.
const (
	fileName = "journal"
	tempName = "journal.new"
	tornName = "journal.torn"
)

// compactBytes is how much of the file may belong to applied reports before it is written anew.
const compactBytes = 1 << 20

// Errors of a journal.
var (
	// ErrInUse: another process holds the folder.
	ErrInUse = errors.New("the journal is held by another process")
	// ErrOutOfUse: a write or an fsync failed earlier in this process; it is never tried again.
	ErrOutOfUse = errors.New("the journal is out of use")
	// ErrDamaged: bytes that had been written safely are no longer readable.
	ErrDamaged = errors.New("the journal is damaged: a person must look at it before the machine may run")
	// ErrBurned: the run or the permit was burned before.
	ErrBurned = errors.New("burned before")
)

// Journal is an open journal. Its methods may be called from any goroutine; appends are one after
// the other.
type Journal struct {
	dir    Files
	unlock func() error

	mu     sync.Mutex
	file   File
	broken error
	size   int64 // bytes in the file
	waste  int64 // bytes of them that a rewrite would drop
	seq    uint64
	book   *Book
	torn   int
}

// Open locks the folder, reads the journal, and writes it anew, so that everything which it then
// tells is on the disk and a torn tail is gone. Errors are ErrInUse, ErrDamaged and those of the
// disk. A folder without a journal gets an empty one.
func Open(dir Files) (*Journal, error) {
	unlock, err := dir.Lock()
	if err != nil {
		return nil, err
	}
	j := &Journal{dir: dir, unlock: unlock}
	if err := j.load(); err != nil {
		if j.file != nil {
			err = errors.Join(err, j.file.Close())
		}
		return nil, errors.Join(err, unlock())
	}
	return j, nil
}

func (j *Journal) load() error {
	data, err := j.dir.Read(fileName)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		j.book = newBook()
	case err != nil:
		return fmt.Errorf("reading the journal: %w", err)
	default:
		read, err := scan(data)
		if err != nil {
			return err
		}
		j.book, j.seq = newBook(), read.seq
		for _, f := range read.facts {
			if err := j.book.apply(f); err != nil {
				return fmt.Errorf("%w: %w", ErrDamaged, err)
			}
		}
		if read.torn > 0 {
			j.torn = read.torn
			if err := j.keepTorn(data[len(data)-read.torn:]); err != nil {
				return err
			}
			j.book.burnPrepared()
		}
	}
	j.book.Starts++
	return j.rewrite()
}

// keepTorn puts the bytes of a torn tail aside for a person to look at.
func (j *Journal) keepTorn(tail []byte) error {
	f, err := j.dir.Create(tornName)
	if err != nil {
		return fmt.Errorf("keeping the torn tail: %w", err)
	}
	_, werr := f.Write(tail)
	if err := errors.Join(werr, f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("keeping the torn tail: %w", err)
	}
	return nil
}

// Torn is how many bytes of an unfinished frame stood at the end of the file when it was opened.
func (j *Journal) Torn() int { return j.torn }

// Append writes the facts as one frame and returns when they are on the disk. Errors are ErrBurned,
// which leaves the journal as it was, and ErrOutOfUse, after which nothing can be appended any more.
func (j *Journal) Append(facts ...Fact) error {
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.broken != nil {
		return fmt.Errorf("%w: %w", ErrOutOfUse, j.broken)
	}
	if err := j.book.check(facts); err != nil {
		return err
	}
	frame, err := encodeFrame(j.seq+1, facts)
	if err != nil {
		return err
	}
	n, err := j.file.Write(frame)
	if err == nil && n < len(frame) {
		err = errors.New("short write")
	}
	if err == nil {
		err = j.file.Sync()
	}
	if err != nil {
		j.broken = err
		return fmt.Errorf("%w: %w", ErrOutOfUse, err)
	}
	j.seq++
	j.size += int64(len(frame))
	for _, f := range facts {
		j.waste += j.book.wasteOf(f)
		if err := j.book.apply(f); err != nil { // check has passed: cannot happen
			j.broken = err
			return fmt.Errorf("%w: %w", ErrOutOfUse, err)
		}
	}
	return nil
}

// Compact writes the file anew without applied reports when they have grown large. Burns stay for
// ever. An error puts the journal out of use.
func (j *Journal) Compact() error {
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.broken != nil {
		return fmt.Errorf("%w: %w", ErrOutOfUse, j.broken)
	}
	if j.waste < compactBytes {
		return nil
	}
	return j.rewrite()
}

// rewrite puts the book into a fresh file: temp, fsync, rename, fsync of the folder.
func (j *Journal) rewrite() (err error) {
	defer func() {
		if err != nil {
			j.broken = err
			err = fmt.Errorf("%w: %w", ErrOutOfUse, err)
		}
	}()
	f, err := j.dir.Create(tempName)
	if err != nil {
		return err
	}
	old := j.file
	j.file, j.size, j.waste = f, int64(len(magic)), 0
	if old != nil {
		if err := old.Close(); err != nil {
			return err
		}
	}
	if _, err := f.Write([]byte(magic)); err != nil {
		return err
	}
	for _, facts := range j.book.snapshot() {
		frame, err := encodeFrame(j.seq+1, facts)
		if err != nil {
			return err
		}
		if _, err := f.Write(frame); err != nil {
			return err
		}
		j.seq++
		j.size += int64(len(frame))
	}
	if err := f.Sync(); err != nil {
		return err
	}
	if err := j.dir.Rename(tempName, fileName); err != nil {
		return err
	}
	return j.dir.SyncDir()
}

// Problem is the error that put the journal out of use, or nil.
func (j *Journal) Problem() error {
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.broken == nil {
		return nil
	}
	return fmt.Errorf("%w: %w", ErrOutOfUse, j.broken)
}

// RunBurned says whether the run may never move again.
func (j *Journal) RunBurned(run uuid.UUID) bool {
	j.mu.Lock()
	defer j.mu.Unlock()
	_, ok := j.book.burns[run]
	return ok
}

// PermitBurned says whether the permit with this digest has been used.
func (j *Journal) PermitBurned(permit canon.Digest) bool {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.book.permits[permit]
}

// Book is a copy of everything the journal says.
func (j *Journal) Book() Book {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.book.copy()
}

// LastNumber is the greatest report number given.
func (j *Journal) LastNumber() int64 {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.book.LastNumber
}

// AppliedTo is the greatest report number that the server has applied.
func (j *Journal) AppliedTo() int64 {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.book.AppliedTo
}

// Queued lists the reports that the server has not applied yet, in order.
func (j *Journal) Queued() []Queued {
	j.mu.Lock()
	defer j.mu.Unlock()
	return append([]Queued(nil), j.book.Queued...)
}

// Close gives the folder back.
func (j *Journal) Close() error {
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.broken == nil {
		j.broken = errors.New("closed")
	}
	return errors.Join(j.file.Close(), j.unlock())
}
