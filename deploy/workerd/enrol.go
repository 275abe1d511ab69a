package workerd

import (
	"bytes"
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/google/uuid"

	"kerfgate/api/enrol"
	"kerfgate/api/wire"
	"kerfgate/deploy/keyring"
	"kerfgate/queue/broker"
	"kerfgate/worker"
	"kerfgate/worker/journal"
)

// Names of what enrolment adds to a worker's folder.
const (
	caFile   = "ca.crt"    // the site's CA certificate, pinned
	siteFile = "site.json" // where the site is
	nextSeed = SeedFile + ".next"
)

// site is where an enrolled worker's site is.
type site struct {
	Server  string    `json:"server"`
	Broker  string    `json:"broker"`
	Origin  string    `json:"origin"`
	Machine uuid.UUID `json:"machine"`
}

const httpWait = 20 * time.Second

// EnrolByCode enrols the worker of a folder with a one-time code: it makes the worker's key, whose
// secret half stays here, pins the server's keys and CA that the code vouches for, and tells the server
// the public half. A folder that was enrolled keeps its journal and gets another key; no worker may be
// running there.
func EnrolByCode(ctx context.Context, dir, server, codeText string) (machine uuid.UUID, err error) {
	code, err := enrol.ParseCode(codeText)
	if err != nil {
		return uuid.Nil, fmt.Errorf("%w\n  next: type it as it was printed; at the server, kerfgate enrol worker makes a new one", err)
	}
	base, err := serverURL(server)
	if err != nil {
		return uuid.Nil, err
	}
	// Whoever answers here may be anybody; what is said counts only as the code vouches for it.
	unverified := &tls.Config{InsecureSkipVerify: true, MinVersion: tls.VersionTLS12}
	var said wire.Trust
	if err := call(ctx, client(unverified), http.MethodGet, base+"/api/v1/enrol/trust", nil, &said); err != nil {
		return uuid.Nil, err
	}
	trust := enrol.Trust{PermitKey: said.PermitKey, LogKey: said.LogKey, CA: []byte(said.CaPem)}
	if err := trust.Check(code); err != nil {
		return uuid.Nil, err
	}
	pinned, err := pinnedTLS(trust.CA)
	if err != nil {
		return uuid.Nil, err
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return uuid.Nil, err
	}
	last, err := lastReport(dir)
	if err != nil {
		return uuid.Nil, err
	}
	next := filepath.Join(dir, nextSeed)
	if err := os.Remove(next); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return uuid.Nil, err // a try that stopped half-way; its key was perhaps used
	}
	pair, err := keyring.Seed(next)
	if err != nil {
		return uuid.Nil, err
	}
	public, err := pair.PublicKey()
	if err != nil {
		return uuid.Nil, err
	}
	var enrolled wire.WorkerEnrolled
	if err := call(ctx, client(pinned), http.MethodPost, base+"/api/v1/enrol/worker",
		wire.WorkerEnrolment{Secret: code.Secret.String(), PublicKey: public, LastReport: last}, &enrolled); err != nil {
		return uuid.Nil, err
	}
	return enrolled.MachineID, keep(dir, trust, site{Server: base, Broker: enrolled.BrokerURL, Origin: enrolled.Origin, Machine: enrolled.MachineID})
}

// keep writes down what a worker pins and, last, puts its new key in place.
func keep(dir string, trust enrol.Trust, where site) error {
	place, err := json.MarshalIndent(where, "", "  ")
	if err != nil {
		return err
	}
	for _, f := range []struct{ name, text string }{
		{PermitFile, trust.PermitKey}, {LogFile, trust.LogKey}, {caFile, strings.TrimRight(string(trust.CA), "\n")}, {siteFile, string(place)},
	} {
		if err := keyring.Put(filepath.Join(dir, f.name), f.text); err != nil {
			return err
		}
	}
	return os.Rename(filepath.Join(dir, nextSeed), filepath.Join(dir, SeedFile))
}

