// Package workerd wires one worker process from its folder: keys, broker, driver, listener.
package workerd

import (
	"context"
	"crypto/tls"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"

	"github.com/google/uuid"
	"github.com/nats-io/nats.go"
	"golang.org/x/mod/sumdb/note"

	"kerfgate/checklist/permit"
	"kerfgate/deploy/keyring"
	"kerfgate/queue/broker"
	"kerfgate/worker"
)

// Names of what lies in a worker's folder.
const (
	SeedFile   = "worker.nkey" // the worker's own key
	PermitFile = "permit.vkey" // the server's keys, pinned
	LogFile    = "logbook.vkey"
	portFile   = "listen" // where the listener was last, so that stations find it again
	edgeFile   = "edges"  // the simulated machine's own count of first energy, a run each
)

// Config is what a worker process needs besides its folder. A folder that was enrolled with a code
// says itself where machine, broker and pages are, and whom to trust; what is given here goes before.
type Config struct {
	Dir       string
	Machine   uuid.UUID
	BrokerURL string
	BrokerTLS *tls.Config
	Listen    string // address of the stop and attendance listener; port 0 means the last one, or any
	Host      string // name or address by which stations reach the listener; empty finds it out
	Origin    string // the server's web origin
	Log       *slog.Logger
	Failpoint func(name string)
	// Service is told when the worker is ready and that it lives; nil tells nobody.
	Service *Service
	// Listening is told the listener's URL once it is up.
	Listening func(url string)
}

// Enrol makes a worker's folder on the server's own computer, as the demo does: its own key and the
// server's permit and log keys pinned beside it. It returns the worker's public key, which the server
// must be told. A folder that is enrolled stays as it is. A host of its own uses EnrolByCode.
func Enrol(dir, permitPublic, logPublic string) (publicKey string, err error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return "", err
	}
	pair, err := keyring.Seed(filepath.Join(dir, SeedFile))
	if err != nil {
		return "", err
	}
	for name, key := range map[string]string{PermitFile: permitPublic, LogFile: logPublic} {
		pin := filepath.Join(dir, name)
		if _, err := os.Stat(pin); errors.Is(err, fs.ErrNotExist) {
			if err := keyring.Write(pin, key); err != nil {
				return "", err
			}
		}
	}
	return pair.PublicKey()
}

// pinnedLog reads the log keys that were pinned at enrolment.
func pinnedLog(dir string) (note.Verifiers, error) {
	text, err := keyring.Read(filepath.Join(dir, LogFile))
	if err != nil {
		return nil, fmt.Errorf("the logbook's key is not pinned here, so no head of it can be kept: %w\n  put the text of the site's logbook.vkey into %s", err, filepath.Join(dir, LogFile))
	}
	var list []note.Verifier
	for key := range strings.Lines(text) {
		v, err := note.NewVerifier(strings.TrimSpace(key))
		if err != nil {
			return nil, fmt.Errorf("%s: %w", LogFile, err)
		}
		list = append(list, v)
	}
	return note.VerifierList(list...), nil
}

// AcceptEpoch takes the epoch of a restored server (32 hexadecimal digits) into the journal of a
// worker's folder, while no worker runs there (I14). told is how many burned runs the server will hear
// of.
func AcceptEpoch(dir, epoch string) (told int, err error) {
	raw, err := hex.DecodeString(strings.TrimSpace(epoch))
	if err != nil || len(raw) != 16 {
		return 0, fmt.Errorf("%q is no server epoch\n  give the 32 hexadecimal digits that kerfgate restore printed", epoch)
	}
	if _, err := os.Stat(filepath.Join(dir, SeedFile)); err != nil {
		return 0, fmt.Errorf("%s is no worker's folder", dir)
	}
	folder, err := worker.OpenFolder(filepath.Join(dir, "journal"))
	if err != nil {
		return 0, err
	}
	told, err = worker.AcceptEpoch(folder, [16]byte(raw))
	return told, errors.Join(err, folder.Close())
}

