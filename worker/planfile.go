package worker

import (
	"crypto/sha256"
	"errors"
	"io"
	"sync"

	"kerfgate/plan"
	"kerfgate/plan/canon"
)

// blockBytes is how much of a plan's file is held at a time.
const blockBytes = 64 << 10

var errChanged = errors.New("its bytes have changed on the disk")

// blocks is a file that was hashed once, read a block at a time; one that has changed since is an error.
type blocks struct {
	from io.ReaderAt
	size int64
	sums [][sha256.Size]byte

	mu   sync.Mutex
	held int // number of the block in data, −1 for none
	data []byte
}

// hashed reads a file to its end and gives it with its digest.
func hashed(from io.ReaderAt, size int64) (*blocks, canon.Digest, error) {
	b := &blocks{from: from, size: size, held: -1, data: make([]byte, 0, min(size, blockBytes))}
	whole := sha256.New()
	for at := int64(0); at < size; at += blockBytes {
		if err := b.load(at); err != nil {
			return nil, canon.Digest{}, err
		}
		whole.Write(b.data)
		b.sums = append(b.sums, sha256.Sum256(b.data))
	}
	return b, canon.Digest(whole.Sum(nil)), nil
}

func (b *blocks) load(at int64) error {
	b.held = -1
	b.data = b.data[:min(blockBytes, b.size-at)]
	n, err := b.from.ReadAt(b.data, at)
	if n == len(b.data) {
		return nil
	}
	if err == nil || errors.Is(err, io.EOF) {
		err = errChanged
	}
	return err
}

// ReadAt reads what was hashed. Errors: errChanged, and those of reading.
func (b *blocks) ReadAt(p []byte, at int64) (n int, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for n < len(p) {
		if at < 0 || at >= b.size {
			return n, io.EOF
		}
		block := int(at / blockBytes)
		if block != b.held {
			if err := b.load(int64(block) * blockBytes); err != nil {
				return n, err
			}
			if sha256.Sum256(b.data) != b.sums[block] {
				return n, errChanged
			}
			b.held = block
		}
		got := copy(p[n:], b.data[at%blockBytes:])
		n, at = n+got, at+int64(got)
	}
	return n, nil
}

// Stored is a file that is read in parts.
type Stored interface {
	io.ReaderAt
	io.Closer
	Size() int64
}

// openPlan hashes the file of a plan again and opens it; its strokes are read from the disk as they are
// needed, and hashed again then. The file is closed by close, or with the plan when nobody has it any more.
func (w *Worker) openPlan(digest canon.Digest) (p *plan.Plan, close func() error, err error) {
	f, err := w.cfg.Folder.Open(planName(digest))
	if err != nil {
		return nil, nil, err
	}
	b, sum, err := hashed(f, f.Size())
	if err == nil && sum != digest {
		err = errChanged
	}
	if err == nil {
		p, err = plan.Open(b, b.size)
	}
	if err != nil {
		return nil, nil, errors.Join(err, f.Close())
	}
	return p, f.Close, nil
}
