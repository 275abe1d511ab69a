package api

import (
	"crypto/ecdsa"
	"crypto/ed25519"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/json"
	"errors"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nkeys"

	"kerfgate/api/wire"
	"kerfgate/db/logbook"
	"kerfgate/queue/broker"
)

// asked is one worker's word about its listener.
type asked struct {
	from    string // address of the request; the workers' network is that of RFC 5737
	address string
	hosts   []string // in the certificate request; nil asks for none
	key     nkeys.KeyPair
	secret  any
	forge   func(*wire.WorkerListener)
}

func (w *workshop) tells(t *testing.T, a asked) *httptest.ResponseRecorder {
	t.Helper()
	if a.key == nil {
		a.key = w.WorkerKey
	}
	public, err := a.key.PublicKey()
	if err != nil {
		t.Fatal(err)
	}
	said := wire.WorkerListener{MachineID: w.Machine.ID, PublicKey: public, Address: a.address}
	var request []byte
	if a.hosts != nil {
		if a.secret == nil {
			if a.secret, err = ecdsa.GenerateKey(elliptic.P256(), rand.Reader); err != nil {
				t.Fatal(err)
			}
		}
		template := &x509.CertificateRequest{}
		for _, h := range a.hosts {
			if ip := net.ParseIP(h); ip != nil {
				template.IPAddresses = append(template.IPAddresses, ip)
			} else {
				template.DNSNames = append(template.DNSNames, h)
			}
		}
		if request, err = x509.CreateCertificateRequest(rand.Reader, template, a.secret); err != nil {
			t.Fatal(err)
		}
		said.Request = &request
	}
	if said.Signature, err = broker.SignListener(a.key, w.Machine.ID, a.address, request); err != nil {
		t.Fatal(err)
	}
	if a.forge != nil {
		a.forge(&said)
	}
	body, err := json.Marshal(said)
	if err != nil {
		t.Fatal(err)
	}
	r := httptest.NewRequest(http.MethodPost, base+"/enrol/worker-listener", strings.NewReader(string(body)))
	r.Header.Set("Content-Type", "application/json")
	r.RemoteAddr = net.JoinHostPort(a.from, "40000")
	rec := httptest.NewRecorder()
	w.s.Handler().ServeHTTP(rec, r)
	held(t, r.Method, r.URL.Path, r.Header, body, rec.Code, rec.Header(), rec.Body.Bytes())
	return rec
}

