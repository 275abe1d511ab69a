package system_test

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"kerfgate/deploy/demo"
)

// Accounts, machines and authorisations of a site that is not the demo's are made on the command line.
func TestSetupCommands(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	site := []string{"--database", s.databaseURL(), "--keys", filepath.Join(s.dir, "keys"), "--site", "garden"}
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

	// A link makes an admin, and a later one gives somebody who forgot it a new password.
	link := func(args ...string) string {
		t.Helper()
		out, err := run("", append([]string{"invite", "--origin", "http://garden.example"}, args...)...)
		at, _, _ := strings.Cut(out, "\n")
		secret, ok := strings.CutPrefix(at, "http://garden.example/join/")
		if err != nil || !ok {
			t.Fatalf("invite: %v %s", err, out)
		}
		return secret
	}
	nobody := &caller{t: t, address: s.address()}
	nobody.post("/invitations/accept", object{"secret": link("--name", "first admin", "--role", "admin"), "sign_in": "sorrel", "name": "Sorrel", "new_password": "a long enough password"})
	if got := signIn(t, s.address(), "sorrel", "a long enough password").get("/me").str("person.name"); got != "Sorrel" {
		t.Errorf("the invited admin is %q", got)
	}
	nobody.post("/invitations/accept", object{"secret": link("--sign-in", "basil"), "new_password": "another long password"})
	basil = signIn(t, s.address(), "basil", "another long password")
	if out, err := run("", "invite", "--name", "x", "--sign-in", "basil"); err == nil {
		t.Errorf("a name and a sign-in name at once: %s", out)
	}

	profile, err := json.Marshal(demo.Plotter())
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(s.dir, "plotter.json")
	if err := os.WriteFile(file, profile, 0o600); err != nil {
		t.Fatal(err)
	}
	add := []string{"machine", "add", "--bay", "Bay 9", "--name", "second plotter", "--tool", "pen", "--profile", file}
	id, err := run("", add...)
	if err != nil {
		t.Fatalf("%v %s", err, id)
	}
	if out, err := run("", "machine", "authorise", "--sign-in", "basil", "--machine", id, "--evidence", "supervised run"); err != nil {
		t.Errorf("%v %s", err, out)
	}
	if got := basil.get("/me").list("authorisations"); len(got) != 1 || got[0].str("machine_id") != id {
		t.Errorf("authorisations %v", got)
	}
	// Its worker joins with a code, once, and knows its site from then on.
	code, err := run("", "enrol", "worker", "--machine", id)
	if err != nil {
		t.Fatalf("%v %s", err, code)
	}
	code, _, _ = strings.Cut(code, "\n")
	enrol := func(dir string) (string, error) {
		out, err := exec.Command(program, "worker", "enrol", "--dir", filepath.Join(s.dir, dir), "--server", s.address(), "--code", code).CombinedOutput()
		return string(out), err
	}
	if out, err := enrol("bay-9"); err != nil || !strings.Contains(out, id) {
		t.Fatalf("%v %s", err, out)
	}
	if out, err := enrol("bay-10"); err == nil || !strings.Contains(out, "does not hold") {
		t.Errorf("one code twice: %v %s", err, out)
	}
	if out, err := run("", "enrol", "station", "--machine", id, "--name", "tablet at bay 9"); err != nil || !strings.Contains(out, "/station-enrol") {
		t.Errorf("%v %s", err, out)
	}
	if out, err := run("", "replace-key", "permit"); err != nil || !strings.Contains(out, "replacement 1 of the permit key") {
		t.Errorf("%v %s", err, out)
	}
	if _, err := os.Stat(filepath.Join(s.dir, "keys", "permit-1.vkey")); err != nil {
		t.Error(err)
	}
	if err := os.WriteFile(file, []byte(`{"name":"x","wheels":4}`), 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := run("", add...); err == nil || !strings.Contains(out, "wheels") {
		t.Errorf("a profile with an unknown field: %v %s", err, out)
	}
}
