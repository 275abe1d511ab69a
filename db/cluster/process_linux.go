package cluster

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strconv"
	"strings"
	"syscall"
)

// stopWithParent has the kernel ask the server for a fast stop when this
// process dies, however it dies.
func stopWithParent(attr *syscall.SysProcAttr) { attr.Pdeathsig = syscall.SIGINT }

// serves reports whether pid is a living PostgreSQL process at work in data:
// not a zombie, not another process that got the number since. An error means
// that the process may not be looked at.
func serves(pid int, data string) (bool, error) {
	name, err := os.ReadFile(fmt.Sprintf("/proc/%d/comm", pid))
	if err != nil {
		return false, unlessGone(err)
	}
	if text := strings.TrimSpace(string(name)); text != "postgres" && text != "postmaster" {
		return false, nil
	}
	own, err := os.Stat(data)
	if err != nil {
		return false, err
	}
	// PostgreSQL runs as the owner of its data only. /proc shows root as the
	// owner of a process that may not be looked at (proc(5)).
	entry, err := os.Stat(fmt.Sprintf("/proc/%d", pid))
	if err != nil {
		return false, unlessGone(err)
	}
	if uid := entry.Sys().(*syscall.Stat_t).Uid; uid != 0 && uid != own.Sys().(*syscall.Stat_t).Uid {
		return false, nil
	}
	// A server and its children stand in their data folder; a zombie stands
	// nowhere (its cwd does not exist).
	cwd, err := os.Stat(fmt.Sprintf("/proc/%d/cwd", pid))
	if err != nil {
		return false, unlessGone(err)
	}
	return os.SameFile(cwd, own), nil
}

func unlessGone(err error) error {
	if errors.Is(err, fs.ErrNotExist) || errors.Is(err, syscall.ESRCH) {
		return nil
	}
	return err
}

// orphans lists the PostgreSQL processes at work in data.
func orphans(data string) []int {
	entries, err := os.ReadDir("/proc")
	if err != nil {
		return nil // PostgreSQL itself still refuses if shared memory is in use
	}
	var pids []int
	for _, e := range entries {
		pid, err := strconv.Atoi(e.Name())
		if err != nil {
			continue
		}
		// One that may not be looked at is another user's, and so not of data.
		if ok, err := serves(pid, data); err == nil && ok {
			pids = append(pids, pid)
		}
	}
	return pids
}
