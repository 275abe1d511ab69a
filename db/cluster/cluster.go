// Package cluster runs one private PostgreSQL server: programs found on the
// machine, one data folder, one unix socket that only the server's own user
// and root can reach, no network port.
//
// # Who may do what
//
// The server trusts whoever reaches its socket, so the folder of the socket
// (mode 0700, in the machine's temporary folder because the path of a unix
// socket is short) is what keeps other people out. Behind it stand four roles.
// [Supervisor] is the superuser, for this package and for tests. [Owner] runs
// migrations and nothing else, [App] is the running server, [Reader] reads.
//
// # Where the data lies
//
//	Dir/data         the data folder of PostgreSQL
//	Dir/server.log   what the server said since its last start, at most 8 MiB
//	Dir/socket       a file that names the folder of the socket
//	Dir/lock         held while a Cluster runs
//
// PostgreSQL refuses to run as root. Started by root, the server runs as the
// owner of the data folder; for a new one that is the user "postgres", or
// "nobody" where there is no such user. That user must be able to walk down to
// the data folder. Where it cannot (Dir is under /root, say) all four lie in
// /var/lib/kerfgate-<hash> or else /var/tmp/kerfgate-<hash>, and Dir/location
// is a file that names that folder; a copy or a removal of Dir has to follow
// it.
//
// # Who is in charge
//
// The process that holds Dir/lock. It stops a server that an earlier process
// left behind before it starts its own. On Linux the kernel asks the server to
// stop when the process in charge dies; elsewhere it stays until the next start.
package cluster

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"sort"
	"sync/atomic"
	"syscall"
	"time"
)

// ErrInUse says that another process runs the cluster of the same folder.
var ErrInUse = errors.New("the database folder is in use by another process")

// Config says where the data lies and how the server runs.
type Config struct {
	// Dir is the folder for everything that belongs to this server. It is
	// made if missing. Required.
	Dir string
	// BinDir is the folder that holds initdb and postgres. Empty means look
	// for it; see [Find].
	BinDir string
	// Volatile gives up durability for speed (fsync, synchronous_commit and
	// full_page_writes are off): a power cut may destroy the data. For tests.
	Volatile bool
	// Settings are further server parameters, by name, such as "work_mem".
	Settings map[string]string
	// Log hears of starts, stops and repairs. Nil means silence.
	Log *slog.Logger
}

// WithDefaults returns c with an absolute Dir and a Log.
func (c Config) WithDefaults() Config {
	if c.Dir != "" {
		// Abs fails only without a working folder; validate then refuses.
		if abs, err := filepath.Abs(c.Dir); err == nil {
			c.Dir = abs
		}
	}
	if c.Log == nil {
		c.Log = slog.New(slog.DiscardHandler)
	}
	return c
}

var settingName = regexp.MustCompile(`^[a-z_][a-z0-9_]*(\.[a-z_][a-z0-9_]*)?$`)

// fixed are the parameters that this package decides, because who can reach
// the server, where the data lies and whether it lasts depend on them.
var fixed = map[string]bool{
	"listen_addresses": true, "port": true, "unix_socket_directories": true,
	"unix_socket_permissions": true, "unix_socket_group": true,
	"data_directory": true, "config_file": true, "hba_file": true, "ident_file": true,
	"external_pid_file": true, "logging_collector": true, "log_destination": true,
	"fsync": true, "synchronous_commit": true, "full_page_writes": true,
}

func (c Config) validate() error {
	if !filepath.IsAbs(c.Dir) {
		return fmt.Errorf("cluster: Dir must be a folder, got %q", c.Dir)
	}
	for name := range c.Settings {
		if !settingName.MatchString(name) {
			return fmt.Errorf("cluster: %q is not the name of a server parameter", name)
		}
		if fixed[name] {
			return fmt.Errorf("cluster: the server parameter %s cannot be set", name)
		}
	}
	return nil
}

// A Cluster is one private server. Make it with [New].
type Cluster struct {
	cfg    Config
	ran    atomic.Bool
	ready  chan struct{}
	socket string // folder of the socket; set before ready is closed
	// elsewhere are the parents of the folder that is used when the service
	// user cannot reach cfg.Dir.
	elsewhere []string
}

// New checks cfg. It starts nothing and touches no file.
func New(cfg Config) (*Cluster, error) {
	cfg = cfg.WithDefaults()
	if err := cfg.validate(); err != nil {
		return nil, err
	}
	return &Cluster{
		cfg: cfg, ready: make(chan struct{}),
		elsewhere: []string{"/var/lib", "/var/tmp"},
	}, nil
}

// Ready is closed once the server answers and roles and database exist. It
// stays open if Run fails before that, so wait for Run's result as well.
func (c *Cluster) Ready() <-chan struct{} { return c.ready }

// URL returns the connection string, in the form that pgx and libpq read, for
// role in database. Before Ready it returns "".
func (c *Cluster) URL(role, database string) string {
	select {
	case <-c.ready:
		return socketURL(c.socket, role, database)
	default:
		return ""
	}
}

// The port is part of a socket's file name and must not come from PGPORT.
const port = "5432"

func socketURL(folder, role, database string) string {
	u := url.URL{
		Scheme: "postgres", User: url.User(role), Path: "/" + database,
		RawQuery: url.Values{"host": {folder}, "port": {port}}.Encode(),
	}
	return u.String()
}

