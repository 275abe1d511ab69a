package keyring_test

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"kerfgate/deploy/keyring"
)

// Servers that start at the same moment on a new folder end up with the same keys, in files that
// only their owner may read.
func TestOpenAtOnce(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "keys")
	var wg sync.WaitGroup
	var mu sync.Mutex
	seen := map[string]bool{}
	for range 16 {
		wg.Go(func() {
			k, err := keyring.Open(dir, "garden")
			if err != nil {
				t.Error(err)
				return
			}
			server, err := k.Server.PublicKey()
			if err != nil {
				t.Error(err)
			}
			mu.Lock()
			defer mu.Unlock()
			seen[strings.Join([]string{k.PermitPublic, k.LogPublic, server}, " ")] = true
		})
	}
	wg.Wait()
	if len(seen) != 1 {
		t.Errorf("%d different sets of keys in use", len(seen))
	}
	files, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		info, err := f.Info()
		if err != nil {
			t.Fatal(err)
		}
		if public := strings.HasSuffix(f.Name(), ".vkey"); !public && info.Mode().Perm() != 0o600 {
			t.Errorf("%s has mode %o", f.Name(), info.Mode().Perm())
		}
	}
	if len(files) != 5 {
		t.Errorf("files %v, want five", files)
	}
}

// A first start that ended between a key and its public half is made whole; a key in use stays.
func TestOpenMakesWhole(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	before, err := keyring.Open(dir, "garden")
	if err != nil {
		t.Fatal(err)
	}
	half := filepath.Join(dir, "logbook.vkey")
	if err := os.Remove(half); err != nil {
		t.Fatal(err)
	}
	after, err := keyring.Open(dir, "garden")
	if err != nil || after.LogPublic != before.LogPublic {
		t.Fatalf("another key: %v", err)
	}
	if text, err := os.ReadFile(half); err != nil || strings.TrimSpace(string(text)) != before.LogPublic {
		t.Errorf("public half %q, %v", text, err)
	}
	if err := keyring.Write(filepath.Join(dir, "permit.key"), "another"); !errors.Is(err, fs.ErrExist) {
		t.Errorf("a key in use was written over: %v", err)
	}
	if err := os.Chmod(filepath.Join(dir, "permit.key"), 0o640); err != nil {
		t.Fatal(err)
	}
	if _, err := keyring.Open(dir, "garden"); !errors.Is(err, keyring.ErrMode) {
		t.Errorf("a key that others may read was taken: %v", err)
	}
}
