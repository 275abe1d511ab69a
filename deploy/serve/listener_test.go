package serve

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"io"
	"log/slog"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"kerfgate/deploy/keyring"
	"kerfgate/deploy/workerd"
)

// says runs the worker of a folder until stop is called, and gives the address that it says.
func (h *house) says(dir, host string) (address string, stop func()) {
	h.t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	said := make(chan string, 1)
	go func() {
		done <- workerd.Run(ctx, workerd.Config{Dir: dir, Listen: "127.0.0.1:0", Host: host, Log: slog.New(slog.DiscardHandler),
			Listening: func(at string) { said <- at }})
	}()
	over := false
	stop = func() {
		if !over {
			over = true
			cancel()
			if err := <-done; err != nil {
				h.t.Errorf("worker: %v", err)
			}
		}
	}
	h.t.Cleanup(stop)
	select {
	case address = <-said:
	case err := <-done:
		over = true
		h.t.Fatalf("the worker ended: %v", err)
	case <-time.After(30 * time.Second):
		h.t.Fatal("the worker has no certificate after 30 s")
	}
	return address, stop
}

// known waits until the server knows the worker's address.
func (h *house) known(want string) {
	h.t.Helper()
	var got string
	for range 200 {
		m, err := h.Store.Machine(h.t.Context(), h.Machine.ID)
		if err != nil {
			h.t.Fatal(err)
		}
		if got = m.WorkerURL; got == want {
			return
		}
		time.Sleep(50 * time.Millisecond)
	}
	h.t.Fatalf("the server knows %q, want %q", got, want)
}

// leafAt is the certificate that a listener answers with, and that the site's CA vouches for it.
func (h *house) leafAt(address string) *x509.Certificate {
	h.t.Helper()
	leaf, err := h.vouchedFor(address)
	if err != nil {
		h.t.Fatal(err)
	}
	return leaf
}

// vouchedFor is leafAt where the listener may not have the right certificate yet.
func (h *house) vouchedFor(address string) (*x509.Certificate, error) {
	h.t.Helper()
	at, err := url.Parse(address)
	if err != nil {
		h.t.Fatal(err)
	}
	config, err := keyring.ClientTLS(h.reach.Trust.CA)
	if err != nil {
		h.t.Fatal(err)
	}
	conn, err := tls.Dial("tcp", at.Host, config)
	if err != nil {
		return nil, err
	}
	defer conn.Close()
	return conn.ConnectionState().PeerCertificates[0], nil
}

// TestI5_S31_StopOverTLSWithTheServerGone: the worker asks the site's CA for a certificate of its own
// listener and tells where it is; a station stops it there with server, broker and database connection
// gone, also after the worker was started anew; without TLS, under another CA or from another page
// nobody is answered.
func TestI5_S31_StopOverTLSWithTheServerGone(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	dir := filepath.Join(h.dir, "worker")
	if _, err := workerd.EnrolByCode(t.Context(), dir, h.reach.Origin, h.code()); err != nil {
		t.Fatal(err)
	}
	address, stop := h.says(dir, "")
	if !strings.HasPrefix(address, "https://127.0.0.1:") {
		t.Fatalf("it says %s", address)
	}
	h.known(address)
	if leaf := h.leafAt(address); len(leaf.DNSNames) > 0 || len(leaf.IPAddresses) != 1 || leaf.IsCA {
		t.Errorf("the certificate is for %v %v", leaf.DNSNames, leaf.IPAddresses)
	}
	kept := filepath.Join(dir, "listener.pem")
	if info, err := os.Stat(kept); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("%v %v", info, err)
	}
	if err := h.stop(); err != nil { // server and broker
		t.Fatal(err)
	}
	call := func(client *http.Client, method, path, origin string) (int, string) {
		t.Helper()
		req, err := http.NewRequestWithContext(t.Context(), method, address+path, nil)
		if err != nil {
			t.Fatal(err)
		}
		if origin != "" {
			req.Header.Set("Origin", origin)
		}
		res, err := client.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		defer res.Body.Close()
		body, err := io.ReadAll(res.Body)
		if err != nil {
			t.Fatal(err)
		}
		if got := res.Header.Get("Access-Control-Allow-Origin"); got != "" && got != h.reach.Origin || (got == "") == (origin == h.reach.Origin) {
			t.Errorf("%s from %q: allowed %q", path, origin, got)
		}
		return res.StatusCode, string(body)
	}
	presses := func() {
		t.Helper()
		for _, origin := range []string{h.reach.Origin, ""} {
			if status, said := call(h.client(), http.MethodPost, "/stop", origin); status != http.StatusOK || !strings.Contains(said, "off_sent") {
				t.Errorf("stop from %q: %d %s", origin, status, said)
			}
		}
		if status, said := call(h.client(), http.MethodGet, "/status", h.reach.Origin); status != http.StatusOK || !strings.Contains(said, "attendance_s") {
			t.Errorf("status: %d %s", status, said)
		}
		for _, path := range []string{"/status", "/attend"} {
			method := map[string]string{"/status": http.MethodGet, "/attend": http.MethodPost}[path]
			if status, _ := call(h.client(), method, path, "https://127.0.0.1:1"); status != http.StatusForbidden {
				t.Errorf("%s from another page: %d", path, status)
			}
		}
	}
	presses()
	stop()
	again, stop := h.says(dir, "")
	if again != address {
		t.Fatalf("now at %s, was at %s", again, address)
	}
	presses()

	var unknown x509.UnknownAuthorityError
	if _, err := http.Post(address+"/stop", "", nil); !errors.As(err, &unknown) {
		t.Errorf("the system's authorities vouch for it: %v", err)
	}
	res, err := http.Get("http" + strings.TrimPrefix(address, "https") + "/status")
	if err == nil {
		body, _ := io.ReadAll(res.Body)
		_ = res.Body.Close()
		if res.StatusCode != http.StatusBadRequest || bytes.Contains(body, []byte("attendance_s")) {
			t.Errorf("plain HTTP: %s %s", res.Status, body)
		}
	}
	stop()
	if err := os.WriteFile(kept, []byte("x"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := workerd.Run(t.Context(), workerd.Config{Dir: dir, Listen: "127.0.0.1:0"}); err == nil || !strings.Contains(err.Error(), "remove the file") {
		t.Errorf("a damaged certificate: %v", err)
	}
}

// A certificate that is for another address is replaced while the listener answers with it.
func TestListenersCertificateFollowsItsAddress(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	dir := filepath.Join(h.dir, "worker")
	if _, err := workerd.EnrolByCode(t.Context(), dir, h.reach.Origin, h.code()); err != nil {
		t.Fatal(err)
	}
	first, stop := h.says(dir, "")
	h.known(first)
	old := h.leafAt(first)
	stop()
	named, stop := h.says(dir, "localhost")
	if want := strings.Replace(first, "127.0.0.1", "localhost", 1); named != want && named != first {
		t.Fatalf("it says %s", named)
	}
	h.known(strings.Replace(first, "127.0.0.1", "localhost", 1))
	for i := 0; ; i++ {
		// The worker may still have the certificate of its first address, which is refused for this name.
		leaf, err := h.vouchedFor(strings.Replace(first, "127.0.0.1", "localhost", 1))
		if err == nil && leaf.SerialNumber.Cmp(old.SerialNumber) != 0 {
			break
		}
		if i > 100 {
			t.Fatalf("the certificate is the old one: %v", err)
		}
		time.Sleep(50 * time.Millisecond)
	}
	stop()
}
