// Package system_test tries the whole as people meet it: the real program, real Postgres, real
// broker, workers as processes of their own, over HTTP and in a real browser.
package system_test

import (
	"errors"
	"log"
	"os"
	"path/filepath"
	"testing"

	"kerfgate/deploy/programtest"
)

// program is the kerfgate that was built for these tests.
var program string

func TestMain(m *testing.M) {
	dir, err := os.MkdirTemp("", "kerfgate-system-")
	if err != nil {
		log.Fatal(err)
	}
	if err := os.Chmod(dir, 0o711); err != nil {
		log.Fatal(err)
	}
	program = filepath.Join(dir, "kerfgate")
	code := 1
	if err := programtest.Build(program, buildFlags...); err != nil {
		log.Print(err)
	} else {
		code = m.Run()
	}
	if err := errors.Join(stopShared(), os.RemoveAll(dir)); err != nil {
		log.Print(err)
	}
	os.Exit(code)
}
