package oracle_test

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"
)

// node runs a script of this folder under Node.js with the JSON of input on its standard input and
// decodes the JSON that it prints into output. A missing Node.js or package is a failure: `make
// test` installs both.
func node(t testing.TB, script string, input, output any) {
	t.Helper()
	if _, err := os.Stat(filepath.Join("node_modules", ".package-lock.json")); err != nil {
		t.Fatalf("the npm packages of the oracles are not installed; run: make install-test")
	}
	data, err := json.Marshal(input)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, "node", script)
	cmd.Stdin = bytes.NewReader(data)
	var stdout, stderr bytes.Buffer
	cmd.Stdout, cmd.Stderr = &stdout, &stderr
	if err := cmd.Run(); err != nil {
		t.Fatalf("node %s: %v\n%s", script, err, stderr.String())
	}
	if err := json.Unmarshal(stdout.Bytes(), output); err != nil {
		t.Fatalf("node %s printed no JSON: %v\n%.400s", script, err, stdout.String())
	}
}

// dataFolder is the folder of open data that KERFGATE_DATA names (default ../shared/data beside the
// repository). Where it is missing the test is skipped, loudly.
func dataFolder(t testing.TB, parts ...string) string {
	t.Helper()
	root := os.Getenv("KERFGATE_DATA")
	if root == "" {
		root = filepath.Join("..", "..", "..", "shared", "data")
	}
	dir := filepath.Join(append([]string{root}, parts...)...)
	if _, err := os.Stat(dir); err != nil {
		t.Skipf("SKIPPED: no open data in %s; set KERFGATE_DATA to the folder that holds it", dir)
	}
	return dir
}
