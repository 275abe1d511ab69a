package journal

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"

	"kerfgate/plan/canon"
)

// magic opens the file and names its form.
const magic = "kerfgate journal v1\n"

// A frame is mark (4), length of the body (4, big-endian), CRC-32C of length and body (4), body.
const (
	frameMark   = "\xf5KGf"
	frameHeader = len(frameMark) + 8
	// maxFrame bounds a body: a picture of 700 kB and its envelope fit.
	maxFrame = 2 << 20
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// group is the body of a frame: facts that became durable together.
type group struct {
	Seq   uint64 `cbor:"seq"`
	Facts []Fact `cbor:"facts"`
}

var errFrameSize = errors.New("too many facts for one frame")

func encodeFrame(seq uint64, facts []Fact) ([]byte, error) {
	body, err := canon.Marshal(group{Seq: seq, Facts: facts})
	if err != nil {
		return nil, fmt.Errorf("encoding a journal frame: %w", err)
	}
	if len(body) > maxFrame {
		return nil, fmt.Errorf("%w: %d bytes, at most %d", errFrameSize, len(body), maxFrame)
	}
	frame := make([]byte, 0, frameHeader+len(body))
	frame = append(frame, frameMark...)
	frame = binary.BigEndian.AppendUint32(frame, uint32(len(body)))
	frame = binary.BigEndian.AppendUint32(frame, checksum(frame[len(frameMark):], body))
	return append(frame, body...), nil
}

func checksum(length, body []byte) uint32 {
	return crc32.Update(crc32.Checksum(length, castagnoli), castagnoli, body)
}

// decodeFrame reads the frame at the start of data and gives its whole length, 0 when there is no
// whole and sound frame.
func decodeFrame(data []byte) (group, int) {
	if len(data) < frameHeader || string(data[:len(frameMark)]) != frameMark {
		return group{}, 0
	}
	length := binary.BigEndian.Uint32(data[4:8])
	if length > maxFrame || int(length) > len(data)-frameHeader {
		return group{}, 0
	}
	end := frameHeader + int(length)
	if checksum(data[4:8], data[frameHeader:end]) != binary.BigEndian.Uint32(data[8:12]) {
		return group{}, 0
	}
	var g group
	if err := canon.Unmarshal(data[frameHeader:end], &g); err != nil {
		return group{}, 0
	}
	return g, end
}

type scanned struct {
	facts []Fact
	seq   uint64
	torn  int // bytes of a tail that is no frame
}

// scan reads a whole file. The file came into being by a rename after an fsync, so a bad opening is
// damage, and so is a gap in the sequence or a sound frame behind bad bytes.
func scan(data []byte) (scanned, error) {
	if len(data) < len(magic) || string(data[:len(magic)]) != magic {
		return scanned{}, fmt.Errorf("%w: it does not begin as a journal", ErrDamaged)
	}
	var out scanned
	at := len(magic)
	for at < len(data) {
		g, n := decodeFrame(data[at:])
		if n == 0 {
			break
		}
		if out.seq != 0 && g.Seq != out.seq+1 {
			return scanned{}, fmt.Errorf("%w: frame %d follows frame %d", ErrDamaged, g.Seq, out.seq)
		}
		out.seq = g.Seq
		out.facts = append(out.facts, g.Facts...)
		at += n
	}
	rest := data[at:]
	if len(rest) > frameHeader+maxFrame {
		return scanned{}, fmt.Errorf("%w: %d unreadable bytes from byte %d", ErrDamaged, len(rest), at)
	}
	for from := 0; from < len(rest); {
		i := bytes.Index(rest[from:], []byte(frameMark))
		if i < 0 {
			break
		}
		if g, n := decodeFrame(rest[from+i:]); n > 0 {
			return scanned{}, fmt.Errorf("%w: unreadable bytes from byte %d, before frame %d", ErrDamaged, at, g.Seq)
		}
		from += i + 1
	}
	out.torn = len(rest)
	return out, nil
}
