package program

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"
)

// drive is a process that drives a carriage and burns a long line until it is killed.
func drive(energy string) error {
	p, err := profileOf("carriage", energy)
	if err != nil {
		return err
	}
	d, err := New(Config{Profile: p, Log: quiet()})
	if err != nil {
		return err
	}
	ctx := context.Background()
	if err := d.Open(ctx); err != nil {
		return err
	}
	if err := d.Home(ctx); err != nil {
		return err
	}
	if err := d.Arm([16]byte{1}); err != nil {
		return err
	}
	for _, line := range []string{"G21", "G90", "G0 X10 Y10", "M3 S1000", "G1 X190 Y10 F600"} {
		if err := d.Send(ctx, line); err != nil {
			return err
		}
	}
	return d.Drain(ctx)
}

// TestF7_DriverKilled: kill -9 of the process that drives, while the tool is on: the machine's program sees
// the end of its input and takes the tool off, well within the second that I15 allows.
func TestF7_DriverKilled(t *testing.T) {
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	energy := t.TempDir() + "/energy"
	cmd := exec.CommandContext(t.Context(), self)
	cmd.Env = append(os.Environ(), role+"=driver", "KERFGATE_TEST_ENERGY="+energy)
	cmd.Stderr = os.Stderr
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	last := func() (at time.Time, on bool) {
		b, err := os.ReadFile(energy)
		if err != nil || len(b) == 0 {
			return at, false
		}
		lines := strings.Split(strings.TrimSpace(string(b)), "\n")
		var ns int64
		if _, err := fmt.Sscan(lines[len(lines)-1], &ns, &on); err != nil {
			return at, false
		}
		return time.Unix(0, ns), on
	}
	waitFor(t, "the tool is on", func() bool { _, on := last(); return on })
	begun := time.Now()
	if err := cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = cmd.Wait() // "signal: killed"
	waitFor(t, "the tool is off", func() bool { _, on := last(); return !on })
	at, _ := last()
	if late := at.Sub(begun); late > 200*time.Millisecond {
		t.Errorf("off %v after the kill", late)
	}
}
