// Package serve wires one server: database, broker and HTTP, from a configuration.
package serve

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/nats-io/nats.go"
	"golang.org/x/sync/errgroup"

	"kerfgate/api"
	"kerfgate/api/enrol"
	"kerfgate/db"
	"kerfgate/deploy/keyring"
	"kerfgate/queue"
	"kerfgate/queue/broker"
)

// Config is what a server needs. DatabaseURL signs in as the app role. Either BrokerURL or
// InProcess says where the broker is.
type Config struct {
	DatabaseURL string
	BrokerURL   string
	InProcess   nats.InProcessConnProvider
	BrokerTLS   *tls.Config
	Keys        keyring.Keys
	Site        db.Site
	Listener    net.Listener
	TLS         *tls.Config
	// Trust is what enrolment codes vouch for; CA is the site's own authority, nil where it has none, and
	// Hosts are this server's own names and addresses: what CA signs for no other computer.
	Trust enrol.Trust
	CA    *keyring.CA
	Hosts []string
	// WorkerBrokerURL and Origin are told to workers that enrol: where they reach the broker, and the
	// pages' origin.
	WorkerBrokerURL string
	Origin          string
	// Enrolled is told the workers' keys whenever they change; a broker in this process then knows no
	// other. Nil means that the broker's own configuration says who may connect.
	Enrolled func(keys map[uuid.UUID]string) error
	// Folders are those that this computer keeps something of the site in, by what it is.
	Folders map[string]string
	Log     *slog.Logger
	// Failpoint is called at named steps, so that a test can end the process there. Nil means none.
	Failpoint func(name string)
}

// Server is a wired server; Run runs it.
type Server struct {
	Store  *db.Store
	cfg    Config
	pool   *pgxpool.Pool
	conn   *nats.Conn
	stop   *nats.Conn
	broker *broker.Server
	http   *api.Server
}

// Open connects to the database, opens the site if it is new and wires the rest. Close gives it
// back if Run is not called.
func Open(ctx context.Context, cfg Config) (*Server, error) {
	if cfg.Log == nil {
		cfg.Log = slog.Default()
	}
	s := &Server{cfg: cfg}
	if err := s.open(ctx); err != nil {
		s.Close()
		return nil, err
	}
	return s, nil
}

func (s *Server) open(ctx context.Context) (err error) {
	if s.pool, err = db.Open(ctx, s.cfg.DatabaseURL); err != nil {
		return err
	}
	if s.Store, err = s.cfg.Keys.Store(s.pool, s.cfg.Log); err != nil {
		return err
	}
	if err := s.Store.CheckKeys(ctx); err != nil {
		return err
	}
	site, err := s.Store.OpenSite(ctx, s.cfg.Site)
	if err != nil {
		return fmt.Errorf("open the site: %w", err)
	}
	if err := s.Store.TakeMaterialList(ctx); err != nil {
		return fmt.Errorf("take the list of materials over: %w", err)
	}
	if done, err := s.Store.NoticeRestore(ctx); err != nil {
		return fmt.Errorf("look whether the database was restored: %w", err)
	} else if done.Epoch != [16]byte{} {
		s.cfg.Log.Warn("this database was restored: no permit is issued until every worker's journal was heard",
			"machines", done.Awaited, "epoch", fmt.Sprintf("%x", done.Epoch))
	}
	if s.conn, err = s.dial("server"); err != nil {
		return err
	}
	if s.stop, err = s.dial("server stop"); err != nil {
		return err
	}
	if s.broker, err = broker.New(broker.Config{Conn: s.conn, StopConn: s.stop, Desk: desk{s.Store, s.cfg.Failpoint},
		Enrolled: s.cfg.Enrolled, Log: s.cfg.Log}); err != nil {
		return err
	}
	web := api.Config{Store: s.Store, Floor: floor{s.broker, s.cfg.Failpoint, s.conn}, Site: site.Name, Log: s.cfg.Log, TLS: s.cfg.TLS,
		Trust: s.cfg.Trust, BrokerURL: s.cfg.WorkerBrokerURL, Origin: s.cfg.Origin, Hosts: s.cfg.Hosts, Folders: s.cfg.Folders}
	if ca := s.cfg.CA; ca != nil {
		web.CAFingerprint = ca.Fingerprint()
		web.Certify = func(request *x509.CertificateRequest) (api.Certificate, error) {
			chain, leaf, err := ca.Certify(request, time.Now())
			if err != nil {
				return api.Certificate{}, err
			}
			return api.Certificate{PEM: chain, Serial: leaf.SerialNumber.Text(16), Until: leaf.NotAfter}, nil
		}
	}
	s.http, err = api.New(web)
	return err
}

func (s *Server) dial(name string) (*nats.Conn, error) {
	return broker.Dial(broker.Connection{URL: s.cfg.BrokerURL, InProcess: s.cfg.InProcess, TLS: s.cfg.BrokerTLS, Key: s.cfg.Keys.Server,
		Inbox: broker.ServerInboxPrefix, Name: name, Log: s.cfg.Log})
}

// Close gives back what Open took.
func (s *Server) Close() {
	if s.conn != nil {
		s.conn.Close()
	}
	if s.stop != nil {
		s.stop.Close()
	}
	if s.pool != nil {
		s.pool.Close()
	}
}

// Run serves until ctx ends, then stops cleanly.
func (s *Server) Run(ctx context.Context) error {
	defer s.Close()
	s.Store.SetCommitHook(func(index int64) {
		s.broker.Nudge()
		s.http.Nudge(index)
	})
	group, ctx := errgroup.WithContext(ctx)
	group.Go(func() error { return s.broker.Run(ctx) })
	group.Go(func() error { return s.http.Run(ctx, s.cfg.Listener) })
	group.Go(func() error { return queue.Sweep(ctx, s.Store, s.cfg.Log) })
	group.Go(func() error { return s.watchKeys(ctx) })
	err := group.Wait()
	if errors.Is(err, context.Canceled) {
		return nil
	}
	return err
}

// keysPoll is how often a running server looks whether a key that it holds was replaced.
const keysPoll = 5 * time.Second

// watchKeys ends the server once a key that it holds was replaced: what it signs is refused. Whatever
// keeps it running starts it again with the key as it is now.
func (s *Server) watchKeys(ctx context.Context) error {
	poll := time.NewTicker(keysPoll)
	defer poll.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-poll.C:
		}
		switch err := s.Store.CheckKeys(ctx); {
		case errors.Is(err, db.ErrKeyReplaced):
			return err
		case err != nil && ctx.Err() == nil:
			s.cfg.Log.Warn("keys not looked at", "error", err)
		}
	}
}
