package workerd

import (
	"bufio"
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"

	"kerfgate/api/wire"
	"kerfgate/checklist/permit"
	"kerfgate/deploy/keyring"
	"kerfgate/plan/canon"
	"kerfgate/plan/machine"
	"kerfgate/worker"
	"kerfgate/worker/check"
	"kerfgate/worker/driver"
)

// CheckConfig says which set-up to look at.
type CheckConfig struct {
	Dir string
	// Profile is a profile as JSON, for a worker that has not heard of its own yet; nil takes the one that
	// it used last.
	Profile []byte
	Listen  string
}

// Check looks at everything that a worker needs before anything moves. Nothing is changed but the
// journal, which is opened as a worker opens it.
func Check(ctx context.Context, cfg CheckConfig) []check.Finding {
	all := check.Folder(cfg.Dir)
	if check.Faulty(all) {
		return all
	}
	all = append(all, checkKeys(cfg.Dir)...)
	f, running := check.Journal(cfg.Dir)
	all = append(all, f, check.Clocks(worker.HostClock{}), check.Suspend(ctx))
	all = append(all, checkListener(cfg, running))
	all = append(all, checkServer(ctx, cfg.Dir)...)
	p, err := cfg.profile()
	if errors.Is(err, errNoProfile) {
		f := check.Bad("profile", err)
		f.State = check.Warning
		return append(all, f, check.Finding{What: "machine", State: check.Skipped, Text: "without its profile nobody knows how to ask it"})
	}
	if err != nil {
		return append(all, check.Bad("profile", err))
	}
	all = append(all, check.Profile(p)...)
	if len(p.Problems()) > 0 {
		return all
	}
	if running {
		return append(all, check.Finding{What: "machine", State: check.Skipped, Text: "a running worker has it"})
	}
	way := check.Way(p.Driver)
	all = append(all, way...)
	if check.Faulty(way) {
		return append(all, check.Finding{What: "machine", State: check.Skipped, Text: "there is no way to it"})
	}
	return append(all, check.Answers(ctx, func() (driver.Driver, error) { return drivers(Config{Dir: cfg.Dir})(p) }))
}

var errNoProfile = errors.New("this worker has not heard of its machine's profile yet\n  start it once with the server reachable, or give --profile FILE")

// profile is the one to look at.
func (cfg CheckConfig) profile() (p machine.Profile, err error) {
	if cfg.Profile != nil {
		d := json.NewDecoder(strings.NewReader(string(cfg.Profile)))
		d.DisallowUnknownFields()
		return p, d.Decode(&p)
	}
	data, err := os.ReadFile(filepath.Join(cfg.Dir, "journal", worker.ProfileFile))
	if errors.Is(err, fs.ErrNotExist) {
		return p, errNoProfile
	}
	if err == nil {
		err = canon.Unmarshal(data, &p)
	}
	return p, err
}

// checkKeys looks at the worker's own key and at the pinned ones.
func checkKeys(dir string) []check.Finding {
	const what = "keys"
	key, err := keyring.ReadSeed(filepath.Join(dir, SeedFile))
	if errors.Is(err, fs.ErrNotExist) {
		return []check.Finding{check.Bad(what, fmt.Errorf("%s is no worker's folder\n  make it with: kerfgate worker enrol --dir %s --server URL --code CODE", dir, dir))}
	}
	if err != nil {
		return []check.Finding{check.Bad(what, err)}
	}
	public, err := key.PublicKey()
	if err != nil {
		return []check.Finding{check.Bad(what, err)}
	}
	pinned, err := keyring.Read(filepath.Join(dir, PermitFile))
	if err == nil {
		_, err = permit.Verifiers(strings.Split(pinned, "\n")...)
	}
	if err != nil {
		return []check.Finding{check.Bad(what, fmt.Errorf("the server's permit key is not pinned: %w\n  enrol again", err))}
	}
	if _, err := pinnedLog(dir); err != nil {
		return []check.Finding{check.Bad(what, err)}
	}
	return []check.Finding{check.Good(what, "own key "+public+", the server's are pinned")}
}

