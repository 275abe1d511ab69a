package worker

import (
	"errors"
	"fmt"
	"os"

	"kerfgate/worker/journal"
)

// Folder is a worker's folder on disk.
type Folder struct {
	*journal.Dir
	root *os.Root
}

// OpenFolder opens the folder at path, made with mode 0700 if it is missing.
func OpenFolder(path string) (*Folder, error) {
	dir, err := journal.OpenDir(path)
	if err != nil {
		return nil, err
	}
	root, err := os.OpenRoot(path)
	if err != nil {
		return nil, errors.Join(fmt.Errorf("the worker's folder: %w", err), dir.Close())
	}
	return &Folder{Dir: dir, root: root}, nil
}

// Close gives the folder's handles back.
func (f *Folder) Close() error { return errors.Join(f.root.Close(), f.Dir.Close()) }

// Write replaces a whole file: temp, fsync, rename, fsync of the folder.
func (f *Folder) Write(name string, data []byte) error {
	temp := name + ".new"
	file, err := f.root.OpenFile(temp, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	_, err = file.Write(data)
	if err == nil {
		err = file.Sync()
	}
	if err := errors.Join(err, file.Close()); err != nil {
		return err
	}
	if err := f.root.Rename(temp, name); err != nil {
		return err
	}
	return f.SyncDir()
}

// Append adds to a file; what a crash leaves of it is hashed before it is used.
func (f *Folder) Append(name string, data []byte) error {
	file, err := f.root.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o600)
	if err != nil {
		return err
	}
	_, err = file.Write(data)
	return errors.Join(err, file.Close())
}

// Open opens a file for reading in parts; fs.ErrNotExist when there is none.
func (f *Folder) Open(name string) (Stored, error) {
	file, err := f.root.Open(name)
	if err != nil {
		return nil, err
	}
	info, err := file.Stat()
	if err != nil {
		return nil, errors.Join(err, file.Close())
	}
	return stored{file, info.Size()}, nil
}

// stored is a file of a known size.
type stored struct {
	*os.File
	size int64
}

// Size is what the file held when it was opened.
func (s stored) Size() int64 { return s.size }

// Keep syncs a file and gives it another name, durably.
func (f *Folder) Keep(from, to string) error {
	file, err := f.root.OpenFile(from, os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	if err := errors.Join(file.Sync(), file.Close()); err != nil {
		return err
	}
	if err := f.root.Rename(from, to); err != nil {
		return err
	}
	return f.SyncDir()
}

// Remove takes a file away; one that is not there is no error.
func (f *Folder) Remove(name string) error {
	err := f.root.Remove(name)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	return err
}

// List gives the names of all files.
func (f *Folder) List() ([]string, error) {
	dir, err := f.root.Open(".")
	if err != nil {
		return nil, err
	}
	names, err := dir.Readdirnames(-1)
	return names, errors.Join(err, dir.Close())
}
