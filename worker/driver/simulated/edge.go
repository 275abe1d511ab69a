package simulated

import (
	"bytes"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
)

// runsSuffix names the file beside the edge file that says which run each edge belonged to.
const runsSuffix = ".runs"

// edgeRecord is the length of one record there: 32 hex digits and a line end.
const edgeRecord = 33

// writeEdge records durably that energy is about to be commanded for a run: one record of the run's
// id, then one byte in the edge file, both written through to the disk before it returns.
func writeEdge(file string, run [16]byte) error {
	record := append(hex.AppendEncode(make([]byte, 0, edgeRecord), run[:]), '\n')
	if err := appendSync(file+runsSuffix, record); err != nil {
		return err
	}
	return appendSync(file, []byte{1})
}

func appendSync(file string, data []byte) error {
	f, err := os.OpenFile(file, os.O_APPEND|os.O_CREATE|os.O_WRONLY|os.O_SYNC, 0o600)
	if err != nil {
		return fmt.Errorf("edge counter: %w", err)
	}
	_, err = f.Write(data)
	if err = errors.Join(err, f.Close()); err != nil {
		return fmt.Errorf("edge counter: %w", err)
	}
	return nil
}

// Edges is how many times energy was first commanded after an Arm for the run, over all processes
// that ever used the edge file. More than 1 means that a run moved twice (I2).
func Edges(file string, run [16]byte) (int, error) {
	data, err := readIfThere(file + runsSuffix)
	if err != nil {
		return 0, err
	}
	want := append(hex.AppendEncode(nil, run[:]), '\n')
	n := 0
	for ; len(data) >= edgeRecord; data = data[edgeRecord:] {
		if bytes.Equal(data[:edgeRecord], want) {
			n++
		}
	}
	return n, nil
}

// AllEdges is how many edges the edge file holds over all runs.
func AllEdges(file string) (int, error) {
	data, err := readIfThere(file)
	return len(data), err
}

func readIfThere(file string) ([]byte, error) {
	data, err := os.ReadFile(file)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("edge counter: %w", err)
	}
	return data, nil
}
