package cluster

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// fakeBinaries makes a folder with programs that answer --version only.
func fakeBinaries(t *testing.T, version string) string {
	t.Helper()
	dir := t.TempDir()
	script := "#!/bin/sh\necho 'postgres (PostgreSQL) " + version + "'\n"
	for _, name := range []string{"initdb", "postgres"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(script), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

func dataOf(t *testing.T, version string) string {
	t.Helper()
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "PG_VERSION"), []byte(version+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	return dir
}

func TestFindOnThisMachine(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("needs PostgreSQL")
	}
	b, err := Find(t.Context(), "", "")
	if err != nil {
		t.Fatal(err)
	}
	if b.Major < oldest || !strings.HasPrefix(b.Version, fmt.Sprint(b.Major)) {
		t.Errorf("found %+v", b)
	}
	again, err := Find(t.Context(), "", dataOf(t, fmt.Sprint(b.Major)))
	if err != nil || again != b {
		t.Errorf("for data of version %d: %+v, %v", b.Major, again, err)
	}
}

func TestFind(t *testing.T) {
	old, new14, beta := fakeBinaries(t, "13.22"), fakeBinaries(t, "14.3 (Debian 14.3-1)"), fakeBinaries(t, "98beta1")
	t.Setenv("PATH", strings.Join([]string{old, new14, "relative", beta, "/usr/bin", "/bin"}, ":"))
	for _, c := range []struct {
		name, bin, data, want string
		err                   error
	}{
		{"newest", "", "", beta, nil},
		{"data names the version", "", "14", new14, nil},
		{"nothing fits the data", "", "97", "", ErrNoPostgres},
		{"folder given", new14, "", new14, nil},
		{"folder given, too old", old, "", "", ErrNoPostgres},
		{"folder given, empty", t.TempDir(), "", "", ErrNoPostgres},
		{"folder given does not fit the data", beta, "14", "", ErrNoPostgres},
	} {
		t.Run(c.name, func(t *testing.T) {
			data := t.TempDir()
			if c.data != "" {
				data = dataOf(t, c.data)
			}
			b, err := Find(t.Context(), c.bin, data)
			if !errors.Is(err, c.err) || b.Dir != c.want {
				t.Errorf("got %q, %v; want %q, %v", b.Dir, err, c.want, c.err)
			}
		})
	}
	if _, err := Find(t.Context(), "", dataOf(t, "fifteen")); err == nil || errors.Is(err, ErrNoPostgres) {
		t.Errorf("damaged PG_VERSION: got %v", err)
	}
}

func TestNotFoundMessage(t *testing.T) {
	t.Parallel()
	got := notFound("", "", 0, nil, "sudo apt-get install postgresql").Error()
	want := "no usable PostgreSQL server programs: looked on this machine for initdb and postgres, " +
		"version 14 or newer; found none. To install them: sudo apt-get install postgresql. " +
		"If they are installed already, set KERFGATE_PG_BIN to the folder that holds both"
	if got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	got = notFound("", "/srv/data", 15, []string{"16.2 in /opt/bin"}, "brew install postgresql@15").Error()
	for _, part := range []string{"version 15, which made /srv/data", "found only 16.2 in /opt/bin", "brew install postgresql@15"} {
		if !strings.Contains(got, part) {
			t.Errorf("%s\ndoes not say %q", got, part)
		}
	}
}

// The texts of os-release are cut from what the systems' base packages hold,
// from memory.
func TestInstallCommand(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		goos, release string
		root          bool
		major         int
		want          string
	}{
		{"linux", "PRETTY_NAME=\"Debian GNU/Linux 12 (bookworm)\"\nID=debian\n", false, 0, "sudo apt-get install postgresql"},
		{"linux", "ID=debian\n", true, 15, "apt-get install postgresql-15"},
		{"linux", "ID=linuxmint\nID_LIKE=\"ubuntu debian\"\n", false, 0, "sudo apt-get install postgresql"},
		{"linux", "NAME=\"Fedora Linux\"\nID=fedora\n", true, 0, "dnf install postgresql-server"},
		{"linux", "ID=\"rocky\"\nID_LIKE=\"rhel centos fedora\"\n", false, 0, "sudo dnf install postgresql-server"},
		{"linux", "ID=arch\n", false, 0, "sudo pacman -S postgresql"},
		{"linux", "", false, 0, "install the PostgreSQL server with your system's packages"},
		{"darwin", "", false, 16, "brew install postgresql@16"},
		{"freebsd", "", true, 0, "install the PostgreSQL server with your system's packages"},
	} {
		if got := installCommand(c.goos, c.release, c.root, c.major); got != c.want {
			t.Errorf("%s %q: got %q, want %q", c.goos, c.release, got, c.want)
		}
	}
}
