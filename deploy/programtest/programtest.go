// Package programtest builds kerfgate and runs it as processes of their own, for what tries or measures the whole.
package programtest

import (
	"bufio"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// Build makes the program at the path, with more of go build's flags where they are given.
func Build(path string, flags ...string) error {
	build := exec.Command("go", append(append([]string{"build", "-o", path}, flags...), "kerfgate")...)
	build.Stderr = os.Stderr
	if err := build.Run(); err != nil {
		return fmt.Errorf("build kerfgate: %w", err)
	}
	return nil
}

// Process is one that was started.
type Process struct {
	*exec.Cmd
	Said    string        // the line that it was waited for
	Exited  chan struct{} // closed once it has ended and all that it said was read
	exitErr error         // after Exited
}

// startLimit is how long a process may take to say what it is waited for, on a busy machine too.
const startLimit = 2 * time.Minute

// Start runs a command and returns once it has said a line that holds the word on its standard output. What is left of it
// when the test is over is killed.
func Start(t testing.TB, cmd *exec.Cmd, word string) *Process {
	t.Helper()
	p := &Process{Cmd: cmd, Exited: make(chan struct{})}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(p.Kill)
	said := make(chan string, 1)
	go func() {
		var once sync.Once
		lines := bufio.NewScanner(out)
		for lines.Scan() { // to the end, so that it is never held up
			if strings.Contains(lines.Text(), word) {
				once.Do(func() { said <- lines.Text() })
			}
		}
		p.exitErr = cmd.Wait()
		close(p.Exited)
	}()
	select {
	case p.Said = <-said:
	case <-p.Exited:
		t.Fatalf("%s ended without saying %q: %v", cmd, word, p.exitErr)
	case <-time.After(startLimit):
		t.Fatalf("%s did not say %q within %s", cmd, word, startLimit)
	}
	return p
}

// Kill is kill -9, and waits.
func (p *Process) Kill() {
	_ = p.Process.Kill() // it may be gone already
	<-p.Exited
}

// Stop ends the process as Ctrl-C does and demands a clean end; one that has ended is left alone.
func (p *Process) Stop(t testing.TB) {
	t.Helper()
	select {
	case <-p.Exited:
		return
	default:
	}
	if err := p.Process.Signal(unix.SIGINT); err != nil {
		t.Error(err)
	}
	select {
	case <-p.Exited:
		if p.exitErr != nil {
			t.Errorf("Ctrl-C ended %s with %v", p.Cmd, p.exitErr)
		}
	case <-time.After(time.Minute):
		t.Errorf("%s did not stop within a minute of Ctrl-C", p.Cmd)
		p.Kill()
	}
}

// Address is where it serves: the last word of the line that it was waited for.
func (p *Process) Address() string {
	words := strings.Fields(p.Said)
	return words[len(words)-1]
}
