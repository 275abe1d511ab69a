package workerd_test

import (
	"os"
	"testing"

	"golang.org/x/sys/unix"
)

// lock holds a port as another worker's driver does.
func lock(t *testing.T, port *os.File) {
	t.Helper()
	if err := unix.Flock(int(port.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		t.Fatal(err)
	}
}
