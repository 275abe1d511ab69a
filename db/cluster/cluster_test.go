package cluster

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"go.uber.org/goleak"
)

// TestMain is also the supervisor that TestSupervisorKilled kills.
func TestMain(m *testing.M) {
	if dir := os.Getenv("CLUSTER_TEST_SUPERVISE"); dir != "" {
		os.Exit(supervise(dir))
	}
	goleak.VerifyTestMain(m)
}

// supervise runs the cluster in dir until its standard input ends and writes
// the socket's connection string to standard output once it is ready.
func supervise(dir string) int {
	ctx, cancel := context.WithCancel(context.Background())
	go func() {
		io.Copy(io.Discard, os.Stdin)
		cancel()
	}()
	c, err := New(Config{Dir: dir, Volatile: true})
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	go func() {
		<-c.Ready()
		fmt.Println(c.URL(Supervisor, Database))
	}()
	if err := c.Run(ctx); err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	return 0
}

// newFolder returns a folder that every user can reach, unlike t.TempDir.
func newFolder(t *testing.T) string {
	t.Helper()
	if testing.Short() {
		t.Skip("runs a real server")
	}
	dir, err := os.MkdirTemp("", "cluster-test-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := os.RemoveAll(dir); err != nil {
			t.Error(err)
		}
	})
	if err := os.Chmod(dir, 0o711); err != nil {
		t.Fatal(err)
	}
	return filepath.Join(dir, "pg")
}

type running struct {
	*Cluster
	cancel context.CancelFunc
	result chan error
	ended  bool
}

// start runs c until it is ready; the test's end stops it.
func start(t *testing.T, c *Cluster) *running {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	r := &running{Cluster: c, cancel: cancel, result: make(chan error, 1)}
	go func() { r.result <- c.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if !r.ended {
			<-r.result
		}
	})
	select {
	case <-c.Ready():
	case err := <-r.result:
		r.ended = true
		t.Fatalf("no server: %v", err)
	}
	return r
}

// refusal runs c, which is to be refused; had it started, Run would not return.
func refusal(t *testing.T, c *Cluster) error {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	go func() {
		select {
		case <-c.Ready():
			cancel()
		case <-ctx.Done():
		}
	}()
	return c.Run(ctx)
}

func (r *running) stop(t *testing.T) {
	t.Helper()
	r.cancel()
	if err := r.wait(); err != nil {
		t.Fatalf("stop: %v", err)
	}
	if _, err := os.Stat(r.socket); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("socket folder after stop: %v, want none", err)
	}
}

func (r *running) wait() error {
	r.ended = true
	return <-r.result
}

func (r *running) data() string { return filepath.Join(r.cfg.Dir, "data") }

func mustNew(t *testing.T, cfg Config) *Cluster {
	t.Helper()
	cfg.Log = slog.New(slog.NewTextHandler(t.Output(), nil))
	c, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func connect(t *testing.T, url string) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close(context.Background()) })
	return conn
}

func exec1(t *testing.T, r *running, role, sql string) error {
	t.Helper()
	conn := connect(t, r.URL(role, Database))
	defer conn.Close(t.Context())
	_, err := conn.Exec(t.Context(), sql)
	return err
}

func query[T any](t *testing.T, r *running, sql string) T {
	t.Helper()
	conn := connect(t, r.URL(Supervisor, Database))
	defer conn.Close(t.Context())
	var v T
	if err := conn.QueryRow(t.Context(), sql).Scan(&v); err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
	return v
}

func serverPID(t *testing.T, r *running) int {
	t.Helper()
	pid, status := readPIDFile(r.data())
	if pid <= 0 || status != "ready" {
		t.Fatalf("pid file says %d %q", pid, status)
	}
	return pid
}

// service returns the folder and user of a cluster as Run would choose them,
// so that a test can start a server program by itself.
func service(t *testing.T, dir string) *home {
	t.Helper()
	h := &home{base: dir, uid: os.Geteuid(), gid: os.Getegid(), root: os.Geteuid() == 0}
	if err := h.findOwner(); err != nil {
		t.Fatal(err)
	}
	return h
}

