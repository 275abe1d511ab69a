package cluster

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"syscall"
	"time"
)

// endLeftover leaves the folder data without any server: it stops one that
// still runs, waits for the children of one that was killed (they hold its
// shared memory), and removes a pid file whose number now belongs to another
// process, before which PostgreSQL would refuse to start. The caller holds the
// lock of the folder, so a server that is there has no supervisor.
func endLeftover(ctx context.Context, data string, log *slog.Logger) error {
	pidFile := filepath.Join(data, "postmaster.pid")
	if _, err := os.Lstat(pidFile); errors.Is(err, fs.ErrNotExist) {
		return endOrphans(ctx, data, log)
	}
	pid, _ := readPIDFile(data)
	single := pid < 0 // PostgreSQL's mark of a single-user session
	if single {
		pid = -pid
	}
	if pid > 0 {
		// On Linux the handle stays with this very process, whatever becomes
		// of its number between the look and the signal.
		process, err := os.FindProcess(pid)
		if err != nil {
			return err
		}
		defer process.Release()
		running, err := serves(pid, data)
		switch {
		case err != nil:
			return fmt.Errorf("process %d, named in %s: %w", pid, pidFile, err)
		case running && single:
			return fmt.Errorf("%w: %s (single-user session, process %d)", ErrInUse, data, pid)
		case running:
			log.Warn("stopping a database server that was left behind", "pid", pid)
			if err := endServer(ctx, process, data); err != nil {
				return err
			}
		}
	}
	if err := endOrphans(ctx, data, log); err != nil {
		return err
	}
	// A number that nobody has is left to PostgreSQL, which looks once more
	// for shared memory in use. It asks the same question, and so takes a
	// zombie for a server.
	if pid > 0 && errors.Is(syscall.Kill(pid, 0), syscall.ESRCH) {
		return nil
	}
	if err := os.Remove(pidFile); !errors.Is(err, fs.ErrNotExist) {
		log.Warn("removed a stale pid file", "file", pidFile, "pid", pid)
		return err
	}
	return nil
}

func endServer(ctx context.Context, process *os.Process, data string) error {
	gone := func() bool {
		running, err := serves(process.Pid, data)
		return err == nil && !running
	}
	for _, step := range []struct {
		signal syscall.Signal
		limit  time.Duration
	}{{syscall.SIGINT, fastStop}, {syscall.SIGQUIT, immediateStop}} {
		if err := process.Signal(step.signal); err != nil && !errors.Is(err, os.ErrProcessDone) {
			return fmt.Errorf("stop the database server that was left behind, process %d: %w", process.Pid, err)
		}
		ok, err := within(ctx, step.limit, gone)
		if ok || err != nil {
			return err
		}
	}
	return fmt.Errorf("the database server that was left behind, process %d, does not stop", process.Pid)
}

// endOrphans waits for children whose server is gone. They leave by themselves
// unless they are busy; those are then told to.
func endOrphans(ctx context.Context, data string, log *slog.Logger) error {
	none := func() bool { return len(orphans(data)) == 0 }
	ok, err := within(ctx, 2*time.Second, none)
	if ok || err != nil {
		return err
	}
	for _, pid := range orphans(data) {
		log.Warn("ending a database process that was left behind", "pid", pid)
		if err := syscall.Kill(pid, syscall.SIGQUIT); err != nil && !errors.Is(err, syscall.ESRCH) {
			return fmt.Errorf("end database process %d: %w", pid, err)
		}
	}
	ok, err = within(ctx, immediateStop, none)
	if err == nil && !ok {
		err = fmt.Errorf("database processes %v were left behind and do not stop", orphans(data))
	}
	return err
}

// within polls until holds, for at most limit: these are not our children, so
// there is nothing to wait on.
func within(ctx context.Context, limit time.Duration, holds func() bool) (bool, error) {
	ctx, cancel := context.WithTimeoutCause(ctx, limit, errLimit)
	defer cancel()
	poll := time.NewTicker(10 * time.Millisecond)
	defer poll.Stop()
	for !holds() {
		select {
		case <-poll.C:
		case <-ctx.Done():
			if err := context.Cause(ctx); !errors.Is(err, errLimit) {
				return false, err
			}
			return false, nil
		}
	}
	return true, nil
}

var errLimit = errors.New("time is up")
