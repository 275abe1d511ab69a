package cluster

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"strconv"
	"strings"
	"time"
)

// ErrNoPostgres says that no usable server programs were found. The message
// of the error that wraps it ends with what to type.
var ErrNoPostgres = errors.New("no usable PostgreSQL server programs")

// oldest is the first major version whose initdb knows --no-instructions and
// that the schema is written for.
const oldest = 14

// Binaries are the server programs of one PostgreSQL version.
type Binaries struct {
	Dir     string // folder that holds initdb and postgres
	Major   int    // such as 15
	Version string // such as "15.18"
}

func (b Binaries) path(name string) string { return filepath.Join(b.Dir, name) }

// Find looks for initdb and postgres, version 14 or newer: in binDir and
// nowhere else if binDir is given, otherwise where pg_config points, on PATH,
// and where Debian, the PostgreSQL project's RPM packages and Homebrew put
// them. If dataDir (the folder that holds PG_VERSION) exists, only the major
// version that made it will do; otherwise the newest is taken. An error
// matches [ErrNoPostgres].
func Find(ctx context.Context, binDir, dataDir string) (Binaries, error) {
	want, err := majorOf(dataDir)
	if err != nil {
		return Binaries{}, err
	}
	folders := []string{binDir}
	if binDir == "" {
		folders = likelyFolders(ctx)
	}
	var best Binaries
	var seen []string
	for _, dir := range folders {
		b, ok := examine(ctx, dir)
		if !ok {
			continue
		}
		seen = append(seen, b.Version+" in "+b.Dir)
		fits := b.Major >= oldest && (want == 0 || b.Major == want)
		if fits && b.Major > best.Major {
			best = b
		}
	}
	if err := ctx.Err(); err != nil {
		return Binaries{}, err
	}
	if best.Dir == "" {
		release, _ := os.ReadFile("/etc/os-release")
		return Binaries{}, notFound(binDir, dataDir, want, seen,
			installCommand(runtime.GOOS, string(release), os.Geteuid() == 0, want))
	}
	return best, nil
}

// majorOf reads PG_VERSION in dataDir; 0 means that there is none.
func majorOf(dataDir string) (int, error) {
	name := filepath.Join(dataDir, "PG_VERSION")
	text, err := os.ReadFile(name)
	if errors.Is(err, os.ErrNotExist) {
		return 0, nil
	}
	if err != nil {
		return 0, err
	}
	major, err := strconv.Atoi(strings.TrimSpace(string(text)))
	if err != nil {
		return 0, fmt.Errorf("%s does not hold a version: %w", name, err)
	}
	return major, nil
}

func likelyFolders(ctx context.Context) []string {
	var list []string
	if out, err := run(ctx, "pg_config", "--bindir"); err == nil {
		list = append(list, out)
	}
	list = append(list, filepath.SplitList(os.Getenv("PATH"))...)
	for _, pattern := range []string{
		"/usr/lib/postgresql/*/bin",
		"/usr/pgsql-*/bin",
		"/opt/homebrew/opt/postgresql@*/bin",
		"/usr/local/opt/postgresql@*/bin",
		"/home/linuxbrew/.linuxbrew/opt/postgresql@*/bin",
	} {
		found, _ := filepath.Glob(pattern) // errs only on a malformed pattern
		list = append(list, found...)
	}
	return list
}

var versionLine = regexp.MustCompile(`^postgres \(PostgreSQL\) ((\d+)\S*)`)

func examine(ctx context.Context, dir string) (Binaries, bool) {
	if !filepath.IsAbs(dir) {
		return Binaries{}, false
	}
	b := Binaries{Dir: dir}
	for _, name := range []string{"initdb", "postgres"} {
		if st, err := os.Stat(b.path(name)); err != nil || !st.Mode().IsRegular() || st.Mode()&0o111 == 0 {
			return Binaries{}, false
		}
	}
	out, err := run(ctx, b.path("postgres"), "--version")
	if err != nil {
		return Binaries{}, false
	}
	m := versionLine.FindStringSubmatch(out)
	if m == nil {
		return Binaries{}, false
	}
	b.Version = m[1]
	b.Major, err = strconv.Atoi(m[2])
	return b, err == nil
}

func run(ctx context.Context, name string, args ...string) (string, error) {
	ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	out, err := exec.CommandContext(ctx, name, args...).Output()
	return strings.TrimSpace(string(out)), err
}

func notFound(binDir, dataDir string, want int, seen []string, command string) error {
	need := fmt.Sprintf("version %d or newer", oldest)
	if want != 0 {
		need = fmt.Sprintf("version %d, which made %s", want, dataDir)
	}
	where := "on this machine"
	if binDir != "" {
		where = "in " + binDir
	}
	found := "found none"
	if len(seen) > 0 {
		found = "found only " + strings.Join(seen, ", ")
	}
	return fmt.Errorf("%w: looked %s for initdb and postgres, %s; %s. To install them: %s. "+
		"If they are installed already, set KERFGATE_PG_BIN to the folder that holds both",
		ErrNoPostgres, where, need, found, command)
}

// installCommand says what to type on the system that goos and the text of
// /etc/os-release (freedesktop.org os-release(5)) describe. major 0 means any.
func installCommand(goos, release string, root bool, major int) string {
	sudo := "sudo "
	if root {
		sudo = ""
	}
	like := ""
	for line := range strings.Lines(release) {
		key, value, _ := strings.Cut(strings.TrimSpace(line), "=")
		if key == "ID" || key == "ID_LIKE" {
			like += " " + strings.Trim(value, `"'`)
		}
	}
	has := func(names ...string) bool {
		for _, id := range strings.Fields(like) {
			for _, name := range names {
				if id == name {
					return true
				}
			}
		}
		return false
	}
	switch {
	case goos == "darwin" && major != 0:
		return fmt.Sprintf("brew install postgresql@%d", major)
	case goos == "darwin":
		return "brew install postgresql@17"
	case goos != "linux":
		return "install the PostgreSQL server with your system's packages"
	case has("debian", "ubuntu") && major != 0:
		return fmt.Sprintf("%sapt-get install postgresql-%d", sudo, major)
	case has("debian", "ubuntu"):
		return sudo + "apt-get install postgresql"
	case has("fedora", "rhel", "centos"):
		return sudo + "dnf install postgresql-server"
	case has("arch"):
		return sudo + "pacman -S postgresql"
	}
	return "install the PostgreSQL server with your system's packages"
}
