package workerd

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/http"
	"net/url"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nkeys"

	"kerfgate/api/wire"
	"kerfgate/deploy/keyring"
	"kerfgate/queue/broker"
)

// certFile holds the key and the certificate of the worker's own listener, one as useless as the other
// alone.
const certFile = "listener.pem"

// How the server is told where the listener is: again after a failure, and looked at while all is well,
// for an address that changed or a certificate that is to be renewed.
const (
	tellFirst  = time.Second
	tellLonger = 5 * time.Minute
	lookAgain  = time.Hour
)

// listener keeps the stop and attendance listener where stations find it: it tells the server its
// address, and has the site's CA make and renew its certificate. The secret key never leaves the folder.
type listener struct {
	cfg     Config
	machine uuid.UUID
	key     nkeys.KeyPair
	server  string // the pages' address; empty where the folder does not say
	ca      []byte
	now     func() time.Time

	bound chan net.Addr
	wake  chan struct{}
	ready chan struct{} // closed once there is a certificate
	once  sync.Once
	pair  atomic.Pointer[tls.Certificate]
	at    atomic.Pointer[string] // where stations reach it
}

func newListener(cfg Config, key nkeys.KeyPair, where known) (*listener, error) {
	l := &listener{cfg: cfg, machine: cfg.Machine, key: key, server: where.Server, ca: where.ca, now: time.Now,
		bound: make(chan net.Addr, 1), wake: make(chan struct{}, 1), ready: make(chan struct{})}
	if l.server == "" {
		l.server = cfg.Origin // on the server's own computer
	}
	text, err := keyring.Read(filepath.Join(cfg.Dir, certFile))
	if errors.Is(err, fs.ErrNotExist) {
		return l, nil
	}
	if err != nil {
		return nil, err
	}
	pair, err := tls.X509KeyPair([]byte(text), []byte(text))
	if err != nil {
		return nil, fmt.Errorf("%s: %w\n  remove the file: the worker asks for another", filepath.Join(cfg.Dir, certFile), err)
	}
	l.use(pair)
	return l, nil
}

func (l *listener) use(pair tls.Certificate) {
	l.pair.Store(&pair)
	l.once.Do(func() { close(l.ready) })
}

// nudge has the server told again: it may be another one, or one that was restored.
func (l *listener) nudge() {
	select {
	case l.wake <- struct{}{}:
	default:
	}
}

// plain is whether the listener may do without TLS: on loopback, beside a server that does too.
func (l *listener) plain(address net.Addr) bool {
	tcp, ok := address.(*net.TCPAddr)
	return ok && tcp.IP.IsLoopback() && !strings.HasPrefix(l.server, "https:")
}

// secure gives what the listener serves with, nil for plain HTTP, and waits until there is a
// certificate: one that was kept, or the first.
func (l *listener) secure(ctx context.Context, address net.Addr) (*tls.Config, error) {
	l.cfg.Service.tell("READY=1") // the machine is under control, whoever can reach this listener
	keepPort(l.cfg, address)
	if l.plain(address) {
		at := (&url.URL{Scheme: "http", Host: address.String()}).String()
		l.at.Store(&at)
		l.bound <- address
		return nil, nil
	}
	if l.server == "" {
		return nil, errors.New("the listener needs a certificate from the site's CA, and this folder does not say where the server is\n  enrol it with: kerfgate worker enrol")
	}
	l.bound <- address
	select {
	case <-l.ready:
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	if leaf := l.pair.Load().Leaf; l.at.Load() == nil { // kept, and the server not told yet
		l.reached(nameOf(leaf), address)
	}
	return &tls.Config{MinVersion: tls.VersionTLS12, GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) {
		return l.pair.Load(), nil
	}}, nil
}

// listening passes the address on once stations are answered there.
func (l *listener) listening(string) {
	if l.cfg.Listening == nil {
		return
	}
	if at := l.at.Load(); at != nil {
		l.cfg.Listening(*at)
	}
}

// run keeps the server told, and the certificate fresh, until ctx ends.
func (l *listener) run(ctx context.Context) {
	var address net.Addr
	select {
	case address = <-l.bound:
	case <-ctx.Done():
		return
	}
	if l.server == "" {
		return // nobody to tell
	}
	wait := tellFirst
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-timer.C:
		case <-l.wake:
			wait = tellFirst
		}
		if err := l.tell(ctx, address); err == nil {
			wait = tellFirst
			timer.Reset(lookAgain)
		} else if ctx.Err() == nil {
			l.cfg.Log.Warn("stations are not told where the worker is", "error", err, "again", wait)
			timer.Reset(wait)
			wait = min(2*wait, tellLonger)
		}
	}
}

