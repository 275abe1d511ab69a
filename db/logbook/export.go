package logbook

import (
	"bufio"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"hash"
	"io"
	"slices"

	"golang.org/x/mod/sumdb/tlog"
)

// ErrExport is the error of an export file that cannot be read, or of calls that
// would write one that cannot.
var ErrExport = errors.New("malformed logbook export")

// ErrDamaged is the error of an export file whose digest at the end differs from
// that of its bytes, though every record could be read.
var ErrDamaged = fmt.Errorf("%w: digest at the end differs", ErrExport)

const (
	exportLine = "kerfgate logbook export v1"
	maxKeys    = 64
	maxLine    = 1024

	entryRecord = 'E'
	headRecord  = 'H'
	endRecord   = 'Z'
)

// ExportHeader is the beginning of an export file.
type ExportHeader struct {
	Origin string   // the log's present origin
	Keys   []string // verifier keys (of signed notes) of the log key and the permit key, old ones too
}

// ExportWriter writes an export file record by record; see the package comment
// for the format. It is not for concurrent use.
type ExportWriter struct {
	w    io.Writer
	buf  *bufio.Writer
	sum  hash.Hash
	next int64 // index of the next entry
	last int64 // size of the last head
	done bool
}

// NewExportWriter writes the header to w.
func NewExportWriter(w io.Writer, h ExportHeader) (*ExportWriter, error) {
	if _, _, err := ParseOrigin(h.Origin); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrExport, err)
	}
	if len(h.Keys) > maxKeys {
		return nil, fmt.Errorf("%w: %d keys", ErrExport, len(h.Keys))
	}
	for i, key := range h.Keys {
		if _, err := ParseVerifierKey(key); err != nil {
			return nil, fmt.Errorf("%w: %w", ErrExport, err)
		}
		if slices.Contains(h.Keys[:i], key) {
			return nil, fmt.Errorf("%w: key %q twice", ErrExport, key)
		}
	}
	sum := sha256.New()
	buf := bufio.NewWriter(w)
	e := &ExportWriter{buf: buf, w: io.MultiWriter(buf, sum), sum: sum}
	if _, err := fmt.Fprintf(e.w, "%s\norigin %s\n", exportLine, h.Origin); err != nil {
		return nil, err
	}
	for _, key := range h.Keys {
		if _, err := fmt.Fprintf(e.w, "key %s\n", key); err != nil {
			return nil, err
		}
	}
	_, err := io.WriteString(e.w, "\n")
	return e, err
}

// WriteEntry writes the next entry as it is stored: its index, its bytes and the
// leaf hash that was kept when it was appended. The hash must come from the
// stored hashes and not be made anew, since it is what shows which entry was
// altered. Indexes must rise; that none is missing is for Check to find.
func (e *ExportWriter) WriteEntry(index int64, data []byte, leaf tlog.Hash) error {
	if e.done || index < e.next || len(data) > MaxEntry {
		return fmt.Errorf("%w: entry %d of %d bytes after %d entries", ErrExport, index, len(data), e.next)
	}
	record := make([]byte, 0, 1+8+2+len(data)+tlog.HashSize)
	record = append(record, entryRecord)
	record = binary.BigEndian.AppendUint64(record, uint64(index))
	record = binary.BigEndian.AppendUint16(record, uint16(len(data)))
	record = append(record, data...)
	record = append(record, leaf[:]...)
	e.next = index + 1
	_, err := e.w.Write(record)
	return err
}

// WriteHead writes a signed head. Heads stand in order of size, each as soon as
// the entries it counts are written: before the entry whose index is its size.
func (e *ExportWriter) WriteHead(signed []byte) error {
	head, _, err := peekHead(signed)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrExport, err)
	}
	if e.done || head.Size < e.next || head.Size < e.last || len(signed) >= MaxHead {
		return fmt.Errorf("%w: head of size %d after %d entries", ErrExport, head.Size, e.next)
	}
	e.last = head.Size
	record := make([]byte, 0, 1+2+len(signed))
	record = append(record, headRecord)
	record = binary.BigEndian.AppendUint16(record, uint16(len(signed)))
	record = append(record, signed...)
	_, err = e.w.Write(record)
	return err
}

// Close writes the end record. It does not close the underlying writer.
func (e *ExportWriter) Close() error {
	if e.done {
		return nil
	}
	e.done = true
	end := binary.BigEndian.AppendUint64([]byte{endRecord}, uint64(e.next))
	if _, err := e.w.Write(end); err != nil {
		return err
	}
	if _, err := e.buf.Write(e.sum.Sum(nil)); err != nil {
		return err
	}
	return e.buf.Flush()
}

// ExportRecord is one record of an export file: an entry, or a head.
type ExportRecord struct {
	Index int64     // of the entry; the size of what is written so far for a head
	Entry []byte    // nil for a head
	Leaf  tlog.Hash // the entry's leaf hash as it was stored
	Head  []byte    // signed; nil for an entry
}

// exportWindow is how many bytes of a file are read and hashed at once.
const exportWindow = 256 << 10

// ExportReader reads an export file record by record. It holds one window of the file; the bytes of a
// record lie in it and stay as they are for as long as somebody holds them.
type ExportReader struct {
	Header ExportHeader

	r      io.Reader
	window []byte
	at     int // so many bytes of the window were taken
	hashed int // and so many of these are in sum
	sum    hash.Hash
	next   int64
}

