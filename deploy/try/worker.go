package try

import (
	"context"
	"fmt"
	"log/slog"
	"os/exec"
	"runtime"
	"strings"
	"syscall"
	"time"

	"github.com/google/uuid"

	"kerfgate/db"
	"kerfgate/deploy/demo"
)

// workerProcess is one machine's worker as a process of its own; it is started again when it dies.
type workerProcess struct {
	store   *db.Store
	machine uuid.UUID
	bay     string
	program string
	args    []string
	log     *slog.Logger
}

// workers describes the processes of all machines' workers.
func (h house) workers(ctx context.Context, store *db.Store) ([]workerProcess, error) {
	machines, err := store.Machines(ctx)
	if err != nil {
		return nil, err
	}
	var list []workerProcess
	for _, m := range machines {
		list = append(list, workerProcess{store: store, machine: m.ID, bay: m.Bay, program: h.cfg.Program, log: h.cfg.Log.With("bay", m.Bay),
			args: []string{"worker", "--dir", demo.WorkerFolder(h.cfg.Dir, m.Bay), "--machine", m.ID.String(), "--broker", h.nats.URL(),
				"--listen", "127.0.0.1:0", "--origin", "http://" + h.listener.Addr().String()}})
	}
	return list, nil
}

const (
	workerStop    = 5 * time.Second // from SIGTERM to SIGKILL
	restartFirst  = 300 * time.Millisecond
	restartLonger = 5 * time.Second
)

// run keeps the process going until ctx ends.
func (w workerProcess) run(ctx context.Context) error {
	// The kernel's "parent died" means the thread that started the child (prctl(2),
	// PR_SET_PDEATHSIG), so that thread stays as long as the child does.
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	wait := restartFirst
	for {
		began := time.Now()
		err := w.once(ctx)
		if ctx.Err() != nil {
			return nil
		}
		if time.Since(began) > time.Minute {
			wait = restartFirst
		}
		w.log.Warn("worker ended and is started again", "error", err, "in", wait)
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(wait):
		}
		wait = min(2*wait, restartLonger)
	}
}

// once runs one process. Its log goes to ours; it tells the server itself where its listener is.
func (w workerProcess) once(ctx context.Context) error {
	cmd := exec.CommandContext(ctx, w.program, w.args...)
	cmd.Cancel = func() error { return cmd.Process.Signal(syscall.SIGTERM) }
	cmd.WaitDelay = workerStop
	cmd.SysProcAttr = childAttr()
	cmd.Stderr = logLines{w.log}
	if err := cmd.Run(); err != nil {
		return fmt.Errorf("the worker of %s: %w", w.bay, err)
	}
	return nil
}

// logLines passes a process's lines on to the log.
type logLines struct{ log *slog.Logger }

func (l logLines) Write(p []byte) (int, error) {
	for line := range strings.Lines(string(p)) {
		l.log.Info("worker: " + strings.TrimRight(line, "\n"))
	}
	return len(p), nil
}
