package system_test

import (
	"bufio"
	"context"
	"database/sql"
	"errors"
	"io/fs"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"
	_ "github.com/jackc/pgx/v5/stdlib" // goose speaks database/sql

	"kerfgate/db"
	"kerfgate/db/cluster"
	"kerfgate/db/migration"
	"kerfgate/deploy/demo"
	"kerfgate/deploy/keyring"
	"kerfgate/deploy/workerd"
	"kerfgate/queue/broker/embedded"
	"kerfgate/worker/driver/simulated"
)

// site is a site whose parts live and die alone: Postgres and the broker in the test's own process,
// the server and one worker as processes that a test may kill.
type site struct {
	t       *testing.T
	dir     string
	keys    keyring.Keys
	pg      *cluster.Cluster
	broker  *embedded.Broker
	store   *db.Store // the test's own look at the database
	listen  string
	signIns []demo.SignIn
	machine db.Machine
	server  *process
	worker  *process
}

func newSite(t *testing.T) *site {
	t.Helper()
	s := &site{t: t, dir: dataDir(t)}
	var err error
	if s.keys, err = keyring.Open(filepath.Join(s.dir, "keys"), "garden"); err != nil {
		t.Fatal(err)
	}
	serverKey, err := s.keys.Server.PublicKey()
	if err != nil {
		t.Fatal(err)
	}
	if s.pg, err = cluster.New(cluster.Config{Dir: filepath.Join(s.dir, "postgres")}); err != nil {
		t.Fatal(err)
	}
	if s.broker, err = embedded.New(embedded.Config{StoreDir: filepath.Join(s.dir, "nats"), ServerKey: serverKey}); err != nil {
		t.Fatal(err)
	}
	s.ground()
	s.fill()
	s.listen = freeAddress(t)
	s.startServer()
	s.startWorker()
	return s
}

// ground runs database and broker until the test is over.
func (s *site) ground() {
	s.t.Helper()
	ctx, stop := context.WithCancel(context.Background())
	var wait sync.WaitGroup
	failed := make(chan error, 2)
	for _, run := range []func(context.Context) error{s.pg.Run, s.broker.Run} {
		wait.Go(func() {
			if err := run(ctx); err != nil {
				failed <- err
			}
		})
	}
	s.t.Cleanup(func() { stop(); wait.Wait() })
	for _, ready := range []<-chan struct{}{s.pg.Ready(), s.broker.Ready()} {
		select {
		case <-ready:
		case err := <-failed:
			s.t.Fatal(err)
		}
	}
	owner, err := sql.Open("pgx", s.pg.URL(cluster.Owner, cluster.Database))
	if err != nil {
		s.t.Fatal(err)
	}
	if err := errors.Join(migration.Up(s.t.Context(), owner), owner.Close()); err != nil {
		s.t.Fatal(err)
	}
	pool, err := pgxpool.New(s.t.Context(), s.pg.URL(cluster.App, cluster.Database))
	if err != nil {
		s.t.Fatal(err)
	}
	s.t.Cleanup(pool.Close)
	if s.store, err = db.New(db.Config{Pool: pool, PermitSigner: s.keys.PermitSigner, PermitVerifier: s.keys.PermitPublic,
		LogSigner: s.keys.LogSigner, LogVerifier: s.keys.LogPublic}); err != nil {
		s.t.Fatal(err)
	}
}

func (s *site) fill() {
	s.t.Helper()
	ctx := s.t.Context()
	if _, err := s.store.OpenSite(ctx, db.Site{Name: "garden", Kind: db.SiteWorkshop, FireWatchMinutes: 30}); err != nil {
		s.t.Fatal(err)
	}
	var err error
	if s.signIns, err = demo.SignIns(s.dir); err != nil {
		s.t.Fatal(err)
	}
	if err := demo.Fill(ctx, demo.Config{Store: s.store, Load: demo.NewLoad(s.signIns), Enrol: func(bay string) (string, error) {
		return workerd.Enrol(demo.WorkerFolder(s.dir, bay), s.keys.PermitPublic, s.keys.LogPublic)
	}}); err != nil {
		s.t.Fatal(err)
	}
	machines, err := s.store.Machines(ctx)
	if err != nil {
		s.t.Fatal(err)
	}
	s.machine = machines[0]
	keys, err := s.store.WorkerKeys(ctx)
	if err != nil {
		s.t.Fatal(err)
	}
	if err := s.broker.SetWorkers(keys); err != nil {
		s.t.Fatal(err)
	}
}

