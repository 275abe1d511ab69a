package bench

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"kerfgate/api"
	"kerfgate/db/cluster"
	"kerfgate/deploy/crowd"
	"kerfgate/deploy/demo"
	"kerfgate/deploy/workerd"
	"kerfgate/plan"
)

// BenchmarkLoad: 200 live stations and wall screens while 50 submissions a second arrive, of the demo's drawings, one of
// five planned as any is; for KERFGATE_LOAD_FOR, ten minutes if not set. Server and one worker are processes of their own;
// Postgres flushes; the broker, the screens and the members share this process, and so the machine.
func BenchmarkLoad(b *testing.B) {
	for b.Loop() {
		busy(b)
	}
}

func busy(b *testing.B) {
	span, err := time.ParseDuration(cmp.Or(os.Getenv("KERFGATE_LOAD_FOR"), "10m"))
	if err != nil {
		b.Fatalf("KERFGATE_LOAD_FOR: %v", err)
	}
	t := newTable()
	t.line("load before", load())
	g := newGround(b)
	g.exec(b, bareTable)
	commit := g.bare(b, 1)
	t.line("floor: bare commit, 1 client", commit.String())
	ctx := b.Context()
	w := &workshop{ground: g, b: b}
	signIns, err := demo.SignIns(g.dir)
	w.must(err)
	w.must(demo.Fill(ctx, demo.Config{Store: g.store, Load: demo.NewLoad(signIns, api.HashPassword), Enrol: func(bay string) (string, error) {
		return workerd.Enrol(demo.WorkerFolder(g.dir, bay), g.keys.PermitPublic, g.keys.LogPublic)
	}}))
	keys, err := g.store.WorkerKeys(ctx)
	w.must(err)
	w.must(g.broker.SetWorkers(keys))
	machines, err := g.store.Machines(ctx)
	w.must(err)

	kerfgate := program(b)
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	w.must(err)
	address := listener.Addr().String()
	w.must(listener.Close())
	server := process(b, kerfgate, "ready ", "serve", "--database", g.pg.URL(cluster.App, cluster.Database), "--broker-url", g.broker.URL(),
		"--keys", filepath.Join(g.dir, "keys"), "--site", "garden", "--listen", address)
	origin := "http://" + address
	worker := process(b, kerfgate, "listening ", "worker", "--dir", demo.WorkerFolder(g.dir, machines[0].Bay), "--machine", machines[0].ID.String(),
		"--broker", g.broker.URL(), "--origin", origin)
	pieces, tokens, err := crowd.Workshop(ctx, g.store, origin, 8)
	w.must(err)
	stations, err := crowd.Stations(ctx, g.store)
	w.must(err)
	stations[0].Worker = worker.Address()
	still := press(b, 1, func(ctx context.Context, _ int) error {
		res, err := http.Get(origin + "/static/icon.svg")
		if err != nil {
			return err
		}
		defer res.Body.Close()
		_, err = io.Copy(io.Discard, res.Body)
		return err
	})
	t.line("floor: a file of the server, nothing else going on", still.String())
	planning := plans(b)
	t.line("floor: a plan of the demo's, made in this process by one", planning.String())
	t.line("memory of the server before", anonymous(b, server))

	cfg := crowd.Usual(origin, pieces, tokens, stations, span)
	cfg.Period = time.Minute
	cfg.Every = func(r *crowd.Report) {
		submitted, _, notSent := r.Handed()
		t.line(fmt.Sprintf("after %s", time.Since(r.Began).Round(time.Second)), anonymous(b, server), fmt.Sprintf("%d submitted, %d not sent, machine's load %s", submitted, notSent, load()))
	}
	r, err := crowd.Run(ctx, cfg)
	w.must(err)
	elapsed := time.Since(r.Began)
	for _, m := range []struct {
		what  string
		times *crowd.Times
		floor time.Duration
	}{
		{"submission with a new plan, from when it was due", &r.Planned, planning.p50}, {"submission of a plan that is there", &r.Repeated, commit.p50}, {"withdrawal of the oldest", &r.Withdraw, commit.p50},
		{"entry → told, each of 200", &r.Told, commit.p50}, {"station's part fetched", &r.Tablet, still.p50}, {"board's part fetched", &r.Wall, still.p50},
		{"Stop run, at the server", &r.StopAtServer, commit.p50}, {"Stop run, at the worker", &r.StopAtWorker, still.p50},
	} {
		n, p50 := m.times.At(0.5)
		_, p99 := m.times.At(0.99)
		t.line(m.what, measured{perS: float64(n) / elapsed.Seconds(), p50: p50, p99: p99}.String(), ratio(float64(p50)/float64(m.floor))+" of its floor")
	}
	submitted, withdrawn, notSent := r.Handed()
	missed, twice := r.Untold()
	failed, words := r.Failures()
	t.line("jobs", fmt.Sprintf("%d submitted, %d withdrawn, %d that could not be sent in time", submitted, withdrawn, notSent))
	t.line("told", fmt.Sprintf("%d times not, %d times twice", missed, twice))
	t.line("requests that failed", fmt.Sprint(failed), strings.Join(words, "; "))
	t.line("memory of the server after", anonymous(b, server))
	t.line("load after", load())
}

// plans makes the plans of the demo's drawings for the demo's cutter, one after the other.
func plans(b *testing.B) measured {
	b.Helper()
	machines := demo.Machines()
	var made []plan.Request
	for _, l := range demo.Shelf() {
		for _, d := range demo.Drawings() {
			if d.Material == l.Material.Name {
				made = append(made, plan.Request{Drawing: d.Data(), Operations: d.Operations, Default: plan.Cut, Tool: machines[0].Tool,
					Profile: machines[0].Profile, Material: l.Material, Stock: l.Stock, Settings: demo.Settings(machines[0], machines[0].Tool, d.Material)})
			}
		}
	}
	n := 0
	return press(b, 1, func(context.Context, int) error {
		n++
		_, err := plan.Make(made[n%len(made)])
		return err
	})
}
