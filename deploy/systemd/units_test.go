// Package systemd_test checks what an installation on systemd is made of.
package systemd_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// unit is the worker's unit as an instance whose program is there.
func unit(t *testing.T) string {
	t.Helper()
	text, err := os.ReadFile("kerfgate-worker@.service")
	if err != nil {
		t.Fatal(err)
	}
	const program = "/usr/local/bin/kerfgate"
	if n := strings.Count(string(text), program); n != 2 {
		t.Fatalf("%d programs", n)
	}
	path := filepath.Join(t.TempDir(), "kerfgate-worker@bay-1.service")
	if err := os.WriteFile(path, []byte(strings.ReplaceAll(string(text), program, "/bin/true")), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

func analyse(t *testing.T) string {
	t.Helper()
	command, err := exec.LookPath("systemd-analyze")
	if err != nil {
		t.Skip("SKIPPED: there is no systemd-analyze here")
	}
	return command
}

// TestUnitVerifies: systemd reads the unit without a complaint about it.
func TestUnitVerifies(t *testing.T) {
	t.Parallel()
	out, err := exec.CommandContext(t.Context(), analyse(t), "verify", "--man=no", unit(t)).CombinedOutput()
	if err != nil {
		t.Errorf("%v", err)
	}
	for line := range strings.Lines(string(out)) {
		if strings.Contains(line, "kerfgate") {
			t.Errorf("systemd says: %s", line)
		}
	}
}

// TestUnitIsHardened: systemd's own measure of exposure, 0 (none) to 10, where it can be taken offline.
func TestUnitIsHardened(t *testing.T) {
	t.Parallel()
	out, err := exec.CommandContext(t.Context(), analyse(t), "security", "--offline=true", "--no-pager", "--threshold=20", unit(t)).CombinedOutput()
	text := string(out)
	if err != nil && !strings.Contains(text, "Overall exposure level") {
		t.Skipf("SKIPPED: this systemd cannot measure offline: %v, %s", err, text)
	}
	i := strings.Index(text, "Overall exposure level")
	t.Log(strings.TrimSpace(text[i:]))
	if err != nil {
		t.Errorf("exposure above 2.0: %s", text)
	}
}

// TestRuleVerifies: udev reads the rule, where it can say so.
func TestRuleVerifies(t *testing.T) {
	t.Parallel()
	command, err := exec.LookPath("udevadm")
	if err != nil {
		t.Skip("SKIPPED: there is no udevadm here")
	}
	if err := exec.CommandContext(t.Context(), command, "verify", "--help").Run(); err != nil {
		t.Skip("SKIPPED: this udevadm cannot verify")
	}
	if out, err := exec.CommandContext(t.Context(), command, "verify", "70-kerfgate-port.rules").CombinedOutput(); err != nil {
		t.Errorf("%v: %s", err, out)
	}
}
