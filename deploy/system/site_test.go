package system_test

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	_ "github.com/jackc/pgx/v5/stdlib" // goose speaks database/sql

	"kerfgate/api"
	"kerfgate/checklist"
	"kerfgate/db"
	"kerfgate/db/cluster"
	"kerfgate/db/dbtest"
	"kerfgate/db/migration"
	"kerfgate/deploy/demo"
	"kerfgate/deploy/keyring"
	"kerfgate/deploy/programtest"
	"kerfgate/deploy/workerd"
	"kerfgate/queue/broker/embedded"
	"kerfgate/worker/driver/simulated"
)

// site is a site whose parts live and die alone: Postgres and the broker in the test's own process,
// the server and one worker as processes that a test may kill.
type site struct {
	t          *testing.T
	dir        string
	keys       keyring.Keys
	pg         *cluster.Cluster
	database   string
	broker     *embedded.Broker
	brokerPort int       // that it keeps over restarts
	store      *db.Store // the test's own look at the database
	pool       *pgxpool.Pool
	listen     string
	signIns    []demo.SignIn
	machine    db.Machine
	stopBroker func()
	server     *programtest.Process
	worker     *programtest.Process
	client     *http.Client // trusts the site's CA; nil where the pages are plain HTTP on loopback
}

// newSite is a site on the Postgres that the tests share, with a database of its own there.
func newSite(t *testing.T) *site {
	t.Helper()
	pg, name := newDatabase(t)
	return newSiteOn(t, pg, name)
}

func newDatabase(t *testing.T) (*cluster.Cluster, string) {
	t.Helper()
	pg := sharedPostgres(t)
	name := fmt.Sprintf("site_%d", shared.databases.Add(1))
	conn, err := pgx.Connect(t.Context(), pg.URL(cluster.Supervisor, "postgres"))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(t.Context())
	if _, err := conn.Exec(t.Context(), `CREATE DATABASE `+name+` OWNER `+cluster.Owner+` TEMPLATE `+cluster.Database); err != nil {
		t.Fatal(err)
	}
	return pg, name
}

// newSiteOn makes the site in an empty, migrated database and starts its parts.
func newSiteOn(t *testing.T, pg *cluster.Cluster, database string) *site {
	t.Helper()
	s := siteOn(t, pg, database)
	s.startServer()
	s.startWorker()
	return s
}

// siteOn makes the site, with neither server nor worker yet.
func siteOn(t *testing.T, pg *cluster.Cluster, database string) *site {
	t.Helper()
	s := &site{t: t, dir: dbtest.Folder(t), pg: pg, database: database}
	var err error
	if s.keys, err = keyring.Open(filepath.Join(s.dir, "keys"), "garden"); err != nil {
		t.Fatal(err)
	}
	s.pool, s.store = s.open()
	s.stopBroker = s.startBroker()
	s.fill()
	s.listen = freeAddress(t)
	return s
}

// open is a store of its own on the site's database.
func (s *site) open() (*pgxpool.Pool, *db.Store) {
	s.t.Helper()
	pool, err := pgxpool.New(s.t.Context(), s.databaseURL())
	if err != nil {
		s.t.Fatal(err)
	}
	s.t.Cleanup(pool.Close)
	store, err := s.keys.Store(pool, nil)
	if err != nil {
		s.t.Fatal(err)
	}
	return pool, store
}

func (s *site) databaseURL() string { return s.pg.URL(cluster.App, s.database) }

// startBroker runs the site's broker, on the port that it had, until the test is over or stop is called.
func (s *site) startBroker() (stop func()) {
	s.t.Helper()
	serverKey, err := s.keys.Server.PublicKey()
	if err != nil {
		s.t.Fatal(err)
	}
	cfg := embedded.Config{StoreDir: filepath.Join(s.dir, "nats"), ServerKey: serverKey}
	if s.brokerPort != 0 {
		cfg.Port = s.brokerPort
		if cfg.Workers, err = s.store.WorkerKeys(s.t.Context()); err != nil {
			s.t.Fatal(err)
		}
	}
	if s.broker, err = embedded.New(cfg); err != nil {
		s.t.Fatal(err)
	}
	stop = background(s.t, s.broker.Run, s.broker.Ready())
	at, err := url.Parse(s.broker.URL())
	if err != nil {
		s.t.Fatal(err)
	}
	if s.brokerPort, err = strconv.Atoi(at.Port()); err != nil {
		s.t.Fatal(err)
	}
	return stop
}

// background runs something that blocks until the test is over or stop is called.
func background(t *testing.T, run func(context.Context) error, ready <-chan struct{}) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- run(ctx) }()
	stop = sync.OnceFunc(func() { cancel(); <-done })
	t.Cleanup(stop)
	select {
	case <-ready:
	case err := <-done:
		done <- err
		t.Fatal(err)
	}
	return stop
}

