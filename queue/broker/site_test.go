package broker_test

import (
	"context"
	"log/slog"
	"os"
	"reflect"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/nats-io/nkeys"

	"kerfgate/queue/broker"
	"kerfgate/queue/broker/embedded"
)

var (
	mill = uuid.MustParse("01890000-0000-7000-8000-0000000000a1")
	pen  = uuid.MustParse("01890000-0000-7000-8000-0000000000a2")
)

const long = 30 * time.Second

// site is a broker with two enrolled workers, a desk and the server's side.
type site struct {
	t         testing.TB
	config    embedded.Config
	serverKey nkeys.KeyPair
	keys      map[uuid.UUID]nkeys.KeyPair
	desk      *fakeDesk
	server    *broker.Server
	url       string
	stop      func() // the broker
}

func logger(name string) *slog.Logger {
	if !testing.Verbose() {
		return slog.New(slog.DiscardHandler)
	}
	return slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelDebug})).With("at", name)
}

func newKey(t testing.TB) (nkeys.KeyPair, string) {
	t.Helper()
	key, err := nkeys.CreateUser()
	if err != nil {
		t.Fatal(err)
	}
	public, err := key.PublicKey()
	if err != nil {
		t.Fatal(err)
	}
	return key, public
}

// newSite starts the broker; serve starts the server's side.
func newSite(t testing.TB) *site {
	t.Helper()
	s := &site{t: t, keys: map[uuid.UUID]nkeys.KeyPair{}}
	public := map[uuid.UUID]string{}
	for _, m := range []uuid.UUID{mill, pen} {
		s.keys[m], public[m] = newKey(t)
	}
	key, serverPublic := newKey(t)
	s.serverKey = key
	s.desk = newDesk(public)
	s.config = embedded.Config{StoreDir: t.TempDir(), ServerKey: serverPublic, Workers: public}
	s.startBroker()
	t.Cleanup(func() { s.stop() })
	port, err := strconv.Atoi(s.url[strings.LastIndex(s.url, ":")+1:])
	if err != nil {
		t.Fatal(err)
	}
	s.config.Port = port // the same one after a restart
	return s
}

func (s *site) startBroker() {
	s.t.Helper()
	b, err := embedded.New(s.config)
	if err != nil {
		s.t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- b.Run(ctx) }()
	select {
	case <-b.Ready():
	case err := <-ended:
		s.t.Fatal(err)
	}
	s.url = b.URL()
	s.stop = func() {
		cancel()
		if err := <-ended; err != nil {
			s.t.Error(err)
		}
		s.stop = func() {}
	}
}

// run runs something until the test ends or the returned function is called.
func (s *site) run(f func(context.Context) error) (stop func()) {
	s.t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- f(ctx) }()
	stopped := false
	stop = func() {
		if stopped {
			return
		}
		stopped = true
		cancel()
		select {
		case err := <-ended:
			if err != nil {
				s.t.Error(err)
			}
		case <-time.After(long):
			s.t.Error("does not stop")
		}
	}
	s.t.Cleanup(stop)
	return stop
}

// dial waits until the connection is up.
func (s *site) dial(name string, key nkeys.KeyPair, inbox string) *nats.Conn {
	s.t.Helper()
	up := make(chan struct{}, 1)
	conn, err := broker.Dial(broker.Connection{URL: s.url, Key: key, Inbox: inbox, Name: name, Log: logger(name),
		Changed: func(is bool) {
			if is {
				select {
				case up <- struct{}{}:
				default:
				}
			}
		}})
	if err != nil {
		s.t.Fatal(err)
	}
	s.t.Cleanup(func() {
		if !conn.IsClosed() {
			closed := conn.StatusChanged(nats.CLOSED)
			conn.Close()
			<-closed
		}
	})
	if !conn.IsConnected() {
		select {
		case <-up:
		case <-time.After(long):
			s.t.Fatal("no connection")
		}
	}
	return conn
}

// admin is a connection that may do everything.
func (s *site) admin() *nats.Conn { return s.dial("admin", s.serverKey, "_INBOX_admin") }

// serve starts the server's side and waits until it has made its streams.
func (s *site) serve() (stop func()) {
	s.t.Helper()
	server, err := broker.New(broker.Config{
		Conn:     s.dial("server", s.serverKey, broker.ServerInboxPrefix),
		StopConn: s.dial("server stop", s.serverKey, "_INBOX_server_stop"),
		Desk:     s.desk,
		Log:      logger("server"),
	})
	if err != nil {
		s.t.Fatal(err)
	}
	s.server = server
	stop = s.run(server.Run)
	js, err := jetstream.New(s.admin())
	if err != nil {
		s.t.Fatal(err)
	}
	// Also because a broker that is shut down while it makes a stream leaves goroutines behind.
	s.until("streams are made", func() bool {
		for _, name := range []string{broker.OfferStream, broker.ReportStream} {
			for m := range s.desk.keys {
				if _, err := js.Consumer(s.within(long), name, broker.Token(m)); err != nil {
					return false
				}
			}
		}
		return true
	})
	return stop
}

type worker struct {
	*broker.Client
	conn, stopConn *nats.Conn
	quit           func()
}

// worker starts the worker's side and waits until its subscriptions are with the broker.
func (s *site) worker(m uuid.UUID, h broker.Handlers) worker {
	s.t.Helper()
	name := "worker " + broker.Token(m)[28:]
	w := worker{
		conn:     s.dial(name, s.keys[m], broker.InboxPrefix(m)),
		stopConn: s.dial(name+" stop", s.keys[m], broker.InboxPrefix(m)),
	}
	client, err := broker.NewClient(broker.ClientConfig{Conn: w.conn, StopConn: w.stopConn, Key: s.keys[m], Machine: m, Handlers: h, Log: logger(name)})
	if err != nil {
		s.t.Fatal(err)
	}
	w.Client = client
	w.quit = s.run(client.Run)
	s.until("worker listens", func() bool {
		_, err := client.State(s.within(time.Second), broker.StateAsk{Process: [16]byte{1}})
		return err == nil && w.conn.NumSubscriptions() > onSubjects(h) && (h.Stop == nil || w.stopConn.NumSubscriptions() == 2)
	})
	if err := w.conn.FlushTimeout(long); err != nil {
		s.t.Fatal(err)
	}
	if err := w.stopConn.FlushTimeout(long); err != nil {
		s.t.Fatal(err)
	}
	return w
}

// onSubjects counts the handlers with a subject on the main connection; one more subscription
// there is for answers.
func onSubjects(h broker.Handlers) (n int) {
	v := reflect.ValueOf(h)
	for i := range v.NumField() {
		if name := v.Type().Field(i).Name; name != "Stop" && name != "Offer" && !v.Field(i).IsNil() {
			n++
		}
	}
	return n
}

func (s *site) within(d time.Duration) context.Context {
	ctx, cancel := context.WithTimeout(context.Background(), d)
	s.t.Cleanup(cancel)
	return ctx
}

// until polls for what gives no signal of its own, such as a subscription in another process.
func (s *site) until(what string, f func() bool) {
	s.t.Helper()
	deadline := time.NewTimer(long)
	defer deadline.Stop()
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	for !f() {
		select {
		case <-tick.C:
		case <-s.desk.changed:
		case <-deadline.C:
			s.t.Fatalf("still not: %s", what)
		}
	}
}

func receive[T any](t testing.TB, c <-chan T, what string) T {
	t.Helper()
	select {
	case v := <-c:
		return v
	case <-time.After(long):
		t.Fatalf("nothing came: %s", what)
		panic("not reached")
	}
}