// ReplaceKey gives the worker of a folder another key, which the old one signs for; no worker may be
// running there. It may be called again where it was interrupted. Errors: the server's refusal.
func ReplaceKey(ctx context.Context, dir string) (public string, err error) {
	where, err := readSite(dir)
	if err != nil {
		return "", err
	}
	if where.Server == "" {
		return "", fmt.Errorf("%s was not enrolled with a code, so it does not know its server\n  enrol it with: kerfgate worker enrol", dir)
	}
	old, err := keyring.ReadSeed(filepath.Join(dir, SeedFile))
	if err != nil {
		return "", err
	}
	pinned, err := pinnedTLS(where.ca)
	if err != nil {
		return "", err
	}
	if _, err := lastReport(dir); err != nil {
		return "", err // a worker runs there
	}
	next, err := keyring.Seed(filepath.Join(dir, nextSeed))
	if err != nil {
		return "", err
	}
	ask := wire.WorkerKeyReplacement{MachineID: where.Machine}
	if ask.Before, err = old.PublicKey(); err != nil {
		return "", err
	}
	if ask.After, err = next.PublicKey(); err != nil {
		return "", err
	}
	if ask.Signature, err = broker.SignNewKey(old, where.Machine, ask.After); err != nil {
		return "", err
	}
	if err := call(ctx, client(pinned), http.MethodPost, where.Server+"/api/v1/enrol/worker-key", ask, nil); err != nil {
		return "", err
	}
	return ask.After, os.Rename(filepath.Join(dir, nextSeed), filepath.Join(dir, SeedFile))
}

// known is a site with the CA that is pinned for it.
type known struct {
	site
	ca []byte
}

// readSite reads where the site is; a folder that was made on the same computer, as for a demo, does
// not say.
func readSite(dir string) (k known, err error) {
	text, err := keyring.Read(filepath.Join(dir, siteFile))
	if errors.Is(err, fs.ErrNotExist) {
		return k, nil
	}
	if err != nil {
		return k, err
	}
	if err := json.Unmarshal([]byte(text), &k.site); err != nil {
		return k, fmt.Errorf("%s: %w", filepath.Join(dir, siteFile), err)
	}
	ca, err := keyring.Read(filepath.Join(dir, caFile))
	if errors.Is(err, fs.ErrNotExist) {
		err = nil
	}
	k.ca = []byte(ca)
	return k, err
}

// pinnedTLS trusts the pinned CA alone, or the system's where the site names none.
func pinnedTLS(ca []byte) (*tls.Config, error) {
	if len(bytes.TrimSpace(ca)) == 0 {
		return &tls.Config{MinVersion: tls.VersionTLS12}, nil
	}
	return keyring.ClientTLS(ca)
}

// lastReport is the number of the last report in the folder's journal. It fails while a worker runs
// there.
func lastReport(dir string) (int64, error) {
	folder, err := worker.OpenFolder(filepath.Join(dir, "journal"))
	if err != nil {
		return 0, err
	}
	j, err := journal.Open(folder)
	if err != nil {
		return 0, errors.Join(fmt.Errorf("%w\n  stop the worker that runs there first", err), folder.Close())
	}
	last := j.Book().LastNumber
	return last, errors.Join(j.Close(), folder.Close())
}

// serverURL is a server's address without a path; plain HTTP is taken on loopback only.
func serverURL(server string) (string, error) {
	u, err := url.Parse(server)
	if err != nil || u.Host == "" || u.User != nil || u.Scheme != "https" && u.Scheme != "http" {
		return "", fmt.Errorf("%q is no server address; it looks like https://kerfgate.local:8180", server)
	}
	if ip := net.ParseIP(u.Hostname()); u.Scheme == "http" && u.Hostname() != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return "", fmt.Errorf("%s: plain HTTP is for loopback only\n  give the https address", server)
	}
	return u.Scheme + "://" + u.Host, nil
}

func client(config *tls.Config) *http.Client {
	return &http.Client{Timeout: httpWait, Transport: &http.Transport{TLSClientConfig: config, DisableKeepAlives: true},
		CheckRedirect: func(*http.Request, []*http.Request) error { return errors.New("the server answers from elsewhere") }}
}

// maxAnswer bounds what is read of an answer.
const maxAnswer = 64 << 10

// call asks the server's interface; a refusal is told in the server's words.
func call(ctx context.Context, c *http.Client, method, address string, question, answer any) error {
	var body io.Reader
	if question != nil {
		data, err := json.Marshal(question)
		if err != nil {
			return err
		}
		body = bytes.NewReader(data)
	}
	req, err := http.NewRequestWithContext(ctx, method, address, body)
	if err != nil {
		return err
	}
	if question != nil {
		req.Header.Set("Content-Type", "application/json")
	}
	res, err := c.Do(req)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	data, err := io.ReadAll(io.LimitReader(res.Body, maxAnswer))
	if err != nil {
		return err
	}
	if res.StatusCode >= http.StatusMultipleChoices {
		var p wire.Problem
		if err := json.Unmarshal(data, &p); err != nil || p.Title == "" {
			return fmt.Errorf("the server answers %s", res.Status)
		}
		text := p.Title
		if p.Reasons != nil && len(*p.Reasons) > 0 {
			text = (*p.Reasons)[0].What + "\n  " + (*p.Reasons)[0].Next
		}
		return errors.New(text)
	}
	if answer == nil {
		return nil
	}
	return json.Unmarshal(data, answer)
}
