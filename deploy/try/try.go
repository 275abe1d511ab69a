// Package try is the embedded default: a private Postgres, the broker and the server in one
// process, and each simulated machine's worker as a process of its own, with the demo workshop.
// The same code paths, SQL and subjects as anywhere else; plain HTTP on 127.0.0.1 only.
package try

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"time"

	_ "github.com/jackc/pgx/v5/stdlib" // goose speaks database/sql
	"golang.org/x/sync/errgroup"

	"kerfgate/api"
	"kerfgate/api/enrol"
	"kerfgate/checklist"
	"kerfgate/db"
	"kerfgate/db/cluster"
	"kerfgate/db/migration"
	"kerfgate/deploy/demo"
	"kerfgate/deploy/keyring"
	"kerfgate/deploy/serve"
	"kerfgate/deploy/workerd"
	"kerfgate/queue/broker/embedded"
)

// Config says where the data lies and where the pages are.
type Config struct {
	Dir     string // data folder, made if missing
	Listen  string // 127.0.0.1:port; port 0 takes a free one
	PGBin   string // folder of the Postgres programs; empty looks for them
	Program string // this program, for the workers' processes
	Out     io.Writer
	Log     *slog.Logger
	// Started, if set, is told the address of the pages once they answer.
	Started func(address string)
}

const siteName = "garden"

// ErrListen is returned for an address off loopback.
var ErrListen = errors.New("try speaks plain HTTP, so it listens on a loopback address only")

// Run runs everything until ctx ends, then stops it cleanly.
func Run(ctx context.Context, cfg Config) error {
	began := time.Now()
	if err := prepareDir(&cfg); err != nil {
		return err
	}
	listener, err := listen(ctx, cfg.Listen)
	if err != nil {
		return err
	}
	keyDir := filepath.Join(cfg.Dir, "keys")
	keys, err := keyring.Open(keyDir, siteName)
	if err != nil {
		return errors.Join(err, listener.Close())
	}
	trust, err := keys.KeepTrust(keyDir, nil) // plain HTTP on loopback
	if err != nil {
		return errors.Join(err, listener.Close())
	}
	pg, err := cluster.New(cluster.Config{Dir: filepath.Join(cfg.Dir, "postgres"), BinDir: cfg.PGBin, Log: cfg.Log})
	if err != nil {
		return errors.Join(err, listener.Close())
	}
	serverKey, err := keys.Server.PublicKey()
	if err != nil {
		return errors.Join(err, listener.Close())
	}
	nats, err := embedded.New(embedded.Config{StoreDir: filepath.Join(cfg.Dir, "nats"), ServerKey: serverKey, Log: cfg.Log})
	if err != nil {
		return errors.Join(err, listener.Close())
	}
	signIns, err := demo.SignIns(cfg.Dir)
	if err != nil {
		return errors.Join(err, listener.Close())
	}
	load := demo.NewLoad(signIns, api.HashPassword)
	if _, err := os.Stat(filepath.Join(cfg.Dir, "nats")); errors.Is(err, fs.ErrNotExist) {
		load.Begin(ctx) // a new data folder will want it
	}
	// Below come in order: what is stopped last starts first.
	base, stopBase := context.WithCancel(context.WithoutCancel(ctx))
	defer stopBase()
	var ground errgroup.Group
	ground.Go(func() error { defer stopBase(); return pg.Run(base) })
	ground.Go(func() error {
		defer stopBase()
		// The database's lock on the folder keeps a second one out of the broker's files as well.
		select {
		case <-pg.Ready():
			return nats.Run(base)
		case <-base.Done():
			return nil
		}
	})
	err = func() error {
		for _, ready := range []<-chan struct{}{pg.Ready(), nats.Ready()} {
			select {
			case <-ready:
			case <-base.Done():
				return errBase
			case <-ctx.Done():
				return nil
			}
		}
		return house{cfg, keys, trust, pg, nats, listener, load, began}.run(ctx, base)
	}()
	stopBase()
	groundErr := ground.Wait()
	if errors.Is(err, errBase) {
		err = nil // the ground's own error says more
	}
	if closeErr := listener.Close(); closeErr != nil && !errors.Is(closeErr, net.ErrClosed) {
		err = errors.Join(err, closeErr)
	}
	return errors.Join(err, groundErr)
}

var errBase = errors.New("database or broker ended")