// checkListener says whether stop and attendance can listen.
func checkListener(cfg CheckConfig, running bool) check.Finding {
	const what = "listener"
	if running {
		return check.Finding{What: what, State: check.Skipped, Text: "the running worker has it"}
	}
	address, err := lastPort(cfg.Dir, cfg.Listen)
	if err != nil {
		return check.Bad(what, err)
	}
	l, err := net.Listen("tcp", address)
	if err != nil {
		return check.Bad(what, fmt.Errorf("%w\n  the stop needs this address; give another one with --listen", err))
	}
	heard := l.Addr().String()
	if err := l.Close(); err != nil {
		return check.Bad(what, err)
	}
	return check.Good(what, heard+" is free")
}

// checkServer says whether server and broker are reached, are the pinned ones, and agree on the time.
func checkServer(ctx context.Context, dir string) []check.Finding {
	const what = "server"
	where, err := readSite(dir)
	if err != nil {
		return []check.Finding{check.Bad(what, err)}
	}
	if where.Server == "" {
		return []check.Finding{{What: what, State: check.Skipped, Text: "this folder does not say where its server is: it was made on the server's own computer"}}
	}
	pinned, err := pinnedTLS(where.ca)
	if err != nil {
		return []check.Finding{check.Bad(what, err)}
	}
	all := []check.Finding{askServer(ctx, dir, where, pinned), askBroker(ctx, where.Broker)}
	if at, err := serverTime(ctx, where.Server, pinned); err == nil {
		all = append(all, check.WallClock(time.Now(), at))
	}
	return all
}

func askServer(ctx context.Context, dir string, where known, pinned *tls.Config) check.Finding {
	const what = "server"
	var said wire.Trust
	if err := call(ctx, client(pinned), http.MethodGet, where.Server+"/api/v1/enrol/trust", nil, &said); err != nil {
		return check.Bad(what, fmt.Errorf("%s does not answer as the pinned one: %w\n  look at its address, the network, and whether it is up", where.Server, err))
	}
	keys, err := keyring.Read(filepath.Join(dir, PermitFile))
	if err != nil {
		return check.Bad(what, err)
	}
	if !strings.Contains(keys, strings.TrimSpace(said.PermitKey)) {
		return check.Finding{What: what, State: check.Warning, Text: where.Server + " signs with another permit key than is pinned here",
			Next: "after a replacement the worker follows by itself when it runs; otherwise enrol again"}
	}
	return check.Good(what, where.Server+" answers and is the pinned one")
}

// askBroker waits for the greeting that a broker sends before anything else.
func askBroker(ctx context.Context, address string) check.Finding {
	const what = "broker"
	bad := func(err error) check.Finding {
		return check.Bad(what, fmt.Errorf("%s does not answer: %w\n  look at its address, the network, and whether it is up", address, err))
	}
	u, err := url.Parse(address)
	if err != nil {
		return bad(err)
	}
	conn, err := (&net.Dialer{Timeout: 5 * time.Second}).DialContext(ctx, "tcp", u.Host)
	if err != nil {
		return bad(err)
	}
	defer conn.Close()
	if err := conn.SetDeadline(time.Now().Add(5 * time.Second)); err != nil {
		return bad(err)
	}
	line, err := bufio.NewReaderSize(conn, 4096).ReadSlice('\n')
	if err != nil && !errors.Is(err, bufio.ErrBufferFull) || !strings.HasPrefix(string(line), "INFO ") {
		return bad(errors.Join(errors.New("this is no broker"), err))
	}
	return check.Good(what, address+" answers")
}

// serverTime is what the server says that it is (RFC 9110 §6.6.1).
func serverTime(ctx context.Context, base string, pinned *tls.Config) (time.Time, error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodHead, base+"/", nil)
	if err != nil {
		return time.Time{}, err
	}
	c := client(pinned)
	c.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	res, err := c.Do(req)
	if err != nil {
		return time.Time{}, err
	}
	defer res.Body.Close()
	return http.ParseTime(res.Header.Get("Date"))
}
