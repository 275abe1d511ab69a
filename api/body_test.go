package api

import (
	"bytes"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"runtime"
	"strings"
	"sync/atomic"
	"testing"
	"testing/iotest"
)

func TestReadBounded(t *testing.T) {
	t.Parallel()
	const limit = 3*mib + 5
	for _, size := range []int{0, 1, mib - 1, mib, mib + 1, limit - 1, limit} {
		want := bytes.Repeat([]byte("seed"), size/4+1)[:size]
		got, err := readBounded(iotest.HalfReader(bytes.NewReader(want)), limit)
		if err != nil || !bytes.Equal(got, want) {
			t.Errorf("%d bytes: %d, %v", size, len(got), err)
		}
	}
	var tooLarge *http.MaxBytesError
	if _, err := readBounded(&endless{left: limit + 1}, limit); !errors.As(err, &tooLarge) || tooLarge.Limit != limit {
		t.Errorf("one byte too many: %v", err)
	}
	cut := io.MultiReader(bytes.NewReader(make([]byte, 100)), iotest.ErrReader(io.ErrUnexpectedEOF))
	if _, err := readBounded(cut, limit); !errors.Is(err, io.ErrUnexpectedEOF) {
		t.Errorf("a body that was cut off: %v", err)
	}
}

// endless gives zeros and counts them.
type endless struct {
	left  int64 // only the reader touches it
	given atomic.Int64
}

func (e *endless) Read(p []byte) (int, error) {
	if e.left == 0 {
		return 0, io.EOF
	}
	n := min(int64(len(p)), e.left)
	for i := range p[:n] {
		p[i] = ' '
	}
	e.left -= n
	e.given.Add(n)
	return int(n), nil
}

// TestS14_UploadLimit: a gigabyte, chunked so that nobody knows its length, is cut off at the limit.
func TestS14_UploadLimit(t *testing.T) {
	s, _ := gateless(t, nil)
	srv := httptest.NewServer(s.Handler())
	defer srv.Close()
	before := totalAlloc()
	body := &endless{left: 1 << 30}
	req, err := http.NewRequestWithContext(t.Context(), http.MethodPost, srv.URL+base+"/drawings?name=big.svg", body)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Content-Type", "image/svg+xml")
	req.Header.Set("Authorization", "Bearer "+string(member))
	resp, err := srv.Client().Do(req)
	// The server may close the connection while the client still sends; both ends are refusals.
	if err == nil {
		defer func() { _ = resp.Body.Close() }()
		if resp.StatusCode != http.StatusRequestEntityTooLarge {
			t.Errorf("status %d", resp.StatusCode)
		}
	}
	if taken := body.given.Load(); taken > 64<<20 {
		t.Errorf("%d bytes were taken", taken)
	}
	if grown := totalAlloc() - before; grown > 96<<20 {
		t.Errorf("%d MiB were allocated", grown>>20)
	}
	// A length that is told is refused before anything is read, and signed-out callers are not read
	// at all.
	for token, want := range map[string]int{string(member): http.StatusRequestEntityTooLarge, "": http.StatusUnauthorized} {
		unread := &endless{left: 1 << 30}
		req := httptest.NewRequestWithContext(t.Context(), http.MethodPost, base+"/drawings", unread)
		req.ContentLength = 1 << 30
		req.Header.Set("Content-Type", "image/svg+xml")
		if token != "" {
			req.Header.Set("Authorization", "Bearer "+token)
		}
		rec := httptest.NewRecorder()
		s.Handler().ServeHTTP(rec, req)
		if rec.Code != want || unread.given.Load() != 0 {
			t.Errorf("token %q: status %d, %d bytes read", token, rec.Code, unread.given.Load())
		}
	}
	rec := ask(t, s.Handler(), http.MethodPost, base+"/plans", string(member), `{"tool":"`+strings.Repeat("x", jsonBody)+`"}`)
	if rec.Code != http.StatusRequestEntityTooLarge {
		t.Errorf("a long plan choice: %d", rec.Code)
	}
}

func totalAlloc() uint64 {
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.TotalAlloc
}