// How long a server may take to stop after it was asked to, and then after it
// was told to leave without a checkpoint (the next start then recovers).
const (
	fastStop      = 15 * time.Second
	immediateStop = 10 * time.Second
)

// Run makes the data folder if there is none, stops a server that an earlier
// process left behind, starts the server, makes roles and database, and blocks
// until ctx ends or the server does. It returns nil only after a clean stop
// that ctx asked for. Errors match [ErrNoPostgres] and [ErrInUse]. A Cluster
// runs once.
func (c *Cluster) Run(ctx context.Context) (err error) {
	if c.ran.Swap(true) {
		return errors.New("cluster: Run was called before")
	}
	h, err := openHome(c.cfg.Dir, c.elsewhere)
	if err != nil {
		return err
	}
	defer h.close()

	bin, err := Find(ctx, c.cfg.BinDir, h.data())
	if err != nil {
		return err
	}
	if err := endLeftover(ctx, h.data(), c.cfg.Log); err != nil {
		return err
	}
	h.removeOldSocket()
	log, err := h.openLog()
	if err != nil {
		return err
	}
	defer log.Close()
	if err := c.initialise(ctx, bin, h, log); err != nil {
		return err
	}
	socket, err := h.makeSocket()
	if err != nil {
		return err
	}
	defer h.removeOldSocket()

	begun := time.Now()
	server, err := launch(h.command(bin.path("postgres"), c.arguments(h.data(), socket)...), log)
	if err != nil {
		return err
	}
	defer func() {
		if stopErr := server.stop(); err == nil && stopErr != nil {
			err = fmt.Errorf("stop of the database server: %w%s", stopErr, lastWords(log))
		}
	}()
	if err := server.wait(ctx, h.data()); err != nil {
		return notReady(ctx, err, log)
	}
	if err := Prepare(ctx, socketURL(socket, Supervisor, "postgres")); err != nil {
		return notReady(ctx, err, log)
	}
	c.socket = socket
	close(c.ready)
	c.cfg.Log.Info("database server ready", "version", bin.Version, "data", h.data(),
		"socket", socket, "took", time.Since(begun).Round(time.Millisecond))

	bound := time.NewTicker(logInterval)
	defer bound.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-server.done:
			return fmt.Errorf("the database server stopped by itself: %v%s", server.cmd.ProcessState, lastWords(log))
		case <-bound.C:
			if err := boundLog(log, logLimit); err != nil {
				c.cfg.Log.Warn("database log not cut", "error", err)
			}
		}
	}
}

// notReady says why there was no server to use; an end that ctx asked for is
// not a failure of the server, so its log is left out.
func notReady(ctx context.Context, err error, log *os.File) error {
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	return fmt.Errorf("start of the database server: %w%s", err, lastWords(log))
}

// initialise makes the data folder. It grows under another name, so that one
// that was cut short is never taken for a database.
func (c *Cluster) initialise(ctx context.Context, bin Binaries, h *home, log *os.File) error {
	if _, err := os.Lstat(h.data()); err == nil {
		return nil
	}
	grow := h.data() + ".new"
	if err := os.RemoveAll(grow); err != nil {
		return err
	}
	if err := os.Mkdir(grow, 0o700); err != nil {
		return err
	}
	if err := h.give(grow); err != nil {
		return err
	}
	// Host entries reject: were the folder ever started by hand with a port
	// open, trust must not reach beyond the socket.
	args := []string{"-D", grow, "-U", Supervisor, "--auth-local=trust", "--auth-host=reject",
		"-E", "UTF8", "--no-locale", "--no-instructions"}
	if c.cfg.Volatile {
		args = append(args, "--no-sync")
	}
	p, err := launch(h.command(bin.path("initdb"), args...), log)
	if err != nil {
		return err
	}
	select {
	case <-p.done:
	case <-ctx.Done():
		p.signalGroup(syscall.SIGKILL)
		<-p.done
		return context.Cause(ctx)
	}
	if err := p.exit(); err != nil {
		return fmt.Errorf("initdb: %w%s", err, lastWords(log))
	}
	if err := os.Rename(grow, h.data()); err != nil {
		return err
	}
	return syncFolder(h.base)
}

func (c *Cluster) arguments(data, socket string) []string {
	set := map[string]string{
		"cluster_name":    "kerfgate",
		"jit":             "off", // a query here is over before its code were compiled
		"shared_buffers":  "64MB",
		"max_connections": "60",
		"max_wal_size":    "256MB",
		"timezone":        "UTC",
		"log_timezone":    "UTC",
		"log_line_prefix": "%m [%p] %u@%d ",
	}
	for name, value := range c.cfg.Settings {
		set[name] = value
	}
	set["listen_addresses"] = ""
	set["unix_socket_permissions"] = "0700"
	set["logging_collector"] = "off"
	set["log_destination"] = "stderr"
	if c.cfg.Volatile {
		set["fsync"], set["synchronous_commit"], set["full_page_writes"] = "off", "off", "off"
	}
	args := []string{"-D", data, "-k", socket, "-p", port}
	for name, value := range set {
		args = append(args, "--"+name+"="+value)
	}
	sort.Strings(args[6:])
	return args
}