// NewExportReader reads the header. Errors wrap ErrExport or are those of r.
func NewExportReader(r io.Reader) (*ExportReader, error) {
	e := &ExportReader{r: r, sum: sha256.New()}
	line, err := e.line()
	if err != nil {
		return nil, err
	}
	if line != exportLine {
		return nil, fmt.Errorf("%w: first line is not %q", ErrExport, exportLine)
	}
	if e.Header.Origin, err = e.field("origin "); err != nil {
		return nil, err
	}
	if _, _, err := ParseOrigin(e.Header.Origin); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrExport, err)
	}
	for {
		line, err := e.line()
		if err != nil {
			return nil, err
		}
		if line == "" {
			return e, nil
		}
		key, ok := cutField(line, "key ")
		if !ok || len(e.Header.Keys) == maxKeys || slices.Contains(e.Header.Keys, key) {
			return nil, fmt.Errorf("%w: header line %.40q", ErrExport, line)
		}
		if _, err := ParseVerifierKey(key); err != nil {
			return nil, fmt.Errorf("%w: %w", ErrExport, err)
		}
		e.Header.Keys = append(e.Header.Keys, key)
	}
}

// Next returns the next record, or io.EOF after a whole and undamaged file.
// Other errors wrap ErrExport or are those of the underlying reader.
func (e *ExportReader) Next() (ExportRecord, error) {
	kind, err := e.take(1)
	if err != nil {
		return ExportRecord{}, err
	}
	switch kind[0] {
	case entryRecord:
		return e.entry()
	case headRecord:
		signed, err := e.sized()
		return ExportRecord{Index: e.next, Head: signed}, err
	case endRecord:
		return ExportRecord{}, e.end()
	}
	return ExportRecord{}, fmt.Errorf("%w: record of type %#02x after entry %d", ErrExport, kind[0], e.next-1)
}

func (e *ExportReader) entry() (ExportRecord, error) {
	b, err := e.take(8)
	if err != nil {
		return ExportRecord{}, err
	}
	index := int64(binary.BigEndian.Uint64(b))
	data, err := e.sized()
	if err != nil {
		return ExportRecord{}, err
	}
	leaf, err := e.take(tlog.HashSize)
	if err != nil {
		return ExportRecord{}, err
	}
	e.next = index + 1
	return ExportRecord{Index: index, Entry: data, Leaf: tlog.Hash(leaf)}, nil
}

func (e *ExportReader) end() error {
	b, err := e.take(8)
	if err != nil {
		return err
	}
	if n := int64(binary.BigEndian.Uint64(b)); n != e.next {
		return fmt.Errorf("%w: end record counts %d entries, file has %d", ErrExport, n, e.next)
	}
	e.digest()
	want := [sha256.Size]byte(e.sum.Sum(nil))
	got, err := e.take(sha256.Size)
	if err != nil {
		return err
	}
	if [sha256.Size]byte(got) != want {
		return ErrDamaged
	}
	if e.at < len(e.window) || e.fill(1) != io.EOF {
		return fmt.Errorf("%w: bytes after the end record", ErrExport)
	}
	return io.EOF
}

// sized reads bytes that follow their big-endian uint16 length.
func (e *ExportReader) sized() ([]byte, error) {
	b, err := e.take(2)
	if err != nil {
		return nil, err
	}
	return e.take(int(binary.BigEndian.Uint16(b)))
}

// take answers the next n bytes.
func (e *ExportReader) take(n int) ([]byte, error) {
	if len(e.window)-e.at < n {
		if err := e.fill(n); err != nil {
			if err == io.EOF || err == io.ErrUnexpectedEOF {
				return nil, fmt.Errorf("%w: ends too early, after entry %d", ErrExport, e.next-1)
			}
			return nil, err
		}
	}
	b := e.window[e.at : e.at+n : e.at+n]
	e.at += n
	return b, nil
}

// fill reads on until the window has n bytes that were not taken. It never writes where a record
// lies that was answered: it fills the window's end, or begins another.
func (e *ExportReader) fill(n int) error {
	if cap(e.window)-e.at < n || len(e.window) == cap(e.window) {
		e.digest()
		fresh := make([]byte, 0, max(exportWindow, n))
		e.window = append(fresh, e.window[e.at:]...)
		e.at, e.hashed = 0, 0
	}
	end := len(e.window)
	got, err := io.ReadAtLeast(e.r, e.window[end:cap(e.window)], n-(end-e.at))
	e.window = e.window[:end+got]
	return err
}

// digest takes what was taken into the file's digest.
func (e *ExportReader) digest() {
	e.sum.Write(e.window[e.hashed:e.at])
	e.hashed = e.at
}

func (e *ExportReader) line() (string, error) {
	var line []byte
	for len(line) <= maxLine {
		b, err := e.take(1)
		if err != nil {
			return "", err
		}
		if b[0] == '\n' {
			return string(line), nil
		}
		line = append(line, b[0])
	}
	return "", fmt.Errorf("%w: header line over %d bytes", ErrExport, maxLine)
}

func (e *ExportReader) field(name string) (string, error) {
	line, err := e.line()
	if err != nil {
		return "", err
	}
	value, ok := cutField(line, name)
	if !ok {
		return "", fmt.Errorf("%w: header line %.40q in place of %q", ErrExport, line, name)
	}
	return value, nil
}

func cutField(line, name string) (string, bool) {
	if len(line) < len(name) || line[:len(name)] != name {
		return "", false
	}
	return line[len(name):], true
}
