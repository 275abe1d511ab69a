package drivertest

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"kerfgate/plan/machine"
)

// Second builds the second emulator, which lies in a folder of that name beside this file, and gives its
// path and its dialect for a kind of driver. from is the way from the calling test's folder to it. It skips
// where nobody has written it.
func Second(t *testing.T, from, kind string) (command string, dialect *machine.Dialect) {
	t.Helper()
	if _, err := os.Stat(filepath.Join(from, "main.go")); err != nil {
		t.Skipf("SKIPPED: the second emulator is not there (%v); %s/README.md says what it must be", err, from)
	}
	text, err := os.ReadFile(filepath.Join(from, kind+".json"))
	if err != nil {
		t.Fatal(err)
	}
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	if err := d.Decode(&dialect); err != nil {
		t.Fatal(err)
	}
	command = filepath.Join(t.TempDir(), "second")
	build := exec.CommandContext(t.Context(), "go", "build", "-o", command, ".")
	build.Dir = from
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("building it: %v\n%s", err, out)
	}
	return command, dialect
}
