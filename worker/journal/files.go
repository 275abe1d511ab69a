package journal

import (
	"errors"
	"fmt"
	"io"
	"os"

	"golang.org/x/sys/unix"
)

// Files is what a journal needs of its folder.
type Files interface {
	// Lock takes the folder for this process alone, or returns ErrInUse.
	Lock() (unlock func() error, err error)
	// Read gives a whole file; fs.ErrNotExist when there is none.
	Read(name string) ([]byte, error)
	// Create opens an empty file for appending, replacing what was there.
	Create(name string) (File, error)
	// Rename replaces to by from; it is durable only after SyncDir.
	Rename(from, to string) error
	SyncDir() error
}

// File is a file that is only appended to.
type File interface {
	io.Writer
	// Sync returns when everything written is on the disk.
	Sync() error
	Close() error
}

// Dir is a folder on disk; it stays inside it whatever names say.
type Dir struct{ root *os.Root }

// OpenDir opens the folder at path, made with mode 0700 if it is missing.
func OpenDir(path string) (*Dir, error) {
	if err := os.MkdirAll(path, 0o700); err != nil {
		return nil, fmt.Errorf("the worker's folder: %w", err)
	}
	root, err := os.OpenRoot(path)
	if err != nil {
		return nil, fmt.Errorf("the worker's folder: %w", err)
	}
	return &Dir{root: root}, nil
}

// Close gives the folder's handle back.
func (d *Dir) Close() error { return d.root.Close() }

// Lock takes a flock on a file of its own, because the journal's file is replaced now and then.
func (d *Dir) Lock() (func() error, error) {
	f, err := d.root.OpenFile("lock", os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("the journal's lock: %w", err)
	}
	err = unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
	if errors.Is(err, unix.EWOULDBLOCK) {
		return nil, errors.Join(ErrInUse, f.Close())
	}
	if err != nil {
		return nil, errors.Join(fmt.Errorf("the journal's lock: %w", err), f.Close())
	}
	return f.Close, nil // closing gives the lock back
}

// Read gives a whole file.
func (d *Dir) Read(name string) ([]byte, error) { return d.root.ReadFile(name) }

// Create opens an empty file with mode 0600 for appending.
func (d *Dir) Create(name string) (File, error) {
	return d.root.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_TRUNC|os.O_APPEND, 0o600)
}

// Rename replaces to by from.
func (d *Dir) Rename(from, to string) error { return d.root.Rename(from, to) }

// SyncDir makes renames durable.
func (d *Dir) SyncDir() error {
	f, err := d.root.Open(".")
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}
