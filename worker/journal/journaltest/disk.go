// Package journaltest is a disk in memory that fails, tears and loses power as a test asks.
package journaltest

import (
	"errors"
	"io/fs"
	"maps"
	"math/rand/v2"
	"slices"
	"sync"

	"kerfgate/worker/journal"
)

// Errors that a Disk injects.
var (
	// ErrFault stands for EIO and ENOSPC.
	ErrFault = errors.New("injected fault")
	// ErrPower is returned by every call after the power cut.
	ErrPower = errors.New("power is off")
)

// inode keeps what a write-back would do: data that an fsync confirmed, and writes since.
type inode struct {
	durable []byte
	pending [][]byte
}

func (n *inode) all() []byte { return slices.Concat(append([][]byte{n.durable}, n.pending...)...) }

// Disk implements journal.Files. The zero value is not usable; see New.
type Disk struct {
	mu     sync.Mutex
	live   map[string]*inode // the folder as a process sees it
	stable map[string]*inode // the folder as the last SyncDir left it
	locked bool
	off    bool
	calls  int
	fail   func(call int, what string) error
	after  func(call int, what string)
}

// New is an empty disk.
func New() *Disk { return &Disk{live: map[string]*inode{}, stable: map[string]*inode{}} }

// FailWhen makes call number n (from 1) return what f returns; nil lets it pass. A write that
// fails leaves half of its bytes behind, as a full disk does.
func (d *Disk) FailWhen(f func(call int, what string) error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.fail = f
}

// After calls f when a call is done, outside the disk's lock.
func (d *Disk) After(f func(call int, what string)) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.after = f
}

// Calls is how many calls that can fail there were.
func (d *Disk) Calls() int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.calls
}

func (d *Disk) call(what string) error {
	if d.off {
		return ErrPower
	}
	d.calls++
	if d.fail != nil {
		return d.fail(d.calls, what)
	}
	return nil
}

func (d *Disk) done(what string) {
	d.mu.Lock()
	f, n := d.after, d.calls
	d.mu.Unlock()
	if f != nil {
		f(n, what)
	}
}

// PowerCut ends this disk and gives the one that the next process finds: of each file what was
// synced, and of the writes since then any subset, each with any of its prefixes; renames that no
// SyncDir confirmed may have happened or not.
func (d *Disk) PowerCut(seed uint64) *Disk {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.off = true
	r := rand.New(rand.NewPCG(seed, 1))
	next := New()
	names := d.stable
	if r.IntN(2) == 0 {
		names = d.live
	}
	for _, name := range slices.Sorted(maps.Keys(names)) {
		n := names[name]
		data := slices.Clone(n.durable)
		for _, w := range n.pending {
			switch r.IntN(4) {
			case 0:
			case 1:
				data = append(data, w...)
			case 2:
				data = append(data, w[:r.IntN(len(w)+1)]...)
			case 3: // the length reached the disk, the bytes did not
				kept := r.IntN(len(w) + 1)
				data = append(append(data, w[:kept]...), make([]byte, len(w)-kept)...)
			}
		}
		node := &inode{durable: data}
		next.live[name], next.stable[name] = node, node
	}
	return next
}

// Kill ends this disk as kill -9 does: the next process sees every write, synced or not.
func (d *Disk) Kill() *Disk {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.off = true
	next := New()
	for name, n := range d.live {
		next.live[name] = &inode{durable: slices.Clone(n.durable), pending: slices.Clone(n.pending)}
	}
	for name, n := range d.stable {
		next.stable[name] = &inode{durable: slices.Clone(n.durable), pending: slices.Clone(n.pending)}
		for other, m := range d.live {
			if m == n {
				next.stable[name] = next.live[other]
			}
		}
	}
	return next
}

// Put replaces a file, durable at once; Bytes reads one as a process sees it.
func (d *Disk) Put(name string, data []byte) {
	d.mu.Lock()
	defer d.mu.Unlock()
	n := &inode{durable: slices.Clone(data)}
	d.live[name], d.stable[name] = n, n
}

// Bytes is a file as a process sees it, nil when there is none.
func (d *Disk) Bytes(name string) []byte {
	d.mu.Lock()
	defer d.mu.Unlock()
	if n := d.live[name]; n != nil {
		return n.all()
	}
	return nil
}

// Durable is what of a file surely survives a power cut.
func (d *Disk) Durable(name string) []byte {
	d.mu.Lock()
	defer d.mu.Unlock()
	if n := d.stable[name]; n != nil {
		return slices.Clone(n.durable)
	}
	return nil
}

// Lock implements journal.Files.
func (d *Disk) Lock() (func() error, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.locked {
		return nil, journal.ErrInUse
	}
	d.locked = true
	return func() error {
		d.mu.Lock()
		defer d.mu.Unlock()
		d.locked = false
		return nil
	}, nil
}

// Read implements journal.Files.
func (d *Disk) Read(name string) ([]byte, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.off {
		return nil, ErrPower
	}
	n := d.live[name]
	if n == nil {
		return nil, fs.ErrNotExist
	}
	return n.all(), nil
}

// Create implements journal.Files.
func (d *Disk) Create(name string) (journal.File, error) {
	defer d.done("create")
	d.mu.Lock()
	defer d.mu.Unlock()
	if err := d.call("create"); err != nil {
		return nil, err
	}
	n := &inode{}
	d.live[name] = n
	return &file{disk: d, node: n}, nil
}

// Rename implements journal.Files.
func (d *Disk) Rename(from, to string) error {
	defer d.done("rename")
	d.mu.Lock()
	defer d.mu.Unlock()
	if err := d.call("rename"); err != nil {
		return err
	}
	n := d.live[from]
	if n == nil {
		return fs.ErrNotExist
	}
	delete(d.live, from)
	d.live[to] = n
	return nil
}

// SyncDir implements journal.Files.
func (d *Disk) SyncDir() error {
	defer d.done("sync folder")
	d.mu.Lock()
	defer d.mu.Unlock()
	if err := d.call("sync folder"); err != nil {
		return err
	}
	d.stable = maps.Clone(d.live)
	return nil
}

type file struct {
	disk *Disk
	node *inode
}

func (f *file) Write(p []byte) (int, error) {
	defer f.disk.done("write")
	f.disk.mu.Lock()
	defer f.disk.mu.Unlock()
	if err := f.disk.call("write"); err != nil {
		if !f.disk.off {
			f.node.pending = append(f.node.pending, slices.Clone(p[:len(p)/2]))
		}
		return len(p) / 2, err
	}
	f.node.pending = append(f.node.pending, slices.Clone(p))
	return len(p), nil
}

func (f *file) Sync() error {
	defer f.disk.done("sync")
	f.disk.mu.Lock()
	defer f.disk.mu.Unlock()
	if err := f.disk.call("sync"); err != nil {
		// After a failed write-back the pages count as clean: a second sync would succeed and the
		// data may be lost. They stay pending, so a power cut may drop them.
		return err
	}
	f.node.durable, f.node.pending = f.node.all(), nil
	return nil
}

func (f *file) Close() error { return nil }
