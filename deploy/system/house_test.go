package system_test

import (
	"bufio"
	"bytes"
	"encoding/json"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// house is one `kerfgate try` on a data folder.
type house struct {
	dir     string
	address string
	cmd     *exec.Cmd
	out     strings.Builder
	log     bytes.Buffer // what it said on standard error; whole once it has exited
	exited  chan struct{}
	exitErr error // after exited
	mu      sync.Mutex
}

// startTry starts everything on a data folder and waits until it is ready.
func startTry(t *testing.T, dir string) *house {
	t.Helper()
	return startTryAs(t, dir, nil)
}

// startTryAs does it as another user; nil means this one.
func startTryAs(t *testing.T, dir string, user *syscall.Credential) *house {
	t.Helper()
	h := &house{dir: dir, exited: make(chan struct{})}
	h.cmd = exec.Command(program, "try", "--data", dir, "--listen", "127.0.0.1:0")
	h.cmd.Dir = dir
	if _, err := os.Stat(dir); err != nil {
		h.cmd.Dir = filepath.Dir(dir)
	}
	h.cmd.SysProcAttr = &syscall.SysProcAttr{Credential: user}
	h.cmd.Stderr = io.MultiWriter(testLog{t}, &h.log)
	out, err := h.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := h.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	ready := make(chan string, 1)
	go func() {
		lines := bufio.NewScanner(out)
		for lines.Scan() {
			h.mu.Lock()
			h.out.WriteString(lines.Text() + "\n")
			h.mu.Unlock()
			if i := strings.Index(lines.Text(), "http://"); i >= 0 && strings.Contains(lines.Text(), "ready") {
				ready <- strings.TrimSpace(lines.Text()[i:])
			}
		}
		h.exitErr = h.cmd.Wait()
		close(h.exited)
	}()
	t.Cleanup(func() { h.stop(t) })
	select {
	case h.address = <-ready:
	case <-h.exited:
		t.Fatalf("kerfgate try ended: %v", h.exitErr)
	case <-time.After(2 * time.Minute):
		t.Fatal("kerfgate try is not ready after two minutes")
	}
	return h
}

// stop ends it as Ctrl-C does and demands a clean end.
func (h *house) stop(t *testing.T) {
	t.Helper()
	select {
	case <-h.exited:
		return
	default:
	}
	if err := h.cmd.Process.Signal(syscall.SIGINT); err != nil {
		t.Error(err)
	}
	select {
	case <-h.exited:
		if h.exitErr != nil {
			t.Errorf("Ctrl-C ended kerfgate try with %v", h.exitErr)
		}
	case <-time.After(time.Minute):
		t.Error("kerfgate try did not stop within a minute of Ctrl-C")
		_ = h.cmd.Process.Kill() // the test has failed already
	}
}

// password of a demo account, as the data folder keeps it.
func (h *house) password(t *testing.T, name string) string {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(h.dir, "demo-sign-ins.json"))
	if err != nil {
		t.Fatal(err)
	}
	var list []struct {
		SignIn   string `json:"sign_in"`
		Password string `json:"password"`
	}
	if err := json.Unmarshal(data, &list); err != nil {
		t.Fatal(err)
	}
	for _, s := range list {
		if s.SignIn == name {
			return s.Password
		}
	}
	t.Fatalf("no demo account %s", name)
	return ""
}

// as signs a demo person in over HTTP.
func (h *house) as(t *testing.T, name string) *caller {
	t.Helper()
	c := signIn(t, h.address, name, h.password(t, name))
	if name != "juniper" {
		c.second = object{"sign_in": "juniper", "password": h.password(t, "juniper")}
	}
	return c
}

// dataDir is a folder that the database's own user may pass through too.
func dataDir(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "kg-")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(dir, 0o711); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := os.RemoveAll(dir); err != nil {
			t.Error(err)
		}
	})
	return dir
}

// testLog shows a process's log with the test, and fails it for a data race.
type testLog struct{ t *testing.T }

func (l testLog) Write(p []byte) (int, error) {
	if strings.Contains(string(p), "WARNING: DATA RACE") {
		l.t.Errorf("data race in the program:\n%s", p)
	} else {
		l.t.Logf("%s", strings.TrimRight(string(p), "\n"))
	}
	return len(p), nil
}

var _ io.Writer = testLog{}
