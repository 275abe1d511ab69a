package bench

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"kerfgate/db"
	"kerfgate/db/cluster"
	"kerfgate/deploy/workerd"
	"kerfgate/queue/broker"
)

// program is kerfgate, built once a run.
func program(b *testing.B) string {
	b.Helper()
	path := filepath.Join(folder(b), "kerfgate")
	build := exec.Command("go", "build", "-trimpath", "-o", path, "kerfgate")
	build.Env, build.Stderr = append(os.Environ(), "CGO_ENABLED=0"), os.Stderr
	if err := build.Run(); err != nil {
		b.Fatal(err)
	}
	return path
}

// process runs kerfgate until the benchmark is over and returns once it has said a word.
func process(b *testing.B, program, word string, args ...string) (pid int, said string) {
	b.Helper()
	cmd := exec.Command(program, args...)
	cmd.Dir = filepath.Dir(program)
	out, err := cmd.StdoutPipe()
	if err != nil {
		b.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() {
		_ = cmd.Process.Signal(syscall.SIGINT) // it may have ended
		_ = cmd.Wait()
	})
	lines := bufio.NewScanner(out)
	for lines.Scan() {
		if strings.Contains(lines.Text(), word) {
			go func() { _, _ = io.Copy(io.Discard, out) }()
			return cmd.Process.Pid, lines.Text()
		}
	}
	b.Fatalf("kerfgate %s ended without saying %q", args[0], word)
	return 0, ""
}

// firstPage is the time from the first command to the first page, with a new data folder each time.
func firstPage(b *testing.B) string {
	b.Helper()
	kerfgate := program(b)
	var took []time.Duration
	for range 3 {
		dir := filepath.Join(folder(b), "data")
		began := time.Now()
		cmd := exec.Command(kerfgate, "try", "--data", dir, "--listen", "127.0.0.1:0")
		out, err := cmd.StdoutPipe()
		if err != nil {
			b.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			b.Fatal(err)
		}
		lines := bufio.NewScanner(out)
		for lines.Scan() {
			at := strings.Index(lines.Text(), "http://")
			if at < 0 {
				continue
			}
			res, err := http.Get(strings.Fields(lines.Text()[at:])[0])
			if err != nil {
				b.Fatal(err)
			}
			if _, err := io.Copy(io.Discard, res.Body); err != nil {
				b.Fatal(err)
			}
			_ = res.Body.Close()
			took = append(took, time.Since(began))
			break
		}
		go func() { _, _ = io.Copy(io.Discard, out) }()
		_ = cmd.Process.Signal(syscall.SIGINT)
		if err := cmd.Wait(); err != nil {
			b.Error(err)
		}
	}
	if len(took) != 3 {
		b.Fatalf("%d of 3 first pages", len(took))
	}
	return fmt.Sprintf("%.2f s", median(took).Seconds())
}

const idleMachines = 100

// memory is what a server with a hundred idle machines and one worker's process hold for themselves.
// The other machines' workers are links in this process that ask for their state as workers do.
func memory(b *testing.B) string {
	b.Helper()
	g := newGround(b)
	kerfgate := program(b)
	w := &workshop{ground: g, b: b}
	admin := w.person("admin", db.RoleAdmin)
	workerDir := filepath.Join(g.dir, "worker")
	public, err := workerd.Enrol(workerDir, g.keys.PermitPublic, g.keys.LogPublic)
	w.must(err)
	own := w.addMachine(admin, "Bay 0", public)
	links := make([]*broker.Client, 0, idleMachines)
	for i := range idleMachines - 1 {
		m, key := w.newMachine(admin, "Bay "+strconv.Itoa(i+1))
		link := func(name string) broker.Connection {
			return broker.Connection{URL: g.broker.URL(), Key: key, Inbox: broker.InboxPrefix(m.ID), Name: name}
		}
		keys, err := g.store.WorkerKeys(b.Context())
		w.must(err)
		w.must(g.broker.SetWorkers(keys))
		conn, err := broker.Dial(link("idle"))
		w.must(err)
		b.Cleanup(conn.Close)
		stop, err := broker.Dial(link("idle stop"))
		w.must(err)
		b.Cleanup(stop.Close)
		c, err := broker.NewClient(broker.ClientConfig{Conn: conn, StopConn: stop, Key: key, Machine: m.ID})
		w.must(err)
		links = append(links, c)
	}
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	w.must(err)
	address := listener.Addr().String()
	w.must(listener.Close())
	server, _ := process(b, kerfgate, "ready ", "serve", "--database", g.pg.URL(cluster.App, cluster.Database), "--broker-url", g.broker.URL(),
		"--keys", filepath.Join(g.dir, "keys"), "--site", "garden", "--listen", address)
	worker, _ := process(b, kerfgate, "listening ", "worker", "--dir", workerDir, "--machine", own.ID.String(), "--broker", g.broker.URL())
	for _, c := range links {
		w.during(c.Run)
		w.during(func(ctx context.Context) error { return askOften(ctx, c) })
	}
	time.Sleep(20 * time.Second) // until collectors have let go of what the start needed
	return fmt.Sprintf("server with %d idle machines %s, worker %s", idleMachines, anonymous(b, server), anonymous(b, worker))
}

// askOften asks for the machine's state every five seconds, as an idle worker does.
func askOften(ctx context.Context, c *broker.Client) error {
	tick := time.NewTicker(5 * time.Second)
	defer tick.Stop()
	for {
		_, _ = c.State(ctx, broker.StateAsk{Process: [16]byte{1}}) // an idle worker goes on asking as well
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

// anonymous is a process's own memory in use, RssAnon of proc(5).
func anonymous(b *testing.B, pid int) string {
	b.Helper()
	data, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		b.Fatal(err)
	}
	for line := range strings.Lines(string(data)) {
		if rest, ok := strings.CutPrefix(line, "RssAnon:"); ok {
			kB, err := strconv.Atoi(strings.Fields(rest)[0])
			if err != nil {
				b.Fatal(err)
			}
			return fmt.Sprintf("%.1f MiB", float64(kB)/1024)
		}
	}
	b.Fatal("no RssAnon in /proc")
	return ""
}