// startUnsupervised starts cmd without the link to the life of this process.
func startUnsupervised(t *testing.T, cmd *exec.Cmd) {
	t.Helper()
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true, Credential: cmd.SysProcAttr.Credential}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		cmd.Process.Kill()
		cmd.Wait()
	})
}

// startAlone starts a server that nobody supervises and that outlives us.
func startAlone(t *testing.T, dir string) *exec.Cmd {
	t.Helper()
	bin, err := Find(t.Context(), "", filepath.Join(dir, "data"))
	if err != nil {
		t.Fatal(err)
	}
	h := service(t, dir)
	socket, err := h.makeSocket()
	if err != nil {
		t.Fatal(err)
	}
	cmd := h.command(bin.path("postgres"), "-D", h.data(), "-k", socket, "-p", port, "-c", "listen_addresses=")
	startUnsupervised(t, cmd)
	ok, err := within(t.Context(), 20*time.Second, func() bool {
		pid, status := readPIDFile(h.data())
		return pid == cmd.Process.Pid && status == "ready"
	})
	if !ok || err != nil {
		t.Fatalf("server alone not ready: %v", err)
	}
	return cmd
}

const keep = `CREATE TABLE IF NOT EXISTS bed_sign (n int); INSERT INTO bed_sign SELECT generate_series(1, 1000)`

func mustKeep(t *testing.T, r *running, want int) {
	t.Helper()
	if got := query[int](t, r, "SELECT count(*) FROM bed_sign"); got != want {
		t.Fatalf("%d rows after the restart, want %d", got, want)
	}
}

func TestStartStopStart(t *testing.T) {
	dir := newFolder(t)
	begun := time.Now()
	r := start(t, mustNew(t, Config{Dir: dir, Settings: map[string]string{"work_mem": "5MB"}}))
	if got := query[int](t, r, "SELECT 6*7"); got != 42 {
		t.Fatalf("got %d", got)
	}
	t.Logf("uid %d: nothing to first query in %v", os.Geteuid(), time.Since(begun).Round(time.Millisecond))

	for name, want := range map[string]string{
		"listen_addresses": "", "unix_socket_permissions": "0700", "cluster_name": "kerfgate",
		"fsync": "on", "synchronous_commit": "on", "full_page_writes": "on", "work_mem": "5MB",
		"server_encoding": "UTF8", "lc_collate": "C", "TimeZone": "UTC", "logging_collector": "off",
	} {
		got := query[string](t, r, `SELECT coalesce((SELECT case name when 'unix_socket_permissions' then setting
			else current_setting(name) end FROM pg_settings WHERE name = '`+name+`'),
			(SELECT datcollate FROM pg_database WHERE datname = current_database()))`)
		if got != want {
			t.Errorf("%s is %q, want %q", name, got, want)
		}
	}
	if n := len(filepath.Join(r.socket, socketFile)); n > 100 {
		t.Errorf("socket path has %d bytes", n)
	}
	if err := exec1(t, r, Supervisor, keep); err != nil {
		t.Fatal(err)
	}
	begun = time.Now()
	r.stop(t)
	t.Logf("stop in %v", time.Since(begun).Round(time.Millisecond))

	begun = time.Now()
	r = start(t, mustNew(t, Config{Dir: dir}))
	mustKeep(t, r, 1000)
	t.Logf("start again to first query in %v", time.Since(begun).Round(time.Millisecond))
	r.stop(t)
}

func TestRunOnce(t *testing.T) {
	t.Parallel()
	r := start(t, mustNew(t, Config{Dir: newFolder(t), Volatile: true}))
	if err := r.Run(t.Context()); err == nil {
		t.Error("a second Run was accepted")
	}
	if err := Prepare(t.Context(), r.URL(Supervisor, "postgres")); err != nil {
		t.Errorf("Prepare again: %v", err)
	}
}

