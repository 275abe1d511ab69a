package system_test

import (
	"bytes"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"kerfgate/deploy/demo"
	"kerfgate/deploy/programtest"
)

// house is one `kerfgate try` on a data folder.
type house struct {
	*programtest.Process
	dir     string
	address string
	log     bytes.Buffer // what it said on standard error; whole once it has exited
}

// startTry starts everything on a data folder and waits until it is ready.
func startTry(t *testing.T, dir string) *house {
	t.Helper()
	return startTryAs(t, dir, nil)
}

// startTryAs does it as another user; nil means this one.
func startTryAs(t *testing.T, dir string, user *syscall.Credential) *house {
	t.Helper()
	h := &house{dir: dir}
	cmd := exec.Command(program, "try", "--data", dir, "--listen", "127.0.0.1:0")
	cmd.Dir = dir
	if _, err := os.Stat(dir); err != nil {
		cmd.Dir = filepath.Dir(dir)
	}
	cmd.SysProcAttr = &syscall.SysProcAttr{Credential: user}
	cmd.Stderr = io.MultiWriter(testLog{t}, &h.log)
	h.Process = programtest.Start(t, cmd, "ready ")
	h.address = h.Address()
	t.Cleanup(func() { h.Stop(t) })
	return h
}

// password of a demo account, as the data folder keeps it.
func (h *house) password(t *testing.T, name string) string {
	t.Helper()
	list, err := demo.SignIns(h.dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range list {
		if s.Name == name {
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