// TestS31_WhoseListener: only the enrolled worker says where its listener is; it gets a certificate for
// the address that it comes from, or for a name that is nobody else's, and nothing more.
func TestS31_WhoseListener(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	signed := 0
	w.s.cfg.Hosts = []string{"kerfgate.local"}
	w.s.cfg.Certify = func(r *x509.CertificateRequest) (Certificate, error) {
		if len(r.DNSNames) == 1 && !strings.HasSuffix(r.DNSNames[0], ".local") {
			return Certificate{}, errors.New("not of this network")
		}
		signed++
		return Certificate{PEM: []byte("certificate"), Serial: "1f", Until: time.Now().Add(time.Hour)}, nil
	}
	stranger, err := nkeys.CreateUser()
	if err != nil {
		t.Fatal(err)
	}
	p384, err := ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	_, edwards, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	const theirs = "192.0.2.40" // another computer's
	for name, a := range map[string]asked{
		"another's address":         {from: theirs, address: "https://192.0.2.41:8181", hosts: []string{"192.0.2.41"}},
		"another's address, told":   {from: theirs, address: "https://192.0.2.41:8181"},
		"the server's name":         {from: theirs, address: "https://Kerfgate.local:8181", hosts: []string{"kerfgate.local"}},
		"loopback from afar":        {from: theirs, address: "http://127.0.0.1:8181"},
		"localhost from afar":       {from: theirs, address: "http://localhost:8181"},
		"plain HTTP":                {from: theirs, address: "http://" + theirs + ":8181"},
		"plain HTTP by a name":      {from: theirs, address: "http://bench.local:8181"},
		"no port":                   {from: theirs, address: "https://" + theirs, hosts: []string{theirs}},
		"a path":                    {from: theirs, address: "https://" + theirs + ":8181/x", hosts: []string{theirs}},
		"a policy's words":          {from: theirs, address: "https://" + theirs + ":8181;script-src *"},
		"no address":                {from: theirs, address: "listener"},
		"a request for more":        {from: theirs, address: "https://" + theirs + ":8181", hosts: []string{theirs, "kerfgate.local"}},
		"a request for another":     {from: theirs, address: "https://" + theirs + ":8181", hosts: []string{"192.0.2.41"}},
		"a request for nothing":     {from: theirs, address: "https://" + theirs + ":8181", hosts: []string{}},
		"a name of the internet":    {from: theirs, address: "https://bench.example:8181", hosts: []string{"bench.example"}},
		"a certificate in plain":    {from: "127.0.0.1", address: "http://127.0.0.1:8181", hosts: []string{"127.0.0.1"}},
		"a key that no browser has": {from: theirs, address: "https://" + theirs + ":8181", hosts: []string{theirs}, secret: edwards},
		"another curve":             {from: theirs, address: "https://" + theirs + ":8181", hosts: []string{theirs}, secret: p384},
		"another worker's key":      {from: theirs, address: "https://" + theirs + ":8181", hosts: []string{theirs}, key: stranger},
		"another worker's, told":    {from: theirs, address: "https://" + theirs + ":8181", key: stranger},
		"another's public key":      {from: theirs, address: "https://" + theirs + ":8181", key: stranger, forge: func(l *wire.WorkerListener) { l.PublicKey = w.Machine.WorkerKey }},
		"another machine":           {from: theirs, address: "https://" + theirs + ":8181", forge: func(l *wire.WorkerListener) { l.MachineID = uuid.New() }},
		"another port":              {from: theirs, address: "https://" + theirs + ":8181", forge: func(l *wire.WorkerListener) { l.Address = "https://" + theirs + ":9" }},
		"a request put in":          {from: theirs, address: "https://" + theirs + ":8181", forge: func(l *wire.WorkerListener) { l.Request = new([]byte("x")) }},
		"no request":                {from: theirs, address: "https://" + theirs + ":8181", hosts: []string{theirs}, forge: func(l *wire.WorkerListener) { l.Request = nil }},
	} {
		w.s.limiter = newLimiter(time.Now)
		before := signed
		if rec := w.tells(t, a); rec.Code != http.StatusUnprocessableEntity {
			t.Errorf("%s: %d %s", name, rec.Code, rec.Body)
		}
		if m, err := w.Store.Machine(t.Context(), w.Machine.ID); err != nil || m.WorkerURL != w.Machine.WorkerURL {
			t.Fatalf("%s: the address is %q, %v", name, m.WorkerURL, err)
		}
		if signed != before && !strings.HasPrefix(name, "another worker's") {
			t.Errorf("%s: signed", name)
		}
	}
	w.s.limiter = newLimiter(time.Now)
	for name, a := range map[string]asked{
		"its address":                  {from: theirs, address: "https://" + theirs + ":8181", hosts: []string{theirs}},
		"its address, told again":      {from: theirs, address: "https://" + theirs + ":8182"},
		"a name":                       {from: theirs, address: "https://bench.local:8181", hosts: []string{"bench.local"}},
		"loopback beside the server":   {from: "127.0.0.1", address: "http://127.0.0.1:8181"},
		"the server's name beside it":  {from: "127.0.0.1", address: "https://kerfgate.local:8181", hosts: []string{"kerfgate.local"}},
		"its address as IPv6 tells it": {from: "::ffff:" + theirs, address: "https://" + theirs + ":8183", hosts: []string{theirs}},
	} {
		rec := w.tells(t, a)
		var kept wire.WorkerListenerKept
		if err := json.Unmarshal(rec.Body.Bytes(), &kept); err != nil || rec.Code != http.StatusOK || (kept.CertificatePem != "") != (a.hosts != nil) {
			t.Errorf("%s: %d %s", name, rec.Code, rec.Body)
		}
		if m, err := w.Store.Machine(t.Context(), w.Machine.ID); err != nil || m.WorkerURL != a.address {
			t.Errorf("%s: the address is %q, %v", name, m.WorkerURL, err)
		}
	}
	entries, err := w.Store.LogFrom(t.Context(), 0, 1000)
	if err != nil {
		t.Fatal(err)
	}
	logged := 0
	for _, e := range entries {
		if e.Entry.Kind == logbook.WorkerCertified {
			logged++
		}
	}
	if logged != 4 {
		t.Errorf("%d certificates in the logbook, want 4", logged)
	}
	for range accountTries {
		w.tells(t, asked{from: "192.0.2.66", address: "listener"})
	}
	if rec := w.tells(t, asked{from: "192.0.2.66", address: "https://192.0.2.66:8181"}); rec.Code != http.StatusTooManyRequests {
		t.Errorf("after %d wrong ones: %d", accountTries, rec.Code)
	}
	w.s.cfg.Certify = nil
	if rec := w.tells(t, asked{from: theirs, address: "https://" + theirs + ":8181", hosts: []string{theirs}}); rec.Code != http.StatusUnprocessableEntity || !strings.Contains(rec.Body.String(), "no CA of its own") {
		t.Errorf("without a CA: %d %s", rec.Code, rec.Body)
	}
}