// Run works until ctx ends.
func Run(ctx context.Context, cfg Config) error {
	key, err := keyring.ReadSeed(filepath.Join(cfg.Dir, SeedFile))
	if errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%s is no worker's folder\n  make it with: kerfgate worker enrol --dir %s --server URL --code CODE", cfg.Dir, cfg.Dir)
	}
	if err != nil {
		return err
	}
	where, err := readSite(cfg.Dir)
	if err != nil {
		return err
	}
	if cfg, err = cfg.with(where); err != nil {
		return err
	}
	own, err := newListener(cfg, key, where)
	if err != nil {
		return err
	}
	public, err := key.PublicKey()
	if err != nil {
		return err
	}
	pinned, err := keyring.Read(filepath.Join(cfg.Dir, PermitFile))
	if err != nil {
		return fmt.Errorf("the server's key is not pinned here: %w", err)
	}
	verifiers, err := permit.Verifiers(strings.Split(pinned, "\n")...)
	if err != nil {
		return err
	}
	logKeys, err := pinnedLog(cfg.Dir)
	if err != nil {
		return err
	}
	folder, err := worker.OpenFolder(filepath.Join(cfg.Dir, "journal"))
	if err != nil {
		return err
	}
	defer folder.Close()
	// The worker hears what becomes of its connection; it is made after it.
	var w atomic.Pointer[worker.Worker]
	conn, stop, err := dial(cfg, func(name string) broker.Connection {
		return broker.Connection{URL: cfg.BrokerURL, TLS: cfg.BrokerTLS, Key: key, Inbox: broker.InboxPrefix(cfg.Machine), Name: name, Log: cfg.Log,
			Changed: func(up bool) {
				if w := w.Load(); w != nil {
					w.Connected(up)
				}
				if up {
					own.nudge()
				}
			},
			Problem: func(err error) {
				if w := w.Load(); w != nil && errors.Is(err, broker.ErrSlow) {
					w.BrokerLost()
				}
			}}
	})
	if err != nil {
		return err
	}
	defer conn.Close()
	defer stop.Close()
	listen, err := lastPort(cfg.Dir, cfg.Listen)
	if err != nil {
		return err
	}
	made, err := worker.New(worker.Config{
		Machine: cfg.Machine, MachineKey: public, ServerKeys: verifiers, LogKeys: logKeys, Pin: pin(cfg.Dir), Folder: folder, Driver: drivers(cfg), Awake: worker.StayAwake, Alive: cfg.Service.alive,
		Link: func(h broker.Handlers) (worker.Link, error) {
			return broker.NewClient(broker.ClientConfig{Conn: conn, StopConn: stop, Key: key, Machine: cfg.Machine, Handlers: h, Log: cfg.Log})
		},
		Log: cfg.Log, Listen: listen, Origin: cfg.Origin, Failpoint: cfg.Failpoint,
		Secure: own.secure, Listening: own.listening,
	})
	if err != nil {
		return err
	}
	w.Store(made)
	defer context.AfterFunc(ctx, func() { cfg.Service.tell("STOPPING=1") })()
	telling, cancel := context.WithCancel(ctx)
	var told sync.WaitGroup
	told.Go(func() { own.run(telling) })
	defer told.Wait()
	defer cancel()
	return made.Run(ctx)
}

// with fills in what enrolment wrote down.
func (cfg Config) with(where known) (_ Config, err error) {
	if cfg.Machine == uuid.Nil {
		cfg.Machine = where.Machine
	}
	if cfg.BrokerURL == "" {
		cfg.BrokerURL = where.Broker
	}
	if cfg.Origin == "" {
		cfg.Origin = where.Origin
	}
	if cfg.BrokerTLS == nil && len(where.ca) > 0 {
		if cfg.BrokerTLS, err = keyring.ClientTLS(where.ca); err != nil {
			return cfg, err
		}
	}
	if cfg.Machine == uuid.Nil || cfg.BrokerURL == "" {
		return cfg, errors.New("machine and broker are not known\n  give --machine and --broker, or enrol with: kerfgate worker enrol")
	}
	return cfg, nil
}

// pin puts a key that the holder of a pinned one named in its place.
func pin(dir string) func(name, public string) error {
	files := map[string]string{worker.PinPermit: PermitFile, worker.PinLog: LogFile}
	return func(name, public string) error { return keyring.Put(filepath.Join(dir, files[name]), public) }
}

func dial(cfg Config, connection func(name string) broker.Connection) (conn, stop *nats.Conn, err error) {
	if conn, err = broker.Dial(connection("worker " + cfg.Machine.String())); err != nil {
		return nil, nil, err
	}
	if stop, err = broker.Dial(connection("worker stop " + cfg.Machine.String())); err != nil {
		conn.Close()
		return nil, nil, err
	}
	return conn, stop, nil
}

// lastPort is the address to listen on: with port 0, the port of the last time where it is free.
func lastPort(dir, listen string) (string, error) {
	host, port, err := net.SplitHostPort(listen)
	if err != nil {
		return "", fmt.Errorf("listen address: %w", err)
	}
	if port != "0" {
		return listen, nil
	}
	last, err := os.ReadFile(filepath.Join(dir, portFile))
	if err != nil {
		return listen, nil // the first start
	}
	address := net.JoinHostPort(host, strings.TrimSpace(string(last)))
	probe, err := net.Listen("tcp", address)
	if err != nil {
		return listen, nil // somebody else has it now
	}
	return address, probe.Close()
}

func keepPort(cfg Config, address net.Addr) {
	if _, port, err := net.SplitHostPort(address.String()); err == nil {
		if err := os.WriteFile(filepath.Join(cfg.Dir, portFile), []byte(port+"\n"), 0o600); err != nil {
			cfg.Log.Warn("the listener's port is not kept for the next start", "error", err)
		}
	}
}