// shared is the Postgres of all sites whose tests leave it alone: durable as a real one is.
var shared struct {
	once      sync.Once
	dir       string
	pg        *cluster.Cluster
	err       error
	stop      func()
	databases atomic.Int64
}

func sharedPostgres(t *testing.T) *cluster.Cluster {
	t.Helper()
	shared.once.Do(func() {
		if shared.dir, shared.err = os.MkdirTemp("", "kg-pg-"); shared.err != nil {
			return
		}
		if shared.err = os.Chmod(shared.dir, 0o711); shared.err != nil {
			return
		}
		if shared.pg, shared.err = cluster.New(cluster.Config{Dir: filepath.Join(shared.dir, "postgres"), Settings: map[string]string{"max_connections": "200"}}); shared.err != nil {
			return
		}
		ctx, cancel := context.WithCancel(context.Background())
		done := make(chan error, 1)
		go func() { done <- shared.pg.Run(ctx) }()
		shared.stop = func() { cancel(); <-done }
		select {
		case <-shared.pg.Ready():
			shared.err = migrate(ctx, shared.pg)
		case shared.err = <-done:
			done <- nil
		}
	})
	if shared.err != nil {
		t.Fatal(shared.err)
	}
	return shared.pg
}

// stopShared ends it after the last test.
func stopShared() error {
	if shared.stop != nil {
		shared.stop()
	}
	if shared.dir == "" {
		return nil
	}
	return os.RemoveAll(shared.dir)
}

func migrate(ctx context.Context, pg *cluster.Cluster) error {
	owner, err := sql.Open("pgx", pg.URL(cluster.Owner, cluster.Database))
	if err != nil {
		return err
	}
	return errors.Join(migration.Up(ctx, owner), owner.Close())
}

func (s *site) fill() {
	s.t.Helper()
	ctx := s.t.Context()
	if _, err := s.store.OpenSite(ctx, db.Site{Name: "garden", Kind: db.SiteWorkshop, FireEdition: checklist.EditionOSHA}); err != nil {
		s.t.Fatal(err)
	}
	var err error
	if s.signIns, err = demo.SignIns(s.dir); err != nil {
		s.t.Fatal(err)
	}
	if err := demo.Fill(ctx, demo.Config{Store: s.store, Load: demo.NewLoad(s.signIns, api.HashPassword), Enrol: func(bay string) (string, error) {
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

func (s *site) address() string {
	if s.client != nil {
		return "https://" + s.listen
	}
	return "http://" + s.listen
}

func (s *site) startServer() {
	s.t.Helper()
	args := []string{"serve", "--database", s.databaseURL(), "--keys", filepath.Join(s.dir, "keys"), "--site", "garden", "--listen", s.listen}
	if s.client != nil {
		args = append(args, "--host", "127.0.0.1", "--broker-listen", fmt.Sprintf("127.0.0.1:%d", s.brokerPort), "--broker-data", filepath.Join(s.dir, "nats"))
	} else {
		args = append(args, "--broker-url", s.broker.URL())
	}
	s.server = start(s.t, "ready ", args)
}

func (s *site) startWorker() {
	s.t.Helper()
	args := []string{"worker", "--dir", s.workerDir()}
	if s.client == nil { // else the folder says the rest
		args = append(args, "--machine", s.machine.ID.String(), "--broker", s.broker.URL(), "--origin", s.address())
	}
	s.worker = start(s.t, "listening ", args)
	want := s.worker.Address()
	waitFor(s.t, "the server to know the worker's address", func() bool {
		m, err := s.store.Machine(s.t.Context(), s.machine.ID)
		return err == nil && m.WorkerURL == want
	})
}

// as signs a demo person in. A server that was just started may need a moment.
func (s *site) as(name string) *caller {
	s.t.Helper()
	for _, p := range s.signIns {
		if p.Name == name {
			c := signInBy(s.t, s.client, s.address(), name, p.Password)
			for _, other := range s.signIns {
				if other.Name != name {
					c.second = object{"sign_in": other.Name, "password": other.Password}
				}
			}
			return c
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
	entries := s.entries("run.burned", run)
	if len(entries) > 1 {
		s.t.Errorf("%d burns of one run", len(entries))
	}
	return len(entries) == 1
}

// runs are all that the database knows.
func (s *site) runs() []uuid.UUID {
	s.t.Helper()
	rows, err := s.pool.Query(s.t.Context(), `SELECT id FROM run`)
	if err != nil {
		s.t.Fatal(err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowTo[uuid.UUID])
	if err != nil {
		s.t.Fatal(err)
	}
	return list
}

// start runs kerfgate and waits for the line with the word.
func start(t *testing.T, word string, args []string) *programtest.Process {
	t.Helper()
	cmd := exec.Command(program, args...)
	cmd.Env = append(os.Environ(), "KERFGATE_FAILPOINTS=1")
	cmd.Stderr = testLog{t}
	return programtest.Start(t, cmd, word)
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
