package api

import (
	"errors"
	"io"
	"net/http"
	"time"
)

// sendFile streams a file for saving. What fails before the first byte is an error as any other; what
// fails after it cuts the connection, so that half a file is never taken for the whole.
func sendFile(w http.ResponseWriter, kind, name string, write func(out io.Writer) error) error {
	if err := http.NewResponseController(w).SetWriteDeadline(time.Time{}); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return err
	}
	out := &lateHeader{w: w, begin: func() {
		w.Header().Set("Content-Type", kind)
		w.Header().Set("Content-Disposition", attachment(name))
		w.WriteHeader(http.StatusOK)
	}}
	err := write(out)
	switch {
	case err != nil && out.begun:
		panic(http.ErrAbortHandler)
	case err == nil && !out.begun:
		out.begin() // a file with nothing in it
	}
	return err
}

// lateHeader begins the answer with its first byte.
type lateHeader struct {
	w     io.Writer
	begin func()
	begun bool
}

func (l *lateHeader) Write(p []byte) (int, error) {
	if !l.begun {
		l.begun = true
		l.begin()
	}
	return l.w.Write(p)
}
