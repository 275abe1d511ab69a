package system_test

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"kerfgate/db/dbtest"
)

// processesIn lists the processes whose command line or working folder names the data folder:
// workers, and the private Postgres.
func processesIn(t *testing.T, dir string) []string {
	t.Helper()
	entries, err := os.ReadDir("/proc")
	if err != nil {
		t.Fatal(err)
	}
	var found []string
	for _, e := range entries {
		pid, err := strconv.Atoi(e.Name())
		if err != nil || pid == os.Getpid() {
			continue
		}
		line, _ := os.ReadFile(filepath.Join("/proc", e.Name(), "cmdline")) // it may be gone by now
		cwd, _ := os.Readlink(filepath.Join("/proc", e.Name(), "cwd"))
		if strings.Contains(string(line), dir) || strings.HasPrefix(cwd, dir) {
			found = append(found, fmt.Sprintf("%d %s", pid, strings.ReplaceAll(string(line), "\x00", " ")))
		}
	}
	return found
}

func waitsForNoProcess(t *testing.T, dir string) {
	t.Helper()
	deadline := time.Now().Add(20 * time.Second)
	for {
		left := processesIn(t, dir)
		if len(left) == 0 {
			return
		}
		if time.Now().After(deadline) {
			t.Fatalf("processes are left behind:\n%s", strings.Join(left, "\n"))
		}
		time.Sleep(50 * time.Millisecond) // processes of others end in their own time
	}
}

// Ctrl-C stops everything and leaves no process; started again, it goes on with the data it had;
// after kill -9 of everything it starts again; and a second one on the same folder is refused.
func TestTryStopsAndGoesOn(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(dbtest.Folder(t), "data")
	first := startTry(t, dir)
	password := first.password(t, "thyme")
	jobs := len(first.as(t, "thyme").get("/jobs").list("jobs"))
	first.as(t, "thyme").handIn("kept.svg", []byte(`<svg xmlns="http://www.w3.org/2000/svg"/>`))
	size := first.as(t, "juniper").get("/logbook?limit=1").list("entries")[0].num("index")

	second := exec.Command(program, "try", "--data", dir, "--listen", "127.0.0.1:0")
	if out, err := second.CombinedOutput(); err == nil || !strings.Contains(string(out), "in use") {
		t.Errorf("a second try on the same folder: %v\n%s", err, out)
	}
	first.Stop(t)
	waitsForNoProcess(t, dir)

	again := startTry(t, dir)
	if again.password(t, "thyme") != password {
		t.Error("the sign-ins changed with the restart")
	}
	if got := len(again.as(t, "thyme").get("/jobs").list("jobs")); got != jobs {
		t.Errorf("%d jobs after the restart, want %d", got, jobs)
	}
	if got := again.as(t, "juniper").get("/logbook?limit=1").list("entries")[0].num("index"); got < size {
		t.Errorf("the logbook shrank from %v to %v", size, got)
	}

	// kill -9 of everything at once: by process id, only ours.
	killAll(t, dir, again)
	waitsForNoProcess(t, dir)
	last := startTry(t, dir)
	if status, body, err := last.as(t, "juniper").try("GET", "/logbook/check", nil, ""); err != nil || status != 200 {
		t.Errorf("the logbook after kill -9: %d %v %s", status, err, body)
	}
	last.Stop(t)
	waitsForNoProcess(t, dir)
}

func killAll(t *testing.T, dir string, h *house) {
	t.Helper()
	for _, line := range processesIn(t, dir) {
		pid, err := strconv.Atoi(strings.Fields(line)[0])
		if err != nil {
			t.Fatal(err)
		}
		if err := syscall.Kill(pid, syscall.SIGKILL); err != nil && err != syscall.ESRCH {
			t.Error(err)
		}
	}
	<-h.Exited
}

// kill -9 of the one process that a person sees takes the workers and Postgres with it.
func TestTryKilledLeavesNoProcess(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(dbtest.Folder(t), "data")
	h := startTry(t, dir)
	if len(processesIn(t, dir)) < 5 {
		t.Errorf("fewer processes than three workers, Postgres and try itself: %v", processesIn(t, dir))
	}
	h.Kill()
	waitsForNoProcess(t, dir)
}

