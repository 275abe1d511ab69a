package broker

import (
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nkeys"
)

// InboxPrefix is the private inbox prefix of a machine's worker; a worker may subscribe to no other
// inbox, and the server answers a worker on no other.
func InboxPrefix(m uuid.UUID) string { return "_INBOX_" + Token(m) }

// ServerInboxPrefix is the server's inbox prefix.
const ServerInboxPrefix = "_INBOX_server"

// Kinds of trouble that Connection.Problem is told of.
var (
	// ErrDenied is a publish or subscribe that the broker's permissions refuse. Without a handler
	// it would show only as a time-out.
	ErrDenied = errors.New("the broker's permissions deny it")
	// ErrKeyRefused is a key that the broker does not know.
	ErrKeyRefused = errors.New("the broker refuses the key")
	// ErrSlow is messages that were dropped because nobody took them in time.
	ErrSlow = errors.New("messages were dropped, the receiver is too slow")
	// ErrNoBroker is returned when a message cannot be sent now. It is not kept for later: an old
	// message that arrives after a reconnect is worse than none.
	ErrNoBroker = errors.New("no connection to the broker")
)

// Connection says how to reach the broker and what to do about trouble there.
type Connection struct {
	URL string
	// InProcess is used instead of URL where the broker runs in this process.
	InProcess nats.InProcessConnProvider
	TLS       *tls.Config
	Key       nkeys.KeyPair
	Inbox     string // InboxPrefix or ServerInboxPrefix
	Name      string // shown by the broker
	Log       *slog.Logger
	// Problem is called with errors that wrap ErrDenied, ErrKeyRefused, ErrSlow or neither, from a
	// goroutine of the connection. It must not block.
	Problem func(error)
	// Changed is called with true whenever the connection is up and false when it is lost.
	Changed func(up bool)
}

// Dial opens a connection that never gives up: it is returned at once, connected or not, and
// reconnects for ever until Close. Nothing published while it is down is kept. A half-open link is
// noticed after about 3 s.
func Dial(c Connection) (*nats.Conn, error) {
	if c.Key == nil || c.Inbox == "" || (c.URL == "" && c.InProcess == nil) {
		return nil, errors.New("a broker connection needs a key, an inbox prefix and an address")
	}
	public, err := c.Key.PublicKey()
	if err != nil {
		return nil, fmt.Errorf("broker key: %w", err)
	}
	if c.Log == nil {
		c.Log = slog.New(slog.DiscardHandler)
	}
	t := &trouble{log: c.Log.With("connection", c.Name), tell: c.Problem}
	changed := func(up bool) {
		if c.Changed != nil {
			c.Changed(up)
		}
	}
	options := []nats.Option{
		nats.Name(c.Name),
		nats.Nkey(public, c.Key.Sign),
		nats.CustomInboxPrefix(c.Inbox),
		nats.MaxReconnects(-1),
		nats.IgnoreAuthErrorAbort(), // the key may be enrolled later
		nats.RetryOnFailedConnect(true),
		nats.ReconnectBufSize(-1),
		nats.ReconnectWait(100 * time.Millisecond),
		nats.ReconnectJitter(100*time.Millisecond, 300*time.Millisecond),
		nats.PingInterval(time.Second),
		nats.MaxPingsOutstanding(2),
		nats.Timeout(2 * time.Second),
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) { t.report(err) }),
		nats.ReconnectErrHandler(func(_ *nats.Conn, err error) { t.report(err) }),
		nats.ConnectHandler(func(*nats.Conn) { t.clear(); changed(true) }),
		nats.ReconnectHandler(func(*nats.Conn) { t.clear(); changed(true) }),
		nats.DisconnectErrHandler(func(_ *nats.Conn, err error) {
			if err != nil {
				t.report(err)
			}
			changed(false)
		}),
	}
	if c.InProcess != nil {
		options = append(options, nats.InProcessServer(c.InProcess))
	}
	if c.TLS != nil {
		options = append(options, nats.Secure(c.TLS))
	}
	return nats.Connect(c.URL, options...)
}

// trouble logs each problem once until the connection is up again or another one comes, and tells
// the owner every time.
type trouble struct {
	log  *slog.Logger
	tell func(error)

	mu   sync.Mutex
	last string
}

func (t *trouble) report(err error) {
	switch {
	case errors.Is(err, nats.ErrPermissionViolation):
		err = fmt.Errorf("%w: %w", ErrDenied, err)
	case errors.Is(err, nats.ErrAuthorization), errors.Is(err, nats.ErrAuthExpired), errors.Is(err, nats.ErrAuthRevoked):
		err = fmt.Errorf("%w: %w", ErrKeyRefused, err)
	case errors.Is(err, nats.ErrSlowConsumer):
		err = fmt.Errorf("%w: %w", ErrSlow, err)
	}
	t.mu.Lock()
	again := t.last == err.Error()
	t.last = err.Error()
	t.mu.Unlock()
	if !again {
		t.log.Error("broker", "error", err)
	}
	if t.tell != nil {
		t.tell(err)
	}
}

func (t *trouble) clear() {
	t.mu.Lock()
	t.last = ""
	t.mu.Unlock()
}

// flushWait is how long a message that must go now may take to the broker and the answer back.
const flushWait = time.Second

// send publishes and waits until the broker has it. Errors wrap ErrNoBroker.
func send(conn *nats.Conn, subject string, data []byte) error {
	if !conn.IsConnected() {
		return fmt.Errorf("%w: %s", ErrNoBroker, subject)
	}
	if err := conn.Publish(subject, data); err != nil {
		return fmt.Errorf("%w: %s: %w", ErrNoBroker, subject, err)
	}
	if err := conn.FlushTimeout(flushWait); err != nil {
		return fmt.Errorf("%w: %s: %w", ErrNoBroker, subject, err)
	}
	return nil
}