// tell says where the listener is, and asks for a certificate if one is needed.
func (l *listener) tell(ctx context.Context, address net.Addr) error {
	pinned, err := pinnedTLS(l.ca)
	if err != nil {
		return err
	}
	said := wire.WorkerListener{MachineID: l.machine}
	if said.PublicKey, err = l.key.PublicKey(); err != nil {
		return err
	}
	var secret *ecdsa.PrivateKey
	var request []byte
	if l.plain(address) {
		said.Address = *l.at.Load()
	} else {
		host, err := l.host(ctx, address)
		if err != nil {
			return err
		}
		said.Address = l.reached(host, address)
		if !l.holds(host) {
			if secret, request, err = ask(host); err != nil {
				return err
			}
			said.Request = &request
		}
	}
	if said.Signature, err = broker.SignListener(l.key, l.machine, said.Address, request); err != nil {
		return err
	}
	var kept wire.WorkerListenerKept
	if err := call(ctx, client(pinned), http.MethodPost, l.server+"/api/v1/enrol/worker-listener", said, &kept); err != nil {
		return err
	}
	if secret == nil {
		return nil
	}
	return l.take(secret, kept.CertificatePem)
}

// reached keeps by which name or address stations reach the listener.
func (l *listener) reached(host string, address net.Addr) string {
	at := url.URL{Scheme: "https", Host: host}
	if tcp, ok := address.(*net.TCPAddr); ok {
		at.Host = net.JoinHostPort(host, strconv.Itoa(tcp.Port))
	}
	text := at.String()
	l.at.Store(&text)
	return text
}

// nameOf is the one name or address in a listener's certificate.
func nameOf(leaf *x509.Certificate) string {
	for _, ip := range leaf.IPAddresses {
		return ip.String()
	}
	for _, name := range leaf.DNSNames {
		return name
	}
	return ""
}

// holds is whether the certificate in use is for the host and has more than the time left in which it
// is renewed.
func (l *listener) holds(host string) bool {
	pair := l.pair.Load()
	return pair != nil && pair.Leaf.VerifyHostname(host) == nil && pair.Leaf.NotAfter.Sub(l.now()) > keyring.RenewLeft
}

// ask makes a key and a request for a certificate of it.
func ask(host string) (*ecdsa.PrivateKey, []byte, error) {
	secret, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, nil, err
	}
	template := &x509.CertificateRequest{DNSNames: []string{host}}
	if ip := net.ParseIP(host); ip != nil {
		template = &x509.CertificateRequest{IPAddresses: []net.IP{ip}}
	}
	request, err := x509.CreateCertificateRequest(rand.Reader, template, secret)
	return secret, request, err
}

// take keeps a certificate and answers with it from here on.
func (l *listener) take(secret *ecdsa.PrivateKey, chain string) error {
	der, err := x509.MarshalPKCS8PrivateKey(secret)
	if err != nil {
		return err
	}
	text := string(pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der})) + chain
	pair, err := tls.X509KeyPair([]byte(text), []byte(text))
	if err != nil {
		return fmt.Errorf("the server's certificate: %w", err)
	}
	if err := keyring.Put(filepath.Join(l.cfg.Dir, certFile), strings.TrimRight(text, "\n")); err != nil {
		return err
	}
	l.use(pair)
	return nil
}

// host is the name or address by which stations reach this computer: the one that was given, that of
// the listener, or the address from which this computer reaches its server. Beside its server it is the
// server's.
func (l *listener) host(ctx context.Context, address net.Addr) (string, error) {
	if l.cfg.Host != "" {
		return l.cfg.Host, nil
	}
	if tcp, ok := address.(*net.TCPAddr); ok && !tcp.IP.IsUnspecified() {
		return tcp.IP.String(), nil
	}
	at, err := url.Parse(l.server)
	if err != nil {
		return "", err
	}
	port := at.Port()
	if port == "" {
		port = at.Scheme
	}
	// A datagram socket finds the way and sends nothing.
	way, err := (&net.Dialer{Timeout: httpWait}).DialContext(ctx, "udp", net.JoinHostPort(at.Hostname(), port))
	if err != nil {
		return "", err
	}
	own, ok := way.LocalAddr().(*net.UDPAddr)
	if err := way.Close(); err != nil {
		return "", err
	}
	if !ok || own.IP.IsLoopback() {
		return at.Hostname(), nil
	}
	return own.IP.String(), nil
}
