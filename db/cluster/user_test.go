package cluster

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"
)

func credential(t *testing.T, name string) *syscall.Credential {
	t.Helper()
	u, err := user.Lookup(name)
	if err != nil {
		t.Fatal(err)
	}
	uid, err := strconv.ParseUint(u.Uid, 10, 32)
	if err != nil {
		t.Fatal(err)
	}
	gid, err := strconv.ParseUint(u.Gid, 10, 32)
	if err != nil {
		t.Fatal(err)
	}
	return &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}
}

// asUser returns a command that runs this test program as another user, whose
// home and temporary folder is a new folder of its own.
func asUser(t *testing.T, name string, args ...string) *exec.Cmd {
	t.Helper()
	cred := credential(t, name)
	dir := newFolder(t)
	self, err := os.Open("/proc/self/exe")
	if err != nil {
		t.Fatal(err)
	}
	defer self.Close()
	if err := os.Mkdir(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	program := filepath.Join(dir, "cluster.test")
	f, err := os.OpenFile(program, os.O_CREATE|os.O_WRONLY, 0o700)
	if err != nil {
		t.Fatal(err)
	}
	_, err = io.Copy(f, self)
	if err := errors.Join(err, f.Close(), os.Chown(program, int(cred.Uid), int(cred.Gid)),
		os.Chown(dir, int(cred.Uid), int(cred.Gid))); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(program, args...)
	cmd.Dir = dir
	cmd.Env = append(os.Environ(), "TMPDIR="+dir, "HOME="+dir)
	cmd.SysProcAttr = &syscall.SysProcAttr{Credential: cred}
	return cmd
}

func needsRoot(t *testing.T) {
	t.Helper()
	if os.Geteuid() != 0 || runtime.GOOS != "linux" {
		t.Skip("needs root, on Linux")
	}
}

// Everything once more as a user without rights.
func TestAsNormalUser(t *testing.T) {
	needsRoot(t)
	other := start(t, mustNew(t, Config{Dir: newFolder(t), Volatile: true}))
	cmd := asUser(t, "nobody", "-test.v", "-test.timeout=5m")
	cmd.Env = append(cmd.Env, "CLUSTER_TEST_OTHER="+strconv.Itoa(serverPID(t, other)))
	out, err := cmd.CombinedOutput()
	var kept []string
	for line := range strings.Lines(string(out)) {
		if strings.Contains(line, " in ") || strings.HasPrefix(strings.TrimSpace(line), "---") {
			kept = append(kept, line)
		}
	}
	t.Logf("\n%s", strings.Join(kept, ""))
	if err != nil {
		t.Fatalf("as nobody: %v\n%s", err, out)
	}
	if !strings.Contains(string(out), "--- PASS: TestStartStopStart") {
		t.Error("the tests did not run")
	}
}

// TestDial is run by TestThirdUserRefused as another user.
func TestDial(t *testing.T) {
	url := os.Getenv("CLUSTER_TEST_DIAL")
	if url == "" {
		t.Skip("run by TestThirdUserRefused")
	}
	connect(t, url)
}

// The socket trusts whoever reaches it: only the service user and root may.
func TestThirdUserRefused(t *testing.T) {
	needsRoot(t)
	r := start(t, mustNew(t, Config{Dir: newFolder(t), Volatile: true}))
	server := service(t, r.cfg.Dir)
	st, err := os.Stat(r.socket)
	if err != nil {
		t.Fatal(err)
	}
	owner := st.Sys().(*syscall.Stat_t)
	if st.Mode().Perm() != 0o700 || int(owner.Uid) != server.uid {
		t.Errorf("socket folder is %v of user %d, want 0700 of user %d", st.Mode(), owner.Uid, server.uid)
	}
	if st, err := os.Stat(filepath.Join(r.socket, socketFile)); err != nil || st.Mode().Perm() != 0o700 {
		t.Errorf("socket is %v, %v, want 0700", st.Mode(), err)
	}
	service, err := user.LookupId(strconv.Itoa(server.uid))
	if err != nil {
		t.Fatal(err)
	}
	refused := 0
	for _, name := range []string{"daemon", "nobody", service.Username} {
		cmd := asUser(t, name, "-test.run=^TestDial$", "-test.v")
		cmd.Env = append(cmd.Env, "CLUSTER_TEST_DIAL="+r.URL(App, Database))
		out, err := cmd.CombinedOutput()
		switch {
		case name == service.Username && err != nil:
			t.Errorf("the service user %s cannot connect: %v\n%s", name, err, out)
		case name != service.Username && (err == nil || !strings.Contains(string(out), "permission denied")):
			t.Errorf("%s: %v, want permission denied\n%s", name, err, out)
		case name != service.Username:
			refused++
		}
	}
	if refused == 0 {
		t.Error("nobody was refused: no third user was tried")
	}
}

// A folder below one that is closed to the service user, as /root is.
func TestDataElsewhere(t *testing.T) {
	t.Parallel()
	needsRoot(t)
	parent := filepath.Dir(newFolder(t))
	if err := os.Chmod(parent, 0o755); err != nil {
		t.Fatal(err)
	}
	dir := filepath.Join(t.TempDir(), "pg") // t.TempDir is of mode 0700
	another := func() *Cluster {
		c := mustNew(t, Config{Dir: dir, Volatile: true})
		c.elsewhere = []string{"/no-such-folder", parent}
		return c
	}
	r := start(t, another())
	if err := exec1(t, r, Supervisor, keep); err != nil {
		t.Fatal(err)
	}
	r.stop(t)
	text, err := os.ReadFile(filepath.Join(dir, "location"))
	if err != nil {
		t.Fatal(err)
	}
	base := strings.TrimSpace(string(text))
	if filepath.Dir(base) != parent {
		t.Fatalf("data lies in %s, want below %s", base, parent)
	}
	if _, err := os.Stat(filepath.Join(dir, "data")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("data in the closed folder too: %v", err)
	}

	r = start(t, another())
	mustKeep(t, r, 1000)
	if err := refusal(t, another()); !errors.Is(err, ErrInUse) {
		t.Errorf("second starter: got %v, want ErrInUse", err)
	}
	r.stop(t)

	if err := os.Remove(filepath.Join(dir, "location")); err != nil {
		t.Fatal(err)
	}
	if err := refusal(t, another()); err == nil || !strings.Contains(err.Error(), base) {
		t.Errorf("record lost: got %v, want a refusal that names %s", err, base)
	}
	if err := os.WriteFile(filepath.Join(dir, "location"), text, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(base, 0o777); err != nil {
		t.Fatal(err)
	}
	if err := refusal(t, another()); err == nil {
		t.Error("a folder that anybody can change was accepted")
	}
}

// A folder that was copied back by root runs again, and so does another user's.
func TestDataOfAnotherUser(t *testing.T) {
	t.Parallel()
	needsRoot(t)
	dir := newFolder(t)
	r := start(t, mustNew(t, Config{Dir: dir, Volatile: true}))
	if err := exec1(t, r, Supervisor, keep); err != nil {
		t.Fatal(err)
	}
	r.stop(t)
	twin := filepath.Join(filepath.Dir(dir), "twin")
	if out, err := exec.Command("cp", "-r", dir, twin).CombinedOutput(); err != nil {
		t.Fatalf("%v %s", err, out)
	}
	r = start(t, mustNew(t, Config{Dir: twin, Volatile: true}))
	mustKeep(t, r, 1000)
	r.stop(t)

	// Data of some other user stays that user's.
	daemon := credential(t, "daemon")
	err := filepath.WalkDir(r.data(), func(path string, _ os.DirEntry, err error) error {
		return errors.Join(err, os.Lchown(path, int(daemon.Uid), int(daemon.Gid)))
	})
	if err != nil {
		t.Fatal(err)
	}
	r = start(t, mustNew(t, Config{Dir: twin, Volatile: true}))
	mustKeep(t, r, 1000)
	st, err := os.Stat(fmt.Sprintf("/proc/%d", serverPID(t, r)))
	if err != nil || st.Sys().(*syscall.Stat_t).Uid != daemon.Uid {
		t.Errorf("the server runs as %v, %v, want user %d", st, err, daemon.Uid)
	}
}

// The server must not outlive a supervisor that was killed.
func TestSupervisorKilled(t *testing.T) {
	t.Parallel()
	if runtime.GOOS != "linux" {
		t.Skip("only Linux tells a child of its parent's death")
	}
	dir := newFolder(t)
	supervisor := exec.Command("/proc/self/exe")
	supervisor.Env = append(os.Environ(), "CLUSTER_TEST_SUPERVISE="+dir)
	supervisor.Stderr = os.Stderr
	stdin, err := supervisor.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	defer stdin.Close()
	stdout, err := supervisor.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := supervisor.Start(); err != nil {
		t.Fatal(err)
	}
	url, err := bufio.NewReader(stdout).ReadString('\n')
	if err != nil {
		supervisor.Process.Kill()
		t.Fatalf("supervisor: %v, %v", err, supervisor.Wait())
	}
	conn := connect(t, strings.TrimSpace(url))
	pid, _ := readPIDFile(filepath.Join(dir, "data"))
	if ok, err := serves(pid, filepath.Join(dir, "data")); err != nil || !ok {
		t.Fatalf("no server under number %d: %v", pid, err)
	}
	if err := supervisor.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	supervisor.Wait()
	begun := time.Now()
	ok, err := within(context.Background(), 20*time.Second, func() bool {
		running, err := serves(pid, filepath.Join(dir, "data"))
		return err == nil && !running
	})
	if !ok || err != nil {
		t.Fatalf("server %d outlives its supervisor: %v", pid, err)
	}
	t.Logf("server gone %v after its supervisor", time.Since(begun).Round(time.Millisecond))
	conn.Close(t.Context())
	old, err := os.ReadFile(filepath.Join(dir, "socket"))
	if err != nil {
		t.Fatal(err)
	}
	start(t, mustNew(t, Config{Dir: dir, Volatile: true})).stop(t)
	if _, err := os.Stat(strings.TrimSpace(string(old))); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("its socket folder: %v, want none", err)
	}
}