// Run as root the tests also start everything as a user who owns nothing but their folder.
func TestTryAsNormalUser(t *testing.T) {
	t.Parallel()
	if os.Geteuid() != 0 {
		t.Log("the other tests here run as a normal user already")
		return
	}
	const nobody = 65534
	dir := filepath.Join(dbtest.Folder(t), "data")
	if err := os.Mkdir(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.Chown(dir, nobody, nobody); err != nil {
		t.Fatal(err)
	}
	h := startTryAs(t, dir, &syscall.Credential{Uid: nobody, Gid: nobody})
	if len(h.as(t, "thyme").get("/machines").list("machines")) != 3 {
		t.Error("not three machines")
	}
	rowan := h.as(t, "rowan")
	run := rowan.get("/board").list("lanes")[0].list("next")[0].str("id")
	rowan.waits("/runs/"+run, "its worker to be ready", 30*time.Second, func(o object) bool { return o.at("ready") == true })
	h.Stop(t)
	waitsForNoProcess(t, dir)
}

// What a person meets who types something wrong: what it is in a line, what to do next in another, and an exit status.
func TestCommandLineRefusals(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	empty := filepath.Join(dir, "empty")
	if err := os.WriteFile(empty, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	missing := filepath.Join(dir, "missing")
	for _, c := range []struct {
		args []string
		exit int
		says string // what is wrong
		next string
	}{
		{[]string{"try", "--listen", "0.0.0.0:8180", "--data", dir}, 1, "loopback", "127.0.0.1"},
		{[]string{"try", "--listen", "nonsense", "--data", dir}, 1, "listen address", "127.0.0.1:"},
		{[]string{"logbook", "check", empty}, 1, "cannot", "/api/v1/logbook/export"},
		{[]string{"logbook", "check", missing}, 1, missing, "name a file"},
		{[]string{"logbook", "check", empty, "--head", missing}, 1, missing, "name a file"},
		{[]string{"logbook", "check", empty, "--key", "zz"}, 1, "zz", "logbook.vkey"},
		{[]string{"logbook", "check"}, 80, "<file>", "kerfgate logbook check --help"},
		{[]string{"worker", "--dir", dir, "--machine", "no-id", "--broker", "nats://127.0.0.1:1"}, 80, "--machine", "kerfgate worker --help"},
		{[]string{"worker", "--dir", missing, "--machine", "0190a000-0000-7000-8000-000000000002", "--broker", "nats://127.0.0.1:1"}, 1, "no worker's folder", "kerfgate worker enrol"},
		{[]string{"worker", "enrol", "--dir", missing, "--server", "http://127.0.0.1:1", "--code", "abc"}, 1, "no enrolment code", "kerfgate enrol worker"},
		{[]string{"worker", "check", "--dir", missing}, 1, "does not exist", "kerfgate worker enrol"},
		{[]string{"plan"}, 2, "--machine", "kerfgate plan --help"},
		{[]string{"plan", empty, "--machine", "bay-1", "--material", "card", "--operations", "B=mark"}, 2, "B=mark", "an example of each file"},
		{[]string{"hazards", "--nonsense"}, 2, "--nonsense", "kerfgate hazards --help"},
		{[]string{"nonsense"}, 80, "nonsense", "kerfgate --help"},
	} {
		out, err := exec.Command(program, c.args...).CombinedOutput()
		var exit *exec.ExitError
		if !asExit(err, &exit) {
			t.Errorf("%v ended with %v\n%s", c.args, err, out)
			continue
		}
		if exit.ExitCode() != c.exit {
			t.Errorf("%v ends with %d, want %d\n%s", c.args, exit.ExitCode(), c.exit, out)
		}
		if says, next, _ := strings.Cut(string(out), "\n"); !strings.Contains(says, c.says) || !strings.Contains(next, c.next) || strings.Count(next, "\n") > 2 {
			t.Errorf("%v says nothing of %q and, next, %q:\n%s", c.args, c.says, c.next, out)
		}
		if slices.Contains(strings.Split(string(out), "\n"), "panic") {
			t.Errorf("%v panics:\n%s", c.args, out)
		}
	}
}

// A first start that is cut short at any moment is made whole by the next one.
func TestTryKilledWhileStarting(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(dbtest.Folder(t), "data")
	for _, after := range []time.Duration{300, 900, 1500, 2100, 2500, 2900} {
		cmd := exec.Command(program, "try", "--data", dir, "--listen", "127.0.0.1:0")
		cmd.Stderr = testLog{t}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		time.Sleep(after * time.Millisecond) // the moment itself is what is tried
		if err := cmd.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		_ = cmd.Wait() // killed
		waitsForNoProcess(t, dir)
	}
	h := startTry(t, dir)
	if got := len(h.as(t, "thyme").get("/jobs").list("jobs")); got != 3 {
		t.Errorf("the demo has %d jobs, want 3", got)
	}
	lanes := h.as(t, "rowan").get("/board").list("lanes")
	if len(lanes) != 3 {
		t.Errorf("%d lanes", len(lanes))
	}
	if status, body, err := h.as(t, "juniper").try("GET", "/logbook/check", nil, ""); err != nil || status != 200 {
		t.Errorf("the logbook: %d %v %s", status, err, body)
	}
}
