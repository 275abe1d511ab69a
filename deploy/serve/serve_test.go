package serve

import (
	"context"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/hex"
	"encoding/pem"
	"errors"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"kerfgate/api/enrol"
	"kerfgate/db"
	"kerfgate/db/cluster"
	"kerfgate/db/dbtest"
	"kerfgate/deploy/keyring"
	"kerfgate/deploy/setup"
	"kerfgate/deploy/workerd"
	"kerfgate/queue/broker"
)

func TestMain(m *testing.M) { os.Exit(dbtest.Main(m)) }

// house is a server with its broker as on a local network: TLS by the site's own CA, also on loopback.
type house struct {
	*dbtest.Workshop
	t      *testing.T
	dir    string
	broker string // listen address
	pages  string
	reach  Reach
	server *Server
	end    func() error // waits
	stop   func() error
}

func newHouse(t *testing.T) *house {
	t.Helper()
	h := &house{Workshop: dbtest.NewWorkshop(t), t: t, dir: t.TempDir(), broker: freeAddress(t), pages: freeAddress(t)}
	h.start()
	return h
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

func (h *house) keys() string { return filepath.Join(h.dir, "keys") }

func (h *house) start() {
	h.t.Helper()
	keys, err := keyring.Open(h.keys(), dbtest.Site)
	if err != nil {
		h.t.Fatal(err)
	}
	h.reach, err = Network{Listen: h.pages, Hosts: []string{"127.0.0.1"}, Keys: keys, KeyDir: h.keys(), Site: dbtest.Site}.Open(h.t.Context())
	if err != nil {
		h.t.Fatal(err)
	}
	cfg := Config{DatabaseURL: h.URL(cluster.App), Keys: keys, Listener: h.reach.Listener, TLS: h.reach.TLS, Trust: h.reach.Trust,
		CA: h.reach.CA, Hosts: h.reach.Hosts, Origin: h.reach.Origin, Site: db.Site{Name: dbtest.Site}, Log: slog.New(slog.DiscardHandler)}
	own, err := NewOwnBroker(h.broker, filepath.Join(h.dir, "nats"), h.reach, cfg)
	if err != nil {
		h.t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	ready := make(chan *Server, 1)
	go func() { ended <- own.RunWith(ctx, cfg, func(s *Server) { ready <- s }) }()
	var result error
	done := make(chan struct{})
	go func() { result = <-ended; close(done) }()
	h.end = func() error { <-done; return result }
	h.stop = func() error { cancel(); return h.end() }
	h.t.Cleanup(func() { _ = h.stop() })
	select {
	case h.server = <-ready:
	case <-done:
		h.t.Fatal(result)
	}
}

// client trusts the site's CA alone.
func (h *house) client() *http.Client {
	h.t.Helper()
	config, err := keyring.ClientTLS(h.reach.Trust.CA)
	if err != nil {
		h.t.Fatal(err)
	}
	return &http.Client{Transport: &http.Transport{TLSClientConfig: config, DisableKeepAlives: true}}
}

func (h *house) get(path string) (*http.Response, string) {
	h.t.Helper()
	res, err := h.client().Get(h.reach.Origin + path)
	if err != nil {
		h.t.Fatal(err)
	}
	defer res.Body.Close()
	body, err := io.ReadAll(res.Body)
	if err != nil {
		h.t.Fatal(err)
	}
	return res, string(body)
}

// TestS25_S31_SitesOwnCA: pages over TLS by the site's CA, which a client with that CA believes and no
// other does; no plain HTTP; and the CA signs for nothing beyond the site.
func TestS25_S31_SitesOwnCA(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	if res, _ := h.get("/sign-in"); res.StatusCode != http.StatusOK || res.TLS == nil {
		t.Errorf("%s", res.Status)
	}
	var unknown x509.UnknownAuthorityError
	if _, err := (&http.Client{}).Get(h.reach.Origin + "/"); !errors.As(err, &unknown) {
		t.Errorf("the system's authorities vouch for it: %v", err)
	}
	other, err := keyring.OpenCA(filepath.Join(t.TempDir()), dbtest.Site, nil)
	if err != nil {
		t.Fatal(err)
	}
	config, err := keyring.ClientTLS(other.PEM)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := (&http.Client{Transport: &http.Transport{TLSClientConfig: config}}).Get(h.reach.Origin + "/"); !errors.As(err, &unknown) {
		t.Errorf("another site's CA of the same name vouches for it: %v", err)
	}
	if res, err := http.Get(strings.Replace(h.reach.Origin, "https", "http", 1) + "/"); err == nil {
		_ = res.Body.Close()
		if res.StatusCode != http.StatusBadRequest {
			t.Errorf("plain HTTP: %s", res.Status)
		}
	}
	if _, err := (Network{Listen: "0.0.0.0:0", Keys: keyring.Keys{}, KeyDir: h.keys(), Site: dbtest.Site, Hosts: []string{"workshop.example.com"}}).Open(t.Context()); err == nil {
		t.Error("the CA signed for a name that it was not made for")
	}
	// The page tells the certificate's own fingerprint, and gives that certificate.
	_, page := h.get("/site-ca")
	res, text := h.get("/site-ca/certificate")
	block, _ := pem.Decode([]byte(text))
	if block == nil || res.Header.Get("Content-Type") != "application/x-x509-ca-cert" {
		t.Fatalf("%s %.40q", res.Header.Get("Content-Type"), text)
	}
	sum := sha256.Sum256(block.Bytes)
	for i := range sum {
		if pair := "<span>" + strings.ToUpper(hex.EncodeToString(sum[i:i+1])) + "</span>"; !strings.Contains(page, pair) {
			t.Fatalf("the page does not tell %s", pair)
		}
	}
	ca, err := x509.ParseCertificate(block.Bytes)
	if err != nil {
		t.Fatal(err)
	}
	if !ca.PermittedDNSDomainsCritical || len(ca.PermittedDNSDomains) == 0 || len(ca.PermittedIPRanges) == 0 || !ca.MaxPathLenZero {
		t.Error("the CA may sign for anything")
	}
	mine, err := keyring.OpenCA(h.keys(), dbtest.Site, nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, host := range []string{"example.com", "8.8.8.8", "bank.example"} {
		if _, err := mine.Leaf([]string{host}, time.Now()); err == nil {
			t.Errorf("signed for %s", host)
		}
	}
	if _, err := mine.Leaf([]string{"bench.local", "192.168.7.4"}, time.Now()); err != nil {
		t.Error(err)
	}
	if info, err := os.Stat(filepath.Join(h.keys(), "ca.key")); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("mode %v %v", info.Mode(), err)
	}
}

func (h *house) code() string {
	h.t.Helper()
	keys, err := keyring.Open(h.keys(), dbtest.Site)
	if err != nil {
		h.t.Fatal(err)
	}
	code, _, err := setup.Site{DatabaseURL: h.URL(cluster.App), Name: dbtest.Site, KeyDir: h.keys(), Keys: keys}.WorkerCode(h.t.Context(), h.Machine.ID)
	if err != nil {
		h.t.Fatal(err)
	}
	return code
}

// works runs the worker of a folder until the returned function is called.
func (h *house) works(dir string) (stop func()) {
	h.t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() {
		done <- workerd.Run(ctx, workerd.Config{Dir: dir, Listen: "127.0.0.1:0", Log: slog.New(slog.DiscardHandler)})
	}()
	var over bool
	stop = func() {
		if over {
			return
		}
		over = true
		cancel()
		if err := <-done; err != nil {
			h.t.Errorf("worker: %v", err)
		}
	}
	h.t.Cleanup(stop)
	return stop
}

// answers waits until the machine's worker answers a question for a challenge, or no longer does.
func (h *house) answers(want bool) error {
	h.t.Helper()
	var err error
	for range 200 {
		_, err = h.server.broker.Challenge(h.t.Context(), h.Machine.ID, h.Machine.ID, broker.PurposeStart)
		if errors.Is(err, broker.ErrWorkerSays) == want {
			return err
		}
		time.Sleep(50 * time.Millisecond)
	}
	h.t.Fatalf("the worker answers: want %v, %v", want, err)
	return nil
}

// A worker joins with a code over TLS that it pins, and is heard at once; its key is replaced by its own
// word and taken away again, and each time the broker refuses the old one from then on.
func TestS24_WorkerJoinsAndIsCutOff(t *testing.T) {
	t.Parallel()
	h, stranger := newHouse(t), newHouse(t)
	ctx := t.Context()
	dir := filepath.Join(h.dir, "worker")
	code := h.code()
	// Between: another server with keys of its own, at the address that the worker was told.
	if _, err := workerd.EnrolByCode(ctx, dir, stranger.reach.Origin, code); !errors.Is(err, enrol.ErrTrust) {
		t.Fatalf("another server was believed: %v", err)
	}
	if _, err := workerd.EnrolByCode(ctx, dir, "http://192.0.2.7:8180", code); err == nil || !strings.Contains(err.Error(), "loopback only") {
		t.Errorf("plain HTTP off loopback: %v", err)
	}
	machine, err := workerd.EnrolByCode(ctx, dir, h.reach.Origin, code)
	if err != nil || machine != h.Machine.ID {
		t.Fatalf("%v %v", machine, err)
	}
	if _, err := workerd.EnrolByCode(ctx, filepath.Join(h.dir, "second"), h.reach.Origin, code); err == nil || !strings.Contains(err.Error(), "does not hold") {
		t.Errorf("one code twice: %v", err)
	}
	for _, name := range []string{workerd.SeedFile, workerd.PermitFile, workerd.LogFile, "ca.crt", "site.json"} {
		if info, err := os.Stat(filepath.Join(dir, name)); err != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("%s: %v", name, err)
		}
	}
	stop := h.works(dir)
	h.answers(true)
	if _, err := workerd.ReplaceKey(ctx, dir); err == nil {
		t.Error("its key was replaced under a running worker")
	}
	stop()
	old, err := keyring.ReadSeed(filepath.Join(dir, workerd.SeedFile))
	if err != nil {
		t.Fatal(err)
	}
	public, err := workerd.ReplaceKey(ctx, dir)
	if err != nil {
		t.Fatal(err)
	}
	if m, err := h.Store.Machine(ctx, machine); err != nil || m.WorkerKey != public {
		t.Errorf("%s, want %s; %v", m.WorkerKey, public, err)
	}
	h.works(dir)
	h.answers(true)
	refused := make(chan error, 16)
	pinned, err := keyring.ClientTLS(h.reach.Trust.CA)
	if err != nil {
		t.Fatal(err)
	}
	conn, err := broker.Dial(broker.Connection{URL: "tls://" + h.broker, TLS: pinned, Key: old, Inbox: broker.InboxPrefix(machine), Name: "old key",
		Problem: func(err error) {
			select {
			case refused <- err:
			default:
			}
		}})
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	select {
	case err := <-refused:
		if !errors.Is(err, broker.ErrKeyRefused) {
			t.Errorf("the old key: %v", err)
		}
	case <-time.After(10 * time.Second):
		t.Error("the broker still takes the old key")
	}
	if err := h.Store.RevokeWorker(ctx, h.Officer, machine); err != nil {
		t.Fatal(err)
	}
	h.server.broker.Nudge()
	if err := h.answers(false); !errors.Is(err, broker.ErrNoWorker) {
		t.Errorf("a worker without a key: %v", err)
	}
}

// TestS25_BrokerUnderTheSitesCA: the broker speaks TLS by the same CA; a worker that pinned another CA,
// or none, does not talk to it.
func TestS25_BrokerUnderTheSitesCA(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	dial := func(ca []byte) error {
		config := &tls.Config{MinVersion: tls.VersionTLS12}
		if ca != nil {
			var err error
			if config, err = keyring.ClientTLS(ca); err != nil {
				t.Fatal(err)
			}
		}
		problem := make(chan error, 16)
		up := make(chan bool, 16)
		conn, err := broker.Dial(broker.Connection{URL: "tls://" + h.broker, TLS: config, Key: h.WorkerKey, Inbox: broker.InboxPrefix(h.Machine.ID), Name: "t",
			Problem: func(err error) {
				select {
				case problem <- err:
				default:
				}
			},
			Changed: func(now bool) {
				select {
				case up <- now:
				default:
				}
			}})
		if err != nil {
			return err
		}
		defer conn.Close()
		for {
			select {
			case now := <-up:
				if now {
					return nil
				}
			case err := <-problem:
				// The broker may not have been told yet; a refusal may also come as a connection that ends at once.
				if !errors.Is(err, broker.ErrKeyRefused) && !strings.Contains(err.Error(), "closed by remote after TLS handshake") {
					return err
				}
			case <-time.After(10 * time.Second):
				t.Fatal("neither connected nor refused")
			}
		}
	}
	if err := dial(h.reach.Trust.CA); err != nil {
		t.Errorf("with the site's CA: %v", err)
	}
	other, err := keyring.OpenCA(t.TempDir(), dbtest.Site, nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := dial(other.PEM); err == nil {
		t.Error("connected under another site's CA")
	}
	if err := dial(nil); err == nil {
		t.Error("connected under the system's authorities")
	}
}

// The permit key and the log key are replaced while a worker is at work: the server ends by itself,
// comes back with the new keys, and the worker follows the old keys' word and no other.
func TestKeysReplacedUnderAWorker(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	ctx := t.Context()
	dir := filepath.Join(h.dir, "worker")
	if _, err := workerd.EnrolByCode(ctx, dir, h.reach.Origin, h.code()); err != nil {
		t.Fatal(err)
	}
	h.works(dir)
	h.answers(true)
	for _, name := range []string{keyring.Logbook, keyring.Permit} {
		keys, err := keyring.Open(h.keys(), dbtest.Site)
		if err != nil {
			t.Fatal(err)
		}
		number, public, err := setup.Site{DatabaseURL: h.URL(cluster.App), Name: dbtest.Site, KeyDir: h.keys(), Keys: keys}.ReplaceKey(ctx, name)
		if err != nil || number != 1 {
			t.Fatalf("%s: %d %v", name, number, err)
		}
		if err := h.end(); !errors.Is(err, db.ErrKeyReplaced) {
			t.Fatalf("the server with the old %s key ended with %v", name, err)
		}
		h.start()
		want := public + "\n"
		for i := 0; ; i++ {
			got, err := os.ReadFile(filepath.Join(dir, name+".vkey"))
			if err == nil && string(got) == want {
				break
			}
			if i > 300 {
				t.Fatalf("the worker pins %q, want %q", got, want)
			}
			time.Sleep(50 * time.Millisecond)
		}
		if err := h.answers(true); strings.Contains(err.Error(), "logbook") {
			t.Errorf("after the %s key was replaced the worker says %v", name, err)
		}
	}
	if info, err := os.Stat(filepath.Join(h.keys(), "permit.key")); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("mode %v %v", info.Mode(), err)
	}
	if _, err := h.server.Store.CheckLog(ctx); err != nil {
		t.Error(err)
	}
}