func TestGroupKilled(t *testing.T) {
	t.Parallel()
	dir := newFolder(t)
	r := start(t, mustNew(t, Config{Dir: dir}))
	if err := exec1(t, r, Supervisor, keep); err != nil {
		t.Fatal(err)
	}
	if err := syscall.Kill(-serverPID(t, r), syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	if err := r.wait(); err == nil {
		t.Fatal("Run returned nil though its server was killed")
	}
	begun := time.Now()
	r = start(t, mustNew(t, Config{Dir: dir}))
	mustKeep(t, r, 1000)
	t.Logf("recovered in %v", time.Since(begun).Round(time.Millisecond))
}

// A child at work when its server is killed holds the shared memory until it
// is told to leave.
func TestServerKilledChildBusy(t *testing.T) {
	t.Parallel()
	dir := newFolder(t)
	r := start(t, mustNew(t, Config{Dir: dir}))
	if err := exec1(t, r, Supervisor, keep); err != nil {
		t.Fatal(err)
	}
	pid := serverPID(t, r)
	conn := connect(t, r.URL(Supervisor, Database))
	busy := make(chan error, 1)
	go func() {
		_, err := conn.Exec(t.Context(), "DO $$ BEGIN LOOP END LOOP; END $$")
		busy <- err
	}()
	if ok, err := within(t.Context(), 20*time.Second, func() bool {
		return query[int](t, r, "SELECT count(*) FROM pg_stat_activity WHERE state = 'active' AND query LIKE 'DO %'") == 1
	}); !ok || err != nil {
		t.Fatalf("the child does not get busy: %v", err)
	}
	if err := syscall.Kill(pid, syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	if err := r.wait(); err == nil {
		t.Fatal("Run returned nil though its server was killed")
	}
	begun := time.Now()
	r = start(t, mustNew(t, Config{Dir: dir}))
	mustKeep(t, r, 1000)
	t.Logf("recovered in %v", time.Since(begun).Round(time.Millisecond))
	if err := <-busy; err == nil {
		t.Error("the busy child answered")
	}
}

func TestLeftoverStopped(t *testing.T) {
	t.Parallel()
	dir := newFolder(t)
	r := start(t, mustNew(t, Config{Dir: dir, Volatile: true}))
	if err := exec1(t, r, Supervisor, keep); err != nil {
		t.Fatal(err)
	}
	r.stop(t)
	alone := startAlone(t, dir)
	old, err := os.ReadFile(filepath.Join(dir, "socket"))
	if err != nil {
		t.Fatal(err)
	}
	// It is our child and we do not wait for it: once stopped it is a zombie.
	r = start(t, mustNew(t, Config{Dir: dir, Volatile: true}))
	if pid := serverPID(t, r); pid == alone.Process.Pid {
		t.Fatal("the server that was left behind still runs")
	}
	if err := alone.Wait(); err != nil {
		t.Errorf("the server that was left behind did not stop in order: %v", err)
	}
	if _, err := os.Stat(strings.TrimSpace(string(old))); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("its socket folder: %v, want none", err)
	}
	mustKeep(t, r, 1000)
}

// A killed server whose parent never collects it leaves its number in the pid
// file and in the process table.
func TestLeftoverZombie(t *testing.T) {
	t.Parallel()
	dir := newFolder(t)
	start(t, mustNew(t, Config{Dir: dir, Volatile: true})).stop(t)
	alone := startAlone(t, dir)
	if err := syscall.Kill(-alone.Process.Pid, syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	r := start(t, mustNew(t, Config{Dir: dir, Volatile: true}))
	if query[int](t, r, "SELECT 1") != 1 {
		t.Error("no answer")
	}
}

func pidText(pid int, data string) string {
	return fmt.Sprintf("%d\n%s\n1\n5432\n/nowhere\n\n  1  1\nready   \n", pid, data)
}

// The number in a stale pid file may belong to anybody by now.
func TestPIDReused(t *testing.T) {
	t.Parallel()
	dir := newFolder(t)
	start(t, mustNew(t, Config{Dir: dir, Volatile: true})).stop(t)
	bystander := service(t, dir).command("sleep", "1000")
	startUnsupervised(t, bystander)
	pidFile := filepath.Join(dir, "data", "postmaster.pid")
	stale := []string{"", "damaged", pidText(bystander.Process.Pid, filepath.Dir(pidFile))}
	if other, err := strconv.Atoi(os.Getenv("CLUSTER_TEST_OTHER")); err == nil {
		stale = append(stale, pidText(other, filepath.Dir(pidFile))) // another user's server
	}
	for _, stale := range stale {
		if err := os.WriteFile(pidFile, []byte(stale), 0o600); err != nil {
			t.Fatal(err)
		}
		start(t, mustNew(t, Config{Dir: dir, Volatile: true})).stop(t)
	}
	if err := bystander.Process.Signal(syscall.Signal(0)); err != nil {
		t.Errorf("the bystander was hit: %v", err)
	}
}

func TestTwoStarters(t *testing.T) {
	t.Parallel()
	dir := newFolder(t)
	r := start(t, mustNew(t, Config{Dir: dir, Volatile: true}))
	err := refusal(t, mustNew(t, Config{Dir: dir, Volatile: true}))
	if !errors.Is(err, ErrInUse) {
		t.Fatalf("got %v, want ErrInUse", err)
	}
	if !strings.Contains(err.Error(), fmt.Sprintf("process %d", os.Getpid())) {
		t.Errorf("%v does not name the process", err)
	}
	if query[int](t, r, "SELECT 1") != 1 {
		t.Error("the first one no longer answers")
	}
}

func TestCancelledWhileStarting(t *testing.T) {
	t.Parallel()
	dir := newFolder(t)
	ctx, cancel := context.WithCancel(context.Background())
	c := mustNew(t, Config{Dir: dir, Volatile: true})
	result := make(chan error, 1)
	go func() { result <- c.Run(ctx) }()
	grow := filepath.Join(dir, "data.new", "PG_VERSION")
	if ok, err := within(t.Context(), 20*time.Second, func() bool { _, err := os.Stat(grow); return err == nil }); !ok || err != nil {
		t.Fatalf("initdb does not begin: %v", err)
	}
	cancel()
	if err := <-result; !errors.Is(err, context.Canceled) {
		t.Fatalf("got %v, want context.Canceled", err)
	}
	if c.URL(App, Database) != "" {
		t.Error("a connection string though there is no server")
	}
	if _, err := os.Stat(filepath.Join(dir, "data")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("unfinished data folder: %v, want none", err)
	}
	start(t, mustNew(t, Config{Dir: dir, Volatile: true}))
}

func TestBadSetting(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"listen_addresses", "fsync", "hba_file", "work_mem=1 -c port", ""} {
		if _, err := New(Config{Dir: "x", Settings: map[string]string{name: "1"}}); err == nil {
			t.Errorf("the setting %q was accepted", name)
		}
	}
	if _, err := New(Config{}); err == nil {
		t.Error("a Config without Dir was accepted")
	}
	c := mustNew(t, Config{Dir: newFolder(t), Volatile: true, Settings: map[string]string{"work_mem": "lots"}})
	if err := refusal(t, c); err == nil || !strings.Contains(err.Error(), "work_mem") {
		t.Errorf("got %v, want what the server's log says", err)
	}
}

func TestLogBounded(t *testing.T) {
	t.Parallel()
	h := &home{base: t.TempDir()}
	log, err := h.openLog()
	if err != nil {
		t.Fatal(err)
	}
	defer log.Close()
	line := strings.Repeat("x", 99) + "\n"
	for range 2000 {
		if _, err := log.WriteString(line); err != nil {
			t.Fatal(err)
		}
	}
	if err := boundLog(log, 1<<20); err != nil {
		t.Fatal(err)
	}
	if st, _ := log.Stat(); st.Size() != 200000 {
		t.Errorf("%d bytes, want all 200000 below the limit", st.Size())
	}
	if err := boundLog(log, 100_000); err != nil {
		t.Fatal(err)
	}
	if _, err := log.WriteString("last\n"); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(log.Name())
	if err != nil {
		t.Fatal(err)
	}
	if len(text) > logKept+5 || len(text) < logKept-100 || !strings.HasPrefix(string(text), line) || !strings.HasSuffix(string(text), line+"last\n") {
		t.Errorf("%d bytes, want at most %d of whole lines and what came after", len(text), logKept+5)
	}
}

func TestRoles(t *testing.T) {
	t.Parallel()
	r := start(t, mustNew(t, Config{Dir: newFolder(t), Volatile: true}))
	checkRoles := func(t *testing.T) {
		t.Helper()
		got := query[string](t, r, `SELECT string_agg(rolname || ' ' || (rolsuper OR rolcreatedb OR rolcreaterole OR rolreplication OR rolbypassrls)::text
			|| ' ' || rolcanlogin::text, ', ' ORDER BY rolname) FROM pg_roles WHERE rolname LIKE 'kerfgate%' AND oid <> 10`)
		if want := "kerfgate_app false true, kerfgate_owner false true, kerfgate_reader false true"; got != want {
			t.Fatalf("roles are %s, want %s", got, want)
		}
		if got := query[string](t, r, "SELECT pg_get_userbyid(datdba) FROM pg_database WHERE datname = 'kerfgate'"); got != Owner {
			t.Errorf("the database belongs to %s", got)
		}
		if got := query[bool](t, r, "SELECT EXISTS (SELECT FROM pg_database, aclexplode(datacl) a WHERE datname = 'kerfgate' AND a.grantee = 0)"); got {
			t.Error("the public may do something with the database")
		}
		if err := exec1(t, r, Owner, `CREATE TABLE label (n int); INSERT INTO label VALUES (1);
			GRANT SELECT, INSERT ON label TO kerfgate_app; GRANT SELECT ON label TO kerfgate_reader`); err != nil {
			t.Fatalf("owner: %v", err)
		}
		for _, c := range []struct{ role, sql, code string }{
			{App, "INSERT INTO label VALUES (2)", ""},
			{App, "SELECT n FROM label", ""},
			{Reader, "SELECT n FROM label", ""},
			// Codes: PostgreSQL's documentation, appendix A, class 42 and 25.
			{App, "CREATE TABLE mine (n int)", "42501"},
			{App, "CREATE TEMP TABLE mine (n int)", "42501"},
			{App, "CREATE SCHEMA mine", "42501"},
			{App, "DROP TABLE label", "42501"},
			{App, "DELETE FROM label", "42501"},
			{App, "SET ROLE kerfgate_owner", "42501"},
			{App, "SET session_replication_role = replica", "42501"},
			{Reader, "INSERT INTO label VALUES (3)", "25006"},
			{Reader, "SET default_transaction_read_only = off; INSERT INTO label VALUES (3)", "25006"},
			{Reader, "BEGIN READ WRITE; INSERT INTO label VALUES (3); COMMIT", "42501"},
			{Reader, "BEGIN READ WRITE; CREATE TABLE mine (n int); COMMIT", "42501"},
			{Owner, "CREATE ROLE other", "42501"},
			{Owner, "CREATE DATABASE other", "42501"},
		} {
			err := exec1(t, r, c.role, c.sql)
			var refused *pgconn.PgError
			switch {
			case c.code == "" && err != nil:
				t.Errorf("%s: %s: %v", c.role, c.sql, err)
			case c.code != "" && (!errors.As(err, &refused) || refused.Code != c.code):
				t.Errorf("%s: %s: got %v, want %s", c.role, c.sql, err, c.code)
			}
		}
	}
	checkRoles(t)

	// The script for a shared server makes the same, also where a role was
	// given too much, and may run twice.
	admin := connect(t, r.URL(Supervisor, "postgres"))
	for _, sql := range []string{
		"DROP DATABASE kerfgate WITH (FORCE)", "DROP ROLE kerfgate_owner", "DROP ROLE kerfgate_reader",
		"ALTER ROLE kerfgate_app SUPERUSER CREATEDB",
	} {
		if _, err := admin.Exec(t.Context(), sql); err != nil {
			t.Fatal(err)
		}
	}
	script := filepath.Join(t.TempDir(), "roles.sql")
	if err := os.WriteFile(script, []byte(RolesSQL()), 0o600); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		out, err := exec.Command("psql", "-X", "-q", "-d", r.URL(Supervisor, "postgres"), "-f", script).CombinedOutput()
		if err != nil {
			t.Fatalf("psql: %v\n%s", err, out)
		}
	}
	checkRoles(t)
}
