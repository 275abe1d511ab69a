package system_test

import (
	"bufio"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/base64"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/google/uuid"

	"kerfgate/db"
	"kerfgate/deploy/keyring"
	"kerfgate/deploy/setup"
	"kerfgate/deploy/workerd"
)

// overTLS starts the site's parts as on a local network, its pages, its broker and its worker's listener
// under the site's own CA, and gives the CA's certificate. The broker is in the server's process.
func (s *site) overTLS() *x509.Certificate {
	s.t.Helper()
	s.stopBroker()
	s.client = &http.Client{}
	s.startServer() // makes the CA
	keys := filepath.Join(s.dir, "keys")
	ca, err := keyring.OpenCA(keys, "garden", nil)
	if err != nil {
		s.t.Fatal(err)
	}
	config, err := keyring.ClientTLS(ca.PEM)
	if err != nil {
		s.t.Fatal(err)
	}
	s.client.Transport = &http.Transport{TLSClientConfig: config}
	code, _, err := setup.Site{DatabaseURL: s.databaseURL(), Name: "garden", KeyDir: keys, Keys: s.keys}.WorkerCode(s.t.Context(), s.machine.ID)
	if err != nil {
		s.t.Fatal(err)
	}
	if _, err := workerd.EnrolByCode(s.t.Context(), s.workerDir(), s.address(), code); err != nil {
		s.t.Fatal(err)
	}
	s.startWorker()
	block, _ := pem.Decode(ca.PEM)
	root, err := x509.ParseCertificate(block.Bytes)
	if err != nil {
		s.t.Fatal(err)
	}
	return root
}

// withCA has Chromium take whatever the CA signed, as a station does that installed it: the browser has
// no other way in that leaves the machine's own store alone.
func withCA(t *testing.T, root *x509.Certificate) []chromedp.ExecAllocatorOption {
	spki := sha256.Sum256(root.RawSubjectPublicKeyInfo)
	return []chromedp.ExecAllocatorOption{chromedp.UserDataDir(t.TempDir()),
		chromedp.Flag("ignore-certificate-errors-spki-list", base64.StdEncoding.EncodeToString(spki[:]))}
}

// TestI5_StationAlone: the server is killed, and over TLS the broker with it, in the middle of a run. The station page still
// taps and tells what the machine does; reloaded, it comes from the browser's own keeper and does so
// still; it stops the run there; and once the server is back it hears what happened. A browser lets a page
// have a keeper over TLS and on this computer itself.
func TestI5_StationAlone(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("needs a browser, and waits in real time")
	}
	t.Run("over the site's CA", func(t *testing.T) {
		t.Parallel()
		pg, name := newDatabase(t)
		s := siteOn(t, pg, name)
		s.leftAlone("https://127.0.0.1:", withCA(t, s.overTLS())...)
		s.onlyListener()
	})
	t.Run("on localhost", func(t *testing.T) {
		t.Parallel()
		newSite(t).leftAlone("http://127.0.0.1:")
	})
}

