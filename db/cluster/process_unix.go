//go:build unix && !linux

package cluster

import (
	"errors"
	"os/exec"
	"strconv"
	"strings"
	"syscall"
)

// stopWithParent does nothing: only Linux has such a signal. A server that was
// left behind is stopped at the next start.
func stopWithParent(*syscall.SysProcAttr) {}

// serves reports whether pid is a living PostgreSQL server that was started on
// data: not a zombie, not another process that got the number since.
func serves(pid int, data string) (bool, error) {
	out, err := exec.Command("ps", "-o", "stat=", "-o", "args=", "-p", strconv.Itoa(pid)).Output()
	var exit *exec.ExitError
	if errors.As(err, &exit) {
		return false, nil // ps(1) fails if there is no such process
	}
	if err != nil {
		return false, err
	}
	state, args, _ := strings.Cut(strings.TrimSpace(string(out)), " ")
	return !strings.HasPrefix(state, "Z") && strings.Contains(args, "-D "+data+" "), nil
}

// orphans is empty: children do not show their data folder here. PostgreSQL
// refuses to start while they hold its shared memory.
func orphans(string) []int { return nil }
