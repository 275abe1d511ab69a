package api

import (
	"errors"
	"io"
	"net/http"
	"slices"
)

// readBounded reads all of r, at most limit bytes; beyond that the error is an http.MaxBytesError.
// It reads in pieces and joins them once, so that a body that turns out too long has cost no more
// than the limit.
func readBounded(r io.Reader, limit int64) ([]byte, error) {
	var pieces [][]byte
	var total int64
	for {
		piece := make([]byte, min(mib, limit+1-total))
		n, err := fill(r, piece)
		pieces = append(pieces, piece[:n])
		total += int64(n)
		switch {
		case total > limit:
			return nil, &http.MaxBytesError{Limit: limit}
		case errors.Is(err, io.EOF):
			if len(pieces) == 1 {
				return pieces[0], nil
			}
			return slices.Concat(pieces...), nil
		case err != nil:
			return nil, err
		}
	}
}

// fill reads until p is full or r ends. Other than io.ReadFull it leaves r's own error as it is: a
// body that was cut off ends in io.ErrUnexpectedEOF, and half a drawing must not pass for a whole.
func fill(r io.Reader, p []byte) (n int, err error) {
	for n < len(p) && err == nil {
		var m int
		m, err = r.Read(p[n:])
		n += m
	}
	return n, err
}