func (s *site) leftAlone(worker string, flags ...chromedp.ExecAllocatorOption) {
	t := s.t
	t.Helper()
	profile := s.machine.Profile
	profile.Driver.MotionScale = 1 // long enough
	if _, err := s.store.PublishProfile(t.Context(), db.System, s.machine.ID, profile); err != nil {
		t.Fatal(err)
	}
	thyme, rowan := s.as("thyme"), s.as("rowan")
	run := s.submit(thyme, `<svg xmlns="http://www.w3.org/2000/svg" width="280mm" height="180mm" viewBox="0 0 280 180">
<rect x="1" y="1" width="278" height="178" fill="none" stroke="black"/><rect x="20" y="20" width="200" height="120" fill="none" stroke="black"/></svg>`)
	b := openBrowser(t, s.address(), flags...)
	for _, p := range s.signIns {
		if p.Name == "rowan" {
			b.signIn("rowan", p.Password, "/station/"+s.machine.ID.String())
		}
	}
	toTheGate(rowan, run)
	answerAll(rowan, run, plywoodAnswers())
	signed := rowan.post("/runs/"+run+"/sign", nil)
	if !strings.HasPrefix(signed.str("worker_url"), worker) {
		t.Fatalf("the worker is at %s", signed.str("worker_url"))
	}
	// The page would have kept the token of a signature that was given on it.
	kept, err := json.Marshal(map[string]string{"run": run, "token": signed.str("attendance_token"), "where": signed.str("worker_url")})
	if err != nil {
		t.Fatal(err)
	}
	b.eval(fmt.Sprintf(`sessionStorage.setItem("attendance %s", %q)`, s.machine.ID, kept))
	b.visit("/station/" + s.machine.ID.String())
	rowan.waitsForPhase(run, "running", 30*time.Second)
	b.waitsForText("main", "running", patience)
	b.waits("the page to be kept as it runs", fmt.Sprintf(`window.found = window.found || (caches.open("station v1").then((c) => c.match(%q)).then((r) => r?.text()).then((x) => { window.kept = x || ""; window.found = 0; }), 1), (window.kept || "").includes('data-phase="running"')`,
		"/station/"+s.machine.ID.String()), patience)
	if text := evalText(t, b, `window.kept`); strings.Contains(text, "Rowan") || strings.Contains(text, "drawer front") {
		t.Error("the kept page names a person or a job")
	}

	s.server.Kill()
	taps := func() {
		t.Helper()
		b.waits("the worker's seconds", `/^\d+ s$/.test(document.querySelector('[data-live="attendance"]').innerText.trim())`, patience)
		b.click("#attend")
		b.waitsForText(`[data-live="attend-words"]`, "heard ", patience)
	}
	b.waitsForText("#link", "the server does not answer", patience)
	taps()
	b.keep("alone")

	b.visit("/station/" + s.machine.ID.String())
	b.waitsForText("#link", "the server does not answer", patience)
	b.waits("what the worker says of the time left", `/ left/.test(document.querySelector(".go .huge").innerText) && document.querySelector('[data-live="done"]').value > 0`, patience)
	taps()
	b.keep("alone-reloaded")
	began := time.Now()
	b.click("#stop")
	b.waitsForText("#stopped", "off sent", patience)
	t.Logf("the page said so after %s", time.Since(began))
	b.waitsForText("#alone", "the machine says: purging", patience)
	b.keep("alone-stopped")

	s.startServer()
	r := rowan.waits("/runs/"+run, "its end to be told", time.Minute, func(o object) bool { return o.str("outcome") != "" })
	if r.str("outcome") != "stopped" {
		t.Errorf("it ended %s", r.str("outcome"))
	}
	b.waits("the page to follow again", `document.querySelector("#link").hidden && document.querySelector("#alone").hidden && document.querySelector(".bay").dataset.phase !== "running"`, patience)
	s.toTheEnd(rowan, run)
	if n := s.edges(uuid.MustParse(run)); n != 1 {
		t.Errorf("energy was first commanded %d times", n)
	}
}

func evalText(t *testing.T, b *browser, script string) string {
	t.Helper()
	text, err := chromedp.Run(b.ctx, chromedp.Evaluate[string](script))
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// onlyListener holds the worker's process to one listening socket, that of stop and attendance, which
// speaks nothing but TLS (S25, S30).
func (s *site) onlyListener() {
	s.t.Helper()
	pid := s.worker.Process.Pid
	sockets := map[string]bool{}
	open, err := os.ReadDir(fmt.Sprintf("/proc/%d/fd", pid))
	if err != nil {
		s.t.Fatal(err)
	}
	for _, fd := range open {
		if to, err := os.Readlink(fmt.Sprintf("/proc/%d/fd/%s", pid, fd.Name())); err == nil { // it may be closed by now
			if inode, ok := strings.CutPrefix(to, "socket:["); ok {
				sockets[strings.TrimSuffix(inode, "]")] = true
			}
		}
	}
	var ports []string
	for _, table := range []string{"tcp", "tcp6", "udp", "udp6"} {
		f, err := os.Open(fmt.Sprintf("/proc/%d/net/%s", pid, table))
		if err != nil {
			s.t.Fatal(err)
		}
		lines := bufio.NewScanner(f)
		for lines.Scan() {
			fields := strings.Fields(lines.Text()) // proc(5): local address, state 0A is LISTEN, tenth the inode
			if len(fields) > 9 && sockets[fields[9]] && (fields[3] == "0A" || strings.HasPrefix(table, "udp")) {
				ports = append(ports, table+" "+fields[1])
			}
		}
		if err := f.Close(); err != nil {
			s.t.Fatal(err)
		}
	}
	at := strings.TrimPrefix(s.worker.Address(), "https://")
	var a, b, c, d, port int
	if _, err := fmt.Sscanf(at, "%d.%d.%d.%d:%d", &a, &b, &c, &d, &port); err != nil {
		s.t.Fatal(err)
	}
	if want := fmt.Sprintf("tcp 0100007F:%04X", port); len(ports) != 1 || ports[0] != want {
		s.t.Errorf("the worker listens at %v, want %s alone", ports, want)
	}
	conn, err := tls.Dial("tcp", at, &tls.Config{MaxVersion: tls.VersionTLS11, InsecureSkipVerify: true})
	if err == nil {
		_ = conn.Close()
		s.t.Error("the listener takes TLS 1.1")
	}
}
