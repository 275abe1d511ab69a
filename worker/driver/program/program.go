// Package program drives a machine by a child process, which takes lines on its standard input and
// answers on its standard output in the words of the profile. Commands that wait behind no line come on
// its descriptor 3; a stop comes there and as SIGTERM. End of input means tool off and end. The child
// leads a process group of its own, which is killed by its id when a stop stays unanswered; what it
// writes to its standard error is logged.
package program

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/exec"
	"sync"
	"syscall"
	"time"

	"golang.org/x/sys/unix"

	"kerfgate/plan/machine"
	"kerfgate/worker/driver/talk"
)

// Config is what a program driver needs.
type Config struct {
	Profile machine.Profile
	// Dir is the child's working directory; empty means this process's.
	Dir string
	Log *slog.Logger
}

// New describes a driver for a machine behind a child process and starts nothing. Errors name
// everything that is wrong with the profile's description.
func New(cfg Config) (*talk.Driver, error) {
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	return talk.New(talk.Config{Profile: cfg.Profile, Log: cfg.Log, Reach: func(context.Context) (talk.Cable, error) {
		return start(cfg)
	}})
}

const (
	// writeWait is how long a write waits for a child that reads slowly.
	writeWait = 20 * time.Millisecond
	// endWait is how long a child may take to end once its input has ended.
	endWait = 500 * time.Millisecond
)

// child is a running process and its three pipes.
type child struct {
	cmd    *exec.Cmd
	lines  *os.File // its standard input
	urgent *os.File // its descriptor 3
	answer *os.File // its standard output
	errors *os.File // its standard error
	heard  chan struct{}
	ended  chan struct{}
	err    error // how it ended, valid once ended is closed

	mu     sync.Mutex
	reaped bool
}

// start runs the command. Errors say what could not be started.
func start(cfg Config) (_ *child, err error) {
	command := cfg.Profile.Driver.Program.Command
	var ours, theirs []*os.File
	defer func() {
		for _, f := range theirs {
			f.Close()
		}
		if err != nil {
			for _, f := range ours {
				f.Close()
			}
		}
	}()
	pipe := func() (r, w *os.File) {
		if err == nil {
			r, w, err = os.Pipe()
		}
		return r, w
	}
	inR, inW := pipe()
	nowR, nowW := pipe()
	outR, outW := pipe()
	errR, errW := pipe()
	ours, theirs = []*os.File{inW, nowW, outR, errR}, []*os.File{inR, nowR, outW, errW}
	if err != nil {
		return nil, err
	}
	cmd := exec.Command(command[0], command[1:]...)
	cmd.Dir = cfg.Dir
	cmd.Stdin, cmd.Stdout, cmd.Stderr, cmd.ExtraFiles = inR, outW, errW, []*os.File{nowR}
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	if err := cmd.Start(); err != nil {
		return nil, fmt.Errorf("starting the machine's program: %w\n  look at the command in the profile", err)
	}
	c := &child{cmd: cmd, lines: inW, urgent: nowW, answer: outR, errors: errR, heard: make(chan struct{}), ended: make(chan struct{})}
	go c.hearErrors(cfg.Log)
	go c.wait()
	return c, nil
}

// wait ends the group when its leader has ended, and only then lets go of the id that names it.
func (c *child) wait() {
	defer close(c.ended)
	for {
		var info unix.Siginfo
		if err := unix.Waitid(unix.P_PID, c.cmd.Process.Pid, &info, unix.WEXITED|unix.WNOWAIT, nil); !errors.Is(err, unix.EINTR) {
			break
		}
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	_ = syscall.Kill(-c.cmd.Process.Pid, syscall.SIGKILL) // whatever it has left behind; mostly nothing
	c.err = c.cmd.Wait()
	c.reaped = true
}

// hearErrors logs what the child complains of, until it ends.
func (c *child) hearErrors(log *slog.Logger) {
	defer close(c.heard)
	lines := bufio.NewReaderSize(c.errors, 1024)
	for {
		text, err := lines.ReadSlice('\n') // a longer line comes in pieces
		if len(text) > 0 {
			log.Warn("the machine's program", "says", string(text))
		}
		if err != nil && !errors.Is(err, bufio.ErrBufferFull) {
			return
		}
	}
}

// Read waits for answers. Its error says how the child ended.
func (c *child) Read(p []byte) (int, error) {
	n, err := c.answer.Read(p)
	if !errors.Is(err, io.EOF) {
		return n, err
	}
	select {
	case <-c.ended:
		if c.err != nil {
			return n, fmt.Errorf("the machine's program ended: %w", c.err)
		}
		return n, errors.New("the machine's program ended")
	case <-time.After(endWait):
		return n, errors.New("the machine's program closed its output")
	}
}

// Write sends what the child's pipe has room for.
func (c *child) Write(p []byte) (int, error) { return put(c.lines, p, writeWait) }

// Urgent sends a command on descriptor 3.
func (c *child) Urgent(p []byte) error {
	n, err := put(c.urgent, p, time.Millisecond)
	if err == nil && n < len(p) {
		err = errors.New("the machine's program does not read its commands")
	}
	return err
}

// put writes to a pipe until the time is over.
func put(pipe *os.File, p []byte, within time.Duration) (int, error) {
	if err := pipe.SetWriteDeadline(time.Now().Add(within)); err != nil {
		return 0, err
	}
	n, err := pipe.Write(p)
	if errors.Is(err, os.ErrDeadlineExceeded) {
		err = nil
	}
	return n, err
}

// Stop sends the stop on descriptor 3 and as SIGTERM; one of them is enough.
func (c *child) Stop(p []byte) error {
	sent := c.Urgent(p)
	signalled := c.signal(syscall.SIGTERM)
	if sent != nil && signalled != nil {
		return errors.Join(sent, signalled)
	}
	return nil
}

// signal goes to the child's process group, while the child is there: until it has been waited for, its
// id is nobody else's.
func (c *child) signal(s syscall.Signal) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.reaped {
		return os.ErrProcessDone
	}
	return syscall.Kill(-c.cmd.Process.Pid, s)
}

// Cut kills the child and whatever it has started.
func (c *child) Cut() error { return errors.Join(c.signal(syscall.SIGKILL), c.closePipes()) }

func (c *child) closePipes() error {
	var all []error
	for _, f := range []*os.File{c.lines, c.urgent} {
		if err := f.Close(); err != nil && !errors.Is(err, os.ErrClosed) {
			all = append(all, err)
		}
	}
	return errors.Join(all...)
}

// Close ends the child's input, which means tool off, and kills its group when it does not end by
// that.
func (c *child) Close() error {
	err := c.closePipes()
	select {
	case <-c.ended:
	case <-time.After(endWait):
		if killed := c.signal(syscall.SIGKILL); killed != nil && !errors.Is(killed, os.ErrProcessDone) {
			err = errors.Join(err, killed)
		}
		<-c.ended
	}
	// Whoever has left the group may still hold the other ends; the reads return all the same.
	for _, f := range []*os.File{c.answer, c.errors} {
		if closed := f.Close(); closed != nil && !errors.Is(closed, os.ErrClosed) {
			err = errors.Join(err, closed)
		}
	}
	<-c.heard
	return err
}

var _ talk.Cable = (*child)(nil)

// Look says whether the command that a profile names can be started, without starting it.
func Look(p machine.Program) error {
	if _, err := exec.LookPath(p.Command[0]); err != nil {
		return fmt.Errorf("the machine's program: %w\n  look at the command in the profile", err)
	}
	return nil
}
