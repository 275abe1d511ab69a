package bench

import (
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
	"testing"
	"time"

	"kerfgate/db"
	"kerfgate/db/cluster"
	"kerfgate/db/dbtest"
	"kerfgate/deploy/programtest"
	"kerfgate/deploy/workerd"
	"kerfgate/queue/broker"
)

// program is kerfgate, built as it is released.
func program(b *testing.B) string {
	b.Helper()
	b.Setenv("CGO_ENABLED", "0")
	path := filepath.Join(dbtest.Folder(b), "kerfgate")
	if err := programtest.Build(path, "-trimpath"); err != nil {
		b.Fatal(err)
	}
	return path
}

// process runs kerfgate until the benchmark is over and returns once it has said a word.
func process(b *testing.B, program, word string, args ...string) *programtest.Process {
	b.Helper()
	cmd := exec.Command(program, args...)
	cmd.Dir = filepath.Dir(program)
	p := programtest.Start(b, cmd, word)
	b.Cleanup(func() { p.Stop(b) })
	return p
}

// firstPage is the time from the first command to the first page, with a new data folder each time.
func firstPage(b *testing.B) string {
	b.Helper()
	kerfgate := program(b)
	took := make([]time.Duration, 3)
	for i := range took {
		dir := filepath.Join(dbtest.Folder(b), "data")
		began := time.Now()
		p := process(b, kerfgate, "ready ", "try", "--data", dir, "--listen", "127.0.0.1:0")
		res, err := http.Get(p.Address())
		if err != nil {
			b.Fatal(err)
		}
		if _, err := io.Copy(io.Discard, res.Body); err != nil {
			b.Fatal(err)
		}
		_ = res.Body.Close()
		took[i] = time.Since(began)
		p.Stop(b)
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
	server := process(b, kerfgate, "ready ", "serve", "--database", g.pg.URL(cluster.App, cluster.Database), "--broker-url", g.broker.URL(),
		"--keys", filepath.Join(g.dir, "keys"), "--site", "garden", "--listen", address)
	worker := process(b, kerfgate, "listening ", "worker", "--dir", workerDir, "--machine", own.ID.String(), "--broker", g.broker.URL())
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
func anonymous(b *testing.B, p *programtest.Process) string {
	b.Helper()
	data, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", p.Process.Pid))
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
