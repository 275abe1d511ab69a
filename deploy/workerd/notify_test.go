package workerd

import (
	"net"
	"path/filepath"
	"testing"
	"time"
)

// TestService: the words of sd_notify(3), signs of life four times within the wait and no more, and nothing
// where nobody asked or listens.
func TestService(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "notify")
	l, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	heard := func() string {
		t.Helper()
		b := make([]byte, 64)
		if err := l.SetReadDeadline(time.Now().Add(50 * time.Millisecond)); err != nil {
			t.Fatal(err)
		}
		n, err := l.Read(b)
		if err != nil {
			return ""
		}
		return string(b[:n])
	}
	s := &Service{Socket: path, Watchdog: time.Hour}
	s.tell("READY=1")
	if got := heard(); got != "READY=1" {
		t.Errorf("heard %q", got)
	}
	s.alive()
	s.alive()
	if got := heard(); got != "WATCHDOG=1" {
		t.Errorf("heard %q", got)
	}
	if got := heard(); got != "" {
		t.Errorf("again at once: %q", got)
	}
	(&Service{}).alive()
	(*Service)(nil).tell("READY=1")
	(&Service{Socket: path + "-nobody"}).tell("READY=1")
}
