package program

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"path/filepath"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"kerfgate/plan/machine"
	"kerfgate/worker/driver"
	"kerfgate/worker/driver/drivertest/emulator"
	"kerfgate/worker/driver/talk"
)

// deaf is a program that answers questions until its first line comes, burns, and from then on reads
// nothing and says nothing; SIGTERM does nothing to it.
func deaf(energy string) {
	signal.Ignore(syscall.SIGTERM)
	var hung atomic.Bool
	go func() {
		for commands := bufio.NewScanner(os.NewFile(3, "commands")); commands.Scan() && !hung.Load(); {
			if commands.Text() == "where" {
				fmt.Println("at 0.000 0.000")
			}
		}
	}()
	first := make([]byte, 1)
	if _, err := os.Stdin.Read(first); err != nil {
		return
	}
	hung.Store(true)
	_ = os.WriteFile(energy, []byte("on\n"), 0o600)
	select {}
}

// open reaches a machine in a role.
func open(t *testing.T, p machine.Profile) *talk.Driver {
	t.Helper()
	d, err := New(Config{Profile: p, Log: quiet()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { d.Close() })
	if err := d.Open(t.Context()); err != nil {
		t.Fatal(err)
	}
	return d
}

// lostEvent waits for the event of lost contact and gives its words.
func lostEvent(t *testing.T, d *talk.Driver) string {
	t.Helper()
	timeout := time.After(5 * time.Second)
	for {
		select {
		case e := <-d.Events():
			if e.Kind == driver.EventLost {
				return e.Text
			}
		case <-timeout:
			t.Fatal("lost contact was never told")
		}
	}
}

// work lets a homed carriage burn a long line.
func work(t *testing.T, d *talk.Driver) {
	t.Helper()
	if err := d.Home(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := d.Arm([16]byte{1}); err != nil {
		t.Fatal(err)
	}
	for _, line := range []string{"G21", "G90", "G0 X10 Y10", "M3 S1000", "G1 X190 Y10 F600"} {
		if err := d.Send(t.Context(), line); err != nil {
			t.Fatalf("%s: %v", line, err)
		}
	}
	waitFor(t, "the tool is on", func() bool { s, err := d.Where(); return err == nil && s.ToolOn })
}

func waitFor(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for limit := time.Now().Add(5 * time.Second); !ok(); time.Sleep(2 * time.Millisecond) {
		if time.Now().After(limit) {
			t.Fatalf("never: %s", what)
		}
	}
}

// pidOf is the child's process id.
func pidOf(t *testing.T, p machine.Profile) int {
	t.Helper()
	ours := os.Getpid()
	all, err := filepath.Glob("/proc/[0-9]*/stat")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range all {
		b, err := os.ReadFile(name)
		if err != nil {
			continue
		}
		rest := strings.Fields(string(b[strings.LastIndexByte(string(b), ')')+1:]))
		command, err := os.ReadFile(filepath.Join(filepath.Dir(name), "environ"))
		if err != nil || rest[1] != strconv.Itoa(ours) || !strings.Contains(string(command), p.Driver.Program.Command[2]) {
			continue
		}
		pid, err := strconv.Atoi(filepath.Base(filepath.Dir(name)))
		if err != nil {
			t.Fatal(err)
		}
		return pid
	}
	t.Fatal("the child is not there")
	return 0
}

// gone says whether nobody is left of a process group.
func gone(pid int) bool { return errors.Is(syscall.Kill(-pid, 0), syscall.ESRCH) }

// energyOff is when the carriage's tool went off last.
func energyOff(t *testing.T, p machine.Profile) (at time.Time, on bool) {
	t.Helper()
	b, err := os.ReadFile(strings.TrimPrefix(p.Driver.Program.Command[2], "KERFGATE_TEST_ENERGY="))
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSpace(string(b)), "\n")
	var ns int64
	if _, err := fmt.Sscan(lines[len(lines)-1], &ns, &on); err != nil {
		t.Fatal(err)
	}
	return time.Unix(0, ns), on
}

// TestF38_HungChild: a program that reads nothing any more and ignores SIGTERM, its pipe full, is told
// to stop, stays silent, and is killed with its group; the call itself takes no time.
func TestF38_HungChild(t *testing.T) {
	p := profileFor(t, "deaf")
	p.Driver.Dialect.WakesWithinMS = 0
	p.Driver.Dialect.AskEveryMS = 600_000
	d := open(t, p)
	pid := pidOf(t, p)
	sent := make(chan error, 1)
	go func() {
		for {
			if err := d.Send(context.Background(), "G4 P0."+strings.Repeat("0", 4000)+"1"); err != nil {
				sent <- err
				return
			}
		}
	}()
	time.Sleep(20 * time.Millisecond) // the pipe holds 64 KiB: it is the first line's answer that is awaited
	if took := stops(t, d, pid, sent); took > 50*time.Millisecond {
		t.Errorf("Stop itself took %v", took)
	}
}

// stops frees a Send that hangs and ends the child with its group, and gives how long the call itself took.
func stops(t *testing.T, d driver.Driver, pid int, sent <-chan error) (took time.Duration) {
	t.Helper()
	begun := time.Now()
	if err := d.Stop(); err != nil {
		t.Fatal(err)
	}
	took = time.Since(begun)
	if err := <-sent; !errors.Is(err, driver.ErrStopped) {
		t.Errorf("Send ended with %v", err)
	}
	if took := time.Since(begun); took > 250*time.Millisecond {
		t.Errorf("Send was freed after %v", took)
	}
	waitFor(t, "the child and its group are gone", func() bool { return gone(pid) })
	if took := time.Since(begun); took > 400*time.Millisecond {
		t.Errorf("the child was gone %v after Stop", took)
	}
	return took
}

// TestF38_FullPipe: the same while a line stands half-way in a full pipe.
func TestF38_FullPipe(t *testing.T) {
	p := profileFor(t, "deaf")
	p.Driver.Dialect.WakesWithinMS = 0
	p.Driver.Dialect.AskEveryMS = 600_000
	d := open(t, p)
	pid := pidOf(t, p)
	sent := make(chan error, 1)
	go func() { sent <- d.Send(context.Background(), "G4 P0."+strings.Repeat("0", 1<<20)) }()
	time.Sleep(100 * time.Millisecond)
	stops(t, d, pid, sent)
}

// TestChildDies: death while it works is told at once, and Reset starts another, which has no place.
func TestChildDies(t *testing.T) {
	p := profileFor(t, "carriage")
	d := open(t, p)
	work(t, d)
	if err := syscall.Kill(pidOf(t, p), syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	if why := lostEvent(t, d); !strings.Contains(why, "ended") {
		t.Errorf("told as %q", why)
	}
	if err := d.Drain(t.Context()); !errors.Is(err, driver.ErrLost) {
		t.Errorf("Drain ended with %v", err)
	}
	if err := d.Reset(t.Context()); err != nil {
		t.Fatal(err)
	}
	if s, err := d.Where(); err != nil || s.Homed || s.ToolOn {
		t.Errorf("after Reset: %+v, %v", s, err)
	}
	if err := d.Send(t.Context(), "M3 S1"); !errors.Is(err, driver.ErrNotArmed) {
		t.Errorf("the leave outlived the child: %v", err)
	}
}

// TestChildIsSilent: one that never answers is not opened, and is not left behind.
func TestChildIsSilent(t *testing.T) {
	p := profileFor(t, "silent")
	p.Driver.Dialect.WakesWithinMS = 0
	d, err := New(Config{Profile: p, Log: quiet()})
	if err != nil {
		t.Fatal(err)
	}
	if err := d.Open(t.Context()); !errors.Is(err, driver.ErrLost) {
		t.Errorf("opened: %v", err)
	}
	pid := pidOf(t, p)
	if err := d.Close(); err != nil {
		t.Error(err)
	}
	if !gone(pid) {
		t.Error("the child outlived Close")
	}
}

// TestChildFallsSilent: one that works on and answers no question any more is lost within the time that
// the profile gives.
func TestChildFallsSilent(t *testing.T) {
	p := profileFor(t, "carriage")
	d := open(t, p)
	work(t, d)
	begun := time.Now()
	if err := syscall.Kill(pidOf(t, p), syscall.SIGSTOP); err != nil {
		t.Fatal(err)
	}
	lostEvent(t, d)
	within := time.Duration(p.Driver.Dialect.AnswerWithinMS+500) * time.Millisecond
	if took := time.Since(begun); took > within {
		t.Errorf("told after %v, want within %v", took, within)
	}
	pid := pidOf(t, p)
	if err := d.Stop(); err != nil { // what the worker does about it
		t.Error(err)
	}
	waitFor(t, "the group is gone", func() bool { return gone(pid) })
}

// TestChildBabbles: answers that nobody knows, without end, are a fault and no load.
func TestChildBabbles(t *testing.T) {
	p := profileFor(t, "babble")
	d, err := New(Config{Profile: p, Log: quiet()})
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	begun := time.Now()
	if err := d.Open(t.Context()); !errors.Is(err, driver.ErrLost) {
		t.Errorf("opened: %v", err)
	}
	if took := time.Since(begun); took > time.Second {
		t.Errorf("noticed after %v", took)
	}
	if why := lostEvent(t, d); !strings.Contains(why, "does not know") {
		t.Errorf("told as %q", why)
	}
}

// TestEndOfInputMeansToolOff: when the driver's process is gone, here its ends of the pipes, the tool
// goes off by itself.
func TestEndOfInputMeansToolOff(t *testing.T) {
	p := profileFor(t, "carriage")
	c, err := start(Config{Profile: p, Log: quiet()})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	go func() {
		b := make([]byte, 1024)
		for {
			if _, err := c.Read(b); err != nil {
				return
			}
		}
	}()
	for _, line := range []string{"G28\n", "M3 S1000\n", "G1 X190 Y10 F600\n"} {
		if _, err := c.Write([]byte(line)); err != nil {
			t.Fatal(err)
		}
	}
	waitFor(t, "the tool is on", func() bool {
		s, err := os.Stat(p.Driver.Program.Command[2][len("KERFGATE_TEST_ENERGY="):])
		return err == nil && s.Size() > 0
	})
	begun := time.Now()
	if err := c.closePipes(); err != nil {
		t.Fatal(err)
	}
	<-c.ended
	at, on := energyOff(t, p)
	if on {
		t.Fatal("the tool is still on")
	}
	if late := at.Sub(begun); late > 200*time.Millisecond {
		t.Errorf("off after %v", late)
	}
}

// TestProblemsOfProgram: what is wrong with the description is said before anything is started.
func TestProblemsOfProgram(t *testing.T) {
	p := emulator.Profile()
	p.Driver = machine.Driver{Kind: machine.DriverProgram}
	if _, err := New(Config{Profile: p}); err == nil || !strings.Contains(err.Error(), "no command") || !strings.Contains(err.Error(), "dialect") {
		t.Errorf("taken, or too little said: %v", err)
	}
	if err := Look(machine.Program{Command: []string{"/nowhere/carriage"}}); err == nil {
		t.Error("a program that is not there was found")
	}
}
