package api

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"runtime"
	"time"

	"github.com/go-webauthn/webauthn/webauthn"
	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"kerfgate/api/enrol"
	"kerfgate/db"
	"kerfgate/queue/broker"
)

// Floor is the way to the workers. Challenge and Setup wait for the worker's answer; the others
// return when the message has gone out.
type Floor interface {
	// Challenge asks the machine's worker for a fresh challenge; purpose is one of the broker's
	// purposes.
	Challenge(ctx context.Context, machine, run uuid.UUID, purpose string) ([32]byte, error)
	Permit(machine uuid.UUID, note []byte) error
	Void(machine uuid.UUID, note []byte) error
	Resume(machine uuid.UUID, note []byte) error
	Handover(machine uuid.UUID, note []byte) error
	Pause(machine uuid.UUID, pause broker.Pause) error
	Setup(ctx context.Context, machine uuid.UUID, command broker.SetupCommand) (broker.SetupResult, error)
	Stop(machine uuid.UUID, stop broker.Stop) error
	// Reading gives the newest reading and when it came; false where there was none.
	Reading(machine uuid.UUID) (broker.Reading, time.Time, bool)
	// Heard is when a machine's worker last said or asked anything; false where it did not.
	Heard(machine uuid.UUID) (time.Time, bool)
	// Connected says whether the broker is reached now.
	Connected() bool
}

// Config is what a Server needs. Store, Floor and Site are required.
type Config struct {
	Store *db.Store
	Floor Floor
	Site  string // the site's name, for people
	Log   *slog.Logger
	// TLS is used by Run. Nil means plain HTTP, which Run accepts on loopback only; cookies are
	// then without Secure and the __Host- prefix.
	TLS *tls.Config
	// Trust is what enrolment codes vouch for; its CA is what stations install.
	Trust enrol.Trust
	// CAFingerprint is the SHA-256 of the CA's certificate as devices show it; empty without one.
	CAFingerprint string
	// Certify has the site's CA sign what a worker asks for its own listener; nil where the site has no
	// CA of its own. Hosts are this server's own names, which no other computer gets a certificate for.
	Certify func(*x509.CertificateRequest) (Certificate, error)
	Hosts   []string
	// BrokerURL and Origin are told to workers that enrol: where the broker is, and the pages.
	BrokerURL string
	Origin    string
	// Folders are those that this server's computer keeps something in, by what it is; how full their
	// disks are is told on the page of the site.
	Folders map[string]string
	// Now is the clock of the limiter; nil means time.Now.
	Now func() time.Time
}

// Server answers HTTP. Safe for concurrent use.
type Server struct {
	cfg     Config
	store   *db.Store
	floor   Floor
	log     *slog.Logger
	now     func() time.Time
	echo    *echo.Echo
	rules   map[routeKey]rule
	cross   *http.CrossOriginProtection
	limiter *limiter
	// passkeys judges them; nil where the server's own origin allows none.
	passkeys *webauthn.WebAuthn
	plans    slots // planning
	uploads  slots // drawings held in memory
	proofs   slots // whole-log exports and checks
	replays  slots // readings for clients that resume live events
	lanes    together[allLanes]
	hub      *hub
	leaves   *leaves
	runs     *runMachines
	noted    *stopNotes
	started  time.Time
	// refusals counts what was answered with no, for the metrics.
	refusals refusalCount

	// Who is signed in, and what is written down about refusals and stops; the store's methods.
	sessionByToken func(ctx context.Context, tokenHash []byte) (db.Session, db.Person, error)
	authorisations func(ctx context.Context, person uuid.UUID) ([]db.Authorisation, error)
	noteRefusal    func(ctx context.Context, actor db.Actor, route string) error
	noteStopped    func(ctx context.Context, actor db.Actor, machine uuid.UUID, where string) error

	// pageProblem shows a problem to a browser; the pages set it.
	pageProblem func(c echo.Context, p *problem) error
}

// ErrPlain is Run's error for plain HTTP off loopback.
var ErrPlain = errors.New("plain HTTP is served on loopback only")

