package system_test

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"kerfgate/db/cluster"
	"kerfgate/deploy/demo"
)

// Accounts, machines and authorisations of a site that is not the demo's are made on the command line.
func TestSetupCommands(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	site := []string{"--database", s.pg.URL(cluster.App, cluster.Database), "--keys", filepath.Join(s.dir, "keys"), "--site", "garden"}
	run := func(stdin string, args ...string) (string, error) {
		cmd := exec.Command(program, append(args, site...)...)
		cmd.Stdin = strings.NewReader(stdin)
		out, err := cmd.CombinedOutput()
		return strings.TrimSpace(string(out)), err
	}
	if out, err := run("a long enough password\n", "person", "--sign-in", "basil", "--name", "Basil", "--role", "officer"); err != nil {
		t.Fatalf("%v %s", err, out)
	}
	basil := signIn(t, s.address(), "basil", "a long enough password")
	if got := basil.get("/me").str("person.role"); got != "officer" {
		t.Errorf("role %q", got)
	}
	if out, err := run("short\n", "person", "--sign-in", "dill", "--name", "Dill"); err == nil {
		t.Errorf("a short password was taken: %s", out)
	}
	if out, err := run("a long enough password\n", "person", "--sign-in", "BASIL", "--name", "Other"); err == nil || !strings.Contains(out, "taken") {
		t.Errorf("a second basil: %v %s", err, out)
	}

	enrolled := filepath.Join(s.dir, "bay-9")
	key, err := exec.Command(program, "enrol", "--dir", enrolled, "--permit-key", s.keys.PermitPublic, "--log-key", s.keys.LogPublic).Output()
	if err != nil {
		t.Fatal(err)
	}
	profile, err := json.Marshal(demo.Plotter())
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(s.dir, "plotter.json")
	if err := os.WriteFile(file, profile, 0o600); err != nil {
		t.Fatal(err)
	}
	add := []string{"machine", "add", "--bay", "Bay 9", "--name", "second plotter", "--tool", "pen", "--profile", file,
		"--worker-key", strings.TrimSpace(string(key)), "--worker-url", "http://127.0.0.1:9"}
	id, err := run("", add...)
	if err != nil {
		t.Fatalf("%v %s", err, id)
	}
	if out, err := run("", "machine", "authorise", "--sign-in", "basil", "--machine", id); err != nil {
		t.Errorf("%v %s", err, out)
	}
	if got := basil.get("/me").list("authorisations"); len(got) != 1 || got[0].str("machine_id") != id {
		t.Errorf("authorisations %v", got)
	}
	if err := os.WriteFile(file, []byte(`{"name":"x","wheels":4}`), 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := run("", add...); err == nil || !strings.Contains(out, "wheels") {
		t.Errorf("a profile with an unknown field: %v %s", err, out)
	}
}