func (s *site) workerDir() string { return demo.WorkerFolder(s.dir, s.machine.Bay) }
func (s *site) address() string   { return "http://" + s.listen }

func (s *site) startServer() {
	s.t.Helper()
	s.server = start(s.t, "ready ", []string{"serve", "--database", s.pg.URL(cluster.App, cluster.Database), "--broker-url", s.broker.URL(),
		"--keys", filepath.Join(s.dir, "keys"), "--site", "garden", "--listen", s.listen})
}

func (s *site) startWorker() {
	s.t.Helper()
	s.worker = start(s.t, "listening ", []string{"worker", "--dir", s.workerDir(), "--machine", s.machine.ID.String(), "--broker", s.broker.URL(),
		"--origin", s.address()})
	if err := s.store.SetWorkerURL(s.t.Context(), s.machine.ID, strings.TrimPrefix(s.worker.said, "listening ")); err != nil {
		s.t.Fatal(err)
	}
}

// as signs a demo person in. A server that was just started may need a moment.
func (s *site) as(name string) *caller {
	s.t.Helper()
	for _, p := range s.signIns {
		if p.Name == name {
			return signIn(s.t, s.address(), name, p.Password)
		}
	}
	s.t.Fatalf("no demo account %s", name)
	return nil
}

// edges is how often energy was first commanded for a run: the machine's own durable count.
func (s *site) edges(run uuid.UUID) int {
	s.t.Helper()
	n, err := simulated.Edges(filepath.Join(s.workerDir(), "edges"), run)
	if err != nil {
		s.t.Fatal(err)
	}
	return n
}

// burns is whether the database holds the run's burn.
func (s *site) burned(run uuid.UUID) bool {
	s.t.Helper()
	entries, err := s.store.LogEntries(s.t.Context(), db.LogFilter{Before: -1, Limit: 100, Kind: "run.burned", Subject: run})
	if err != nil {
		s.t.Fatal(err)
	}
	if len(entries) > 1 {
		s.t.Errorf("%d burns of one run", len(entries))
	}
	return len(entries) == 1
}

// process is one kerfgate process.
type process struct {
	cmd    *exec.Cmd
	said   string // the line that it was waited for
	exited chan struct{}
}

// start runs kerfgate and waits for the line that begins with word.
func start(t *testing.T, word string, args []string) *process {
	t.Helper()
	p := &process{cmd: exec.Command(program, args...), exited: make(chan struct{})}
	p.cmd.Env = append(os.Environ(), "KERFGATE_FAILPOINTS=1")
	p.cmd.Stderr = testLog{t}
	out, err := p.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(p.kill)
	said := make(chan string, 1)
	go func() {
		lines := bufio.NewScanner(out)
		for lines.Scan() {
			if strings.HasPrefix(lines.Text(), word) {
				said <- lines.Text()
			}
		}
		_ = p.cmd.Wait() // killed on purpose, mostly
		close(p.exited)
	}()
	select {
	case p.said = <-said:
	case <-p.exited:
		t.Fatalf("kerfgate %s ended at once", args[0])
	case <-time.After(time.Minute):
		t.Fatalf("kerfgate %s did not say %q within a minute", args[0], word)
	}
	return p
}

// kill is kill -9, and waits.
func (p *process) kill() {
	_ = p.cmd.Process.Signal(syscall.SIGKILL) // it may be gone already
	<-p.exited
}

// arm names the step at which a process whose failpoints lie in dir shall end itself.
func arm(t *testing.T, dir, step string) {
	t.Helper()
	if err := os.Remove(filepath.Join(dir, "failpoint.hit")); err != nil && !errors.Is(err, fs.ErrNotExist) {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "failpoint"), []byte(step), 0o600); err != nil {
		t.Fatal(err)
	}
}

func hit(dir string) bool {
	_, err := os.Stat(filepath.Join(dir, "failpoint.hit"))
	return err == nil
}

func freeAddress(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}
