// Package embedded runs the broker inside this process: one account, streams on files that are
// synced before every acknowledgement, one key for the server and one for each worker, no
// monitoring port.
package embedded

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"sync"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nkeys"
)

// Config says where the broker keeps its streams, where it listens and whom it knows.
type Config struct {
	StoreDir  string
	Host      string               // "127.0.0.1" if empty
	Port      int                  // -1 or 0: a free one
	TLS       *tls.Config          // always set where Host is not a loopback address
	ServerKey string               // the server's public nkey
	Workers   map[uuid.UUID]string // public nkeys by machine
	Log       *slog.Logger
}

// Errors of the embedded broker.
var (
	ErrConfig  = errors.New("broker configuration")
	ErrStart   = errors.New("the broker did not start")
	ErrNotOpen = errors.New("the broker is not running")
)

// readyWait bounds the start; some milliseconds are usual.
const (
	readyWait = 30 * time.Second
	readyStep = 100 * time.Millisecond
)

// Broker is one embedded broker. Run starts it, once.
type Broker struct {
	config Config
	ready  chan struct{}

	mu      sync.Mutex
	workers map[uuid.UUID]string
	server  *server.Server // nil while it is not running
}

// New checks the configuration. It starts nothing. Errors wrap ErrConfig.
func New(c Config) (*Broker, error) {
	if c.StoreDir == "" {
		return nil, fmt.Errorf("%w: no folder for streams", ErrConfig)
	}
	if c.Host == "" {
		c.Host = "127.0.0.1"
	}
	if c.Port == 0 {
		c.Port = server.RANDOM_PORT
	}
	if address := net.ParseIP(c.Host); c.TLS == nil && (address == nil || !address.IsLoopback()) {
		return nil, fmt.Errorf("%w: %s is not a loopback address and needs TLS", ErrConfig, c.Host)
	}
	if !nkeys.IsValidPublicUserKey(c.ServerKey) {
		return nil, fmt.Errorf("%w: the server's public key %.80q", ErrConfig, c.ServerKey)
	}
	if c.Log == nil {
		c.Log = slog.New(slog.DiscardHandler)
	}
	b := &Broker{config: c, ready: make(chan struct{})}
	workers, err := b.checked(c.Workers)
	if err != nil {
		return nil, err
	}
	b.workers = workers
	return b, nil
}

// checked copies workers; two users of one key would share the grants of one of them.
func (b *Broker) checked(workers map[uuid.UUID]string) (map[uuid.UUID]string, error) {
	seen := map[string]uuid.UUID{b.config.ServerKey: uuid.Nil}
	copied := make(map[uuid.UUID]string, len(workers))
	for m, key := range workers {
		if m == uuid.Nil || !nkeys.IsValidPublicUserKey(key) {
			return nil, fmt.Errorf("%w: public key %.80q of machine %s", ErrConfig, key, m)
		}
		if other, used := seen[key]; used {
			return nil, fmt.Errorf("%w: machines %s and %s have one key", ErrConfig, other, m)
		}
		seen[key] = m
		copied[m] = key
	}
	return copied, nil
}

// Run serves until ctx is done. Errors wrap ErrStart.
func (b *Broker) Run(ctx context.Context) error {
	b.mu.Lock()
	s, err := server.NewServer(b.options())
	if err != nil {
		b.mu.Unlock()
		return fmt.Errorf("%w: %w", ErrStart, err)
	}
	fatal := make(chan string, 1)
	s.SetLoggerV2(logger{b.config.Log, fatal}, false, false, false)
	s.Start()
	defer func() {
		b.mu.Lock()
		b.server = nil
		b.mu.Unlock()
		s.Shutdown()
		s.WaitForShutdown()
	}()
	if err := started(s, fatal); err != nil {
		b.mu.Unlock()
		return err
	}
	b.server = s
	b.mu.Unlock()
	close(b.ready)
	<-ctx.Done()
	return nil
}

func started(s *server.Server, fatal <-chan string) error {
	for waited := time.Duration(0); waited < readyWait; waited += readyStep {
		up := s.ReadyForConnections(readyStep)
		select {
		case text := <-fatal:
			return fmt.Errorf("%w: %s", ErrStart, text)
		default:
		}
		if up && s.JetStreamEnabled() {
			return nil
		}
	}
	return fmt.Errorf("%w within %s", ErrStart, readyWait)
}

// Ready is closed when the broker takes connections.
func (b *Broker) Ready() <-chan struct{} { return b.ready }

// URL is where workers connect; empty while the broker is not running.
func (b *Broker) URL() string {
	if s := b.running(); s != nil {
		return s.ClientURL()
	}
	return ""
}

// InProcessConn makes a connection without a socket, for broker.Connection.
func (b *Broker) InProcessConn() (net.Conn, error) {
	if s := b.running(); s != nil {
		return s.InProcessConn()
	}
	return nil, ErrNotOpen
}

func (b *Broker) running() *server.Server {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.server
}

// SetWorkers replaces the enrolled workers. A connection whose key is gone, or is another machine's
// now, is cut at once; the others stay. Errors wrap ErrConfig and leave everything as it was, or say
// that a connection may still be open; those of keys that are gone cannot come again in any case.
func (b *Broker) SetWorkers(workers map[uuid.UUID]string) error {
	copied, err := b.checked(workers)
	if err != nil {
		return err
	}
	b.mu.Lock()
	before, s := b.workers, b.server
	b.workers = copied
	b.mu.Unlock()
	if s == nil {
		return nil
	}
	var failed []error
	for m, key := range before {
		if copied[m] != key {
			failed = append(failed, cut(s, key))
		}
	}
	return errors.Join(failed...)
}

func (b *Broker) options() *server.Options {
	return &server.Options{
		ServerName: "kerfgate",
		Host:       b.config.Host,
		Port:       b.config.Port,
		TLSConfig:  b.config.TLS,
		TLS:        b.config.TLS != nil,
		TLSTimeout: 5,
		JetStream:  true,
		StoreDir:   b.config.StoreDir,

		// All clients are in the global account, whose streams need no account made in code.
		CustomClientAuthentication: admission{b},
		AlwaysEnableNonce:          true,
		// fsync before every acknowledgement; the default is every two minutes.
		SyncAlways:   true,
		PingInterval: 5 * time.Second,
		MaxPingsOut:  2,
		AuthTimeout:  5,
		MaxPayload:   1 << 20,
		NoSigs:       true,
	}
}
