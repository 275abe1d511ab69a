package cluster

import (
	"bufio"
	"context"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"time"
)

const logInterval = 30 * time.Second

// process is a started child that is being waited for.
type process struct {
	cmd  *exec.Cmd
	done chan struct{}
	err  error // how it ended; read after done
}

// launch starts cmd with both outputs to log.
func launch(cmd *exec.Cmd, log *os.File) (*process, error) {
	cmd.Stdout, cmd.Stderr = log, log
	p := &process{cmd: cmd, done: make(chan struct{})}
	started := make(chan error)
	go func() {
		// The kernel's "parent died" means the thread that started the child
		// (prctl(2), PR_SET_PDEATHSIG), so that thread stays until it ends.
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		err := cmd.Start()
		started <- err
		if err == nil {
			p.err = cmd.Wait()
			close(p.done)
		}
	}()
	if err := <-started; err != nil {
		return nil, err
	}
	return p, nil
}

func (p *process) exit() error {
	<-p.done
	return p.err
}

func (p *process) pid() int { return p.cmd.Process.Pid }

func (p *process) signalGroup(sig syscall.Signal) {
	syscall.Kill(-p.pid(), sig)
}

// wait returns nil once the server says in its pid file that it is ready. It
// has no limit but ctx: recovery takes as long as it takes.
func (p *process) wait(ctx context.Context, data string) error {
	poll := time.NewTicker(5 * time.Millisecond)
	defer poll.Stop()
	for {
		if pid, status := readPIDFile(data); pid == p.pid() && status == "ready" {
			return nil
		}
		select {
		case <-ctx.Done():
			return context.Cause(ctx)
		case <-p.done:
			if p.err == nil {
				return errors.New("it stopped at once")
			}
			return p.err
		case <-poll.C:
		}
	}
}

// stop ends the server: in order, then without a checkpoint, then by force.
// Only the first is no error.
func (p *process) stop() error {
	for _, step := range []struct {
		send  func()
		limit time.Duration
	}{
		{func() { p.cmd.Process.Signal(syscall.SIGINT) }, fastStop},
		{func() { p.cmd.Process.Signal(syscall.SIGQUIT) }, immediateStop},
	} {
		step.send()
		select {
		case <-p.done:
			return p.err
		case <-time.After(step.limit):
		}
	}
	p.signalGroup(syscall.SIGKILL)
	return p.exit()
}

// readPIDFile returns process and status from postmaster.pid (lines 1 and 8;
// PostgreSQL's documentation, "Database File Layout", and its pidfile.h). A
// missing or damaged file gives 0.
func readPIDFile(data string) (pid int, status string) {
	f, err := os.Open(filepath.Join(data, "postmaster.pid"))
	if err != nil {
		return 0, ""
	}
	defer f.Close()
	lines := bufio.NewScanner(f)
	for n := 1; n <= 8 && lines.Scan(); n++ {
		text := strings.TrimSpace(lines.Text())
		switch n {
		case 1:
			if pid, err = strconv.Atoi(text); err != nil {
				return 0, ""
			}
		case 8:
			status = text
		}
	}
	return pid, status
}
