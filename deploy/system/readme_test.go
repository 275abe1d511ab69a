package system_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"kerfgate/db/dbtest"
)

// The calls that the README shows are run as they stand there.
func TestReadmeCalls(t *testing.T) {
	t.Parallel()
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, rest, ok := strings.Cut(string(readme), "```sh\n")
	script, _, closed := strings.Cut(rest, "\n```")
	if !ok || !closed {
		t.Fatal("the README shows no calls")
	}
	h := startTry(t, filepath.Join(dbtest.Folder(t), "data"))
	sh := exec.Command("sh", "-eu")
	sh.Dir = "../.."
	sh.Stdin = strings.NewReader(script)
	sh.Env = append(os.Environ(), "KERFGATE="+h.address, "THYME="+h.password(t, "thyme"), "ROWAN="+h.password(t, "rowan"))
	out, err := sh.CombinedOutput()
	if err != nil || !strings.HasSuffix(strings.TrimSpace(string(out)), "completed") {
		t.Errorf("the README's calls: %v\n%s", err, out)
	}
}
