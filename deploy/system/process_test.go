package system_test

import (
	"encoding/json"
	"errors"
	"net/http"
	"os/exec"
	"testing"
)

func asExit(err error, exit **exec.ExitError) bool { return errors.As(err, exit) }

// status asks a worker's own listener.
func status(t *testing.T, workerURL string) object {
	t.Helper()
	res, err := http.Get(workerURL + "/status")
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	var o object
	if err := json.NewDecoder(res.Body).Decode(&o); err != nil {
		t.Fatal(err)
	}
	return o
}