// PlanSlots is how many plans a server makes at once: one processor stays free for whoever presses Stop.
func PlanSlots() int { return max(1, runtime.NumCPU()-1) }

// New checks the configuration and builds the routes; it starts nothing. It fails when a route has
// no row in the policy matrix, or a row no route.
func New(cfg Config) (*Server, error) {
	if cfg.Store == nil || cfg.Floor == nil || cfg.Site == "" {
		return nil, errors.New("api: store, floor and site are required")
	}
	if cfg.Log == nil {
		cfg.Log = slog.Default()
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	s := &Server{
		cfg:            cfg,
		store:          cfg.Store,
		floor:          cfg.Floor,
		log:            cfg.Log,
		now:            cfg.Now,
		cross:          http.NewCrossOriginProtection(),
		limiter:        newLimiter(cfg.Now),
		plans:          newSlots(PlanSlots()),
		uploads:        newSlots(uploadSlots),
		proofs:         newSlots(1),
		replays:        newSlots(replaySlots),
		leaves:         newLeaves(cfg.Now),
		runs:           newRunMachines(),
		noted:          newStopNotes(cfg.Now),
		sessionByToken: cfg.Store.SessionByToken,
		authorisations: cfg.Store.Authorisations,
		noteRefusal:    cfg.Store.NoteRefusal,
		noteStopped:    cfg.Store.NoteStop,
		started:        cfg.Now(),
	}
	var err error
	if s.passkeys, err = newPasskeys(cfg.Origin, cfg.Site); err != nil {
		return nil, fmt.Errorf("api: passkeys: %w", err)
	}
	s.hub = newHub(s)
	s.lanes.read = s.readLanes
	if err := s.build(); err != nil {
		return nil, err
	}
	return s, nil
}

// Handler is the whole server as a handler.
func (s *Server) Handler() http.Handler { return s.echo }

// Nudge says that the logbook has grown to index; it never blocks.
func (s *Server) Nudge(index int64) { s.hub.nudged(index) }

// shutdownPatience is how long requests may go on after Run's context ends.
const shutdownPatience = 10 * time.Second

// Run serves on l and follows the logbook for live events until ctx ends; it owns its goroutines
// and closes l.
func (s *Server) Run(ctx context.Context, l net.Listener) error {
	if s.cfg.TLS == nil && !isLoopback(l.Addr()) {
		return errors.Join(fmt.Errorf("%w, not on %s", ErrPlain, l.Addr()), l.Close())
	}
	srv := &http.Server{
		Handler:           s.Handler(),
		ReadHeaderTimeout: 10 * time.Second,
		ReadTimeout:       2 * time.Minute,
		WriteTimeout:      3 * time.Minute,
		IdleTimeout:       2 * time.Minute,
		MaxHeaderBytes:    16 << 10,
		ErrorLog:          slog.NewLogLogger(s.log.Handler(), slog.LevelWarn),
	}
	follow, endFollow := context.WithCancel(ctx)
	defer endFollow()
	followed := make(chan struct{})
	go func() {
		defer close(followed)
		s.hub.run(follow)
	}()
	served := make(chan error, 1)
	go func() {
		if s.cfg.TLS == nil {
			served <- srv.Serve(l)
			return
		}
		srv.TLSConfig = s.cfg.TLS.Clone()
		served <- srv.ServeTLS(l, "", "") // also negotiates HTTP/2: many event streams, one connection
	}()

	var err error
	select {
	case err = <-served:
	case <-ctx.Done():
		// The hub ends with ctx and cuts the event streams, so that only short requests are left.
		patience, cancel := context.WithTimeout(context.WithoutCancel(ctx), shutdownPatience)
		defer cancel()
		if err = srv.Shutdown(patience); err != nil {
			err = errors.Join(err, srv.Close())
		}
		<-served
	}
	endFollow()
	<-followed
	return err
}

func isLoopback(a net.Addr) bool {
	switch a := a.(type) {
	case *net.TCPAddr:
		return a.IP.IsLoopback()
	case *net.UnixAddr:
		return true
	}
	return false
}