// prepareDir makes the data folder. Others may pass through it, for the database's own user; what
// is secret in it has a mode of its own.
func prepareDir(cfg *Config) error {
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	dir, err := filepath.Abs(cfg.Dir)
	if err != nil {
		return err
	}
	cfg.Dir = dir
	return os.MkdirAll(dir, 0o711)
}

func listen(ctx context.Context, address string) (net.Listener, error) {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return nil, fmt.Errorf("listen address: %w\n  next: name host and port, such as 127.0.0.1:8188", err)
	}
	if ip := net.ParseIP(host); host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return nil, fmt.Errorf("%w, not on %s\n  next: leave --listen out, or use 127.0.0.1; kerfgate serve is for other computers", ErrListen, address)
	}
	var config net.ListenConfig
	listener, err := config.Listen(ctx, "tcp", address)
	if err != nil {
		return nil, fmt.Errorf("%w\n  next: use another address: kerfgate try --listen 127.0.0.1:8188", err)
	}
	return listener, nil
}

// house is everything above database and broker.
type house struct {
	cfg      Config
	keys     keyring.Keys
	trust    enrol.Trust
	pg       *cluster.Cluster
	nats     *embedded.Broker
	listener net.Listener
	load     *demo.Load
	began    time.Time
}

func (h house) run(ctx, base context.Context) error {
	if err := h.migrate(ctx); err != nil {
		return err
	}
	server, err := serve.Open(ctx, serve.Config{DatabaseURL: h.pg.URL(cluster.App, cluster.Database), InProcess: h.nats, Enrolled: h.nats.SetWorkers, Keys: h.keys,
		Trust: h.trust, WorkerBrokerURL: h.nats.URL(), Origin: "http://" + h.listener.Addr().String(),
		Site: db.Site{Name: siteName, Kind: db.SiteWorkshop, FireEdition: checklist.EditionOSHA}, Listener: h.listener, Log: h.cfg.Log,
		Folders: map[string]string{"database, broker and keys": h.cfg.Dir}})
	if err != nil {
		return err
	}
	if err := h.fill(ctx, server.Store); err != nil {
		server.Close()
		return err
	}
	workers, err := h.workers(ctx, server.Store)
	if err != nil {
		server.Close()
		return err
	}
	// The workers stop first, so that their last reports are still heard.
	serving, stopServing := context.WithCancel(base)
	defer stopServing()
	group, groupCtx := errgroup.WithContext(ctx)
	served := make(chan error, 1)
	go func() { served <- server.Run(serving) }()
	for _, w := range workers {
		group.Go(func() error { return w.run(groupCtx) })
	}
	group.Go(func() error {
		select {
		case err := <-served:
			served <- nil // told here
			if err == nil && groupCtx.Err() == nil {
				err = errBase
			}
			return err
		case <-groupCtx.Done():
			return nil
		}
	})
	h.announce()
	err = group.Wait()
	stopServing()
	return errors.Join(err, <-served)
}

func (h house) migrate(ctx context.Context) error {
	owner, err := sql.Open("pgx", h.pg.URL(cluster.Owner, cluster.Database))
	if err != nil {
		return err
	}
	return errors.Join(migration.Up(ctx, owner), owner.Close())
}

func (h house) fill(ctx context.Context, store *db.Store) error {
	return demo.Fill(ctx, demo.Config{Store: store, Load: h.load, Enrol: func(bay string) (string, error) {
		return workerd.Enrol(demo.WorkerFolder(h.cfg.Dir, bay), h.keys.PermitPublic, h.keys.LogPublic)
	}})
}

func (h house) announce() {
	address := "http://" + h.listener.Addr().String()
	fmt.Fprintf(h.cfg.Out, "Kerfgate is ready after %.1f s: %s\n\n", time.Since(h.began).Seconds(), address)
	fmt.Fprintf(h.cfg.Out, "  sign in as   password           who\n")
	for _, s := range h.load.SignIns {
		fmt.Fprintf(h.cfg.Out, "  %-12s %-18s %s\n", s.Name, s.Password, s.What)
	}
	fmt.Fprintf(h.cfg.Out, `
The machines are simulated: motion runs at 10×, purge and fire watch at 60×; attendance and a
permit's age run in real time. The software is an administrative control. It replaces no interlock,
emergency stop, extinguisher or trained person.

Data lies in %s. Ctrl-C stops; the next start goes on with it.
`, h.cfg.Dir)
	if h.cfg.Started != nil {
		h.cfg.Started(address)
	}
}
