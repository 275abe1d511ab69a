package bench

import (
	"context"
	"fmt"
	"net/http"
	"path/filepath"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"kerfgate/checklist/permit"
	"kerfgate/db"
	"kerfgate/plan/machine"
	"kerfgate/queue"
	"kerfgate/queue/broker"
	"kerfgate/worker"
	"kerfgate/worker/driver"
	"kerfgate/worker/driver/simulated"
)

// floorWorker is a real worker with a simulated machine, in this process, that tells when its first
// line and its stops go out. Its countdown is left out.
type floorWorker struct {
	url   string
	moved chan time.Time
	off   atomic.Int64 // when the driver had sent off, in ns
}

// stopTimer is a driver that notes when off was sent.
type stopTimer struct {
	driver.Driver
	off *atomic.Int64
}

func (s stopTimer) Stop() error {
	err := s.Driver.Stop()
	s.off.Store(time.Now().UnixNano())
	return err
}

func (w *workshop) startWorker() *floorWorker {
	w.b.Helper()
	f := &floorWorker{moved: make(chan time.Time, 1)}
	public, err := w.key.PublicKey()
	w.must(err)
	folder, err := worker.OpenFolder(filepath.Join(w.dir, "worker"))
	w.must(err)
	w.b.Cleanup(func() { _ = folder.Close() })
	verifiers, err := permit.Verifiers(w.keys.PermitPublic)
	w.must(err)
	link := func(name string) broker.Connection {
		return broker.Connection{URL: w.broker.URL(), Key: w.key, Inbox: broker.InboxPrefix(w.machine.ID), Name: name}
	}
	conn, err := broker.Dial(link("worker"))
	w.must(err)
	w.b.Cleanup(conn.Close)
	stop, err := broker.Dial(link("worker stop"))
	w.must(err)
	w.b.Cleanup(stop.Close)
	listening := make(chan string, 1)
	made, err := worker.New(worker.Config{Machine: w.machine.ID, MachineKey: public, ServerKeys: verifiers, Folder: folder,
		Driver: func(p machine.Profile) (driver.Driver, error) {
			d, err := simulated.New(simulated.Config{Profile: p, EdgeFile: filepath.Join(w.dir, "edges")})
			return stopTimer{d, &f.off}, err
		},
		Link: func(h broker.Handlers) (worker.Link, error) {
			return broker.NewClient(broker.ClientConfig{Conn: conn, StopConn: stop, Key: w.key, Machine: w.machine.ID, Handlers: h})
		},
		Countdown: time.Nanosecond,
		Listening: func(address string) { listening <- address },
		Failpoint: func(name string) {
			if name == "first line" {
				select {
				case f.moved <- time.Now():
				default:
				}
			}
		}})
	w.must(err)
	w.during(made.Run)
	f.url = "http://" + <-listening
	return f
}

// starts is how long after the press of Sign and start the first line goes to the machine, countdown
// left out.
func (w *workshop) starts(f *floorWorker, n int) measured {
	w.b.Helper()
	var took []time.Duration
	began := time.Now()
	for range n {
		run := w.submit().Runs[0].ID
		w.toTheGate(run)
		pressed := time.Now()
		w.signAndStart(run)
		select {
		case moved := <-f.moved:
			took = append(took, moved.Sub(pressed))
		case <-time.After(time.Minute):
			w.b.Fatal("no motion within a minute of Sign and start")
		}
		_, err := w.stop(f)
		w.must(err)
		w.finish(run)
	}
	return of(took, time.Since(began))
}

// stop posts Stop run to the worker's own listener and returns how long after the post off was sent.
func (w *workshop) stop(f *floorWorker) (time.Duration, error) {
	began := time.Now()
	res, err := http.Post(f.url+"/stop", "", nil)
	if err != nil {
		return 0, err
	}
	if err := res.Body.Close(); err != nil {
		return 0, err
	}
	off := time.Unix(0, f.off.Load())
	if res.StatusCode != http.StatusOK || off.Before(began) {
		return 0, fmt.Errorf("stop answered %s, and off was sent %s before it", res.Status, began.Sub(off))
	}
	return off.Sub(began), nil
}

// stopsUnderLoad presses Stop run while a run moves and clients write all that they can. The first
// press of each round meets a moving machine; the others are as urgent to whoever presses.
func (w *workshop) stopsUnderLoad(b *testing.B, f *floorWorker, rounds int) measured {
	b.Helper()
	ctx, end := context.WithCancel(b.Context())
	idle := make(chan struct{})
	go func() {
		defer close(idle)
		w.pressUntil(ctx, clients)
	}()
	defer func() { end(); <-idle }()
	var took []time.Duration
	began := time.Now()
	for range rounds {
		run := w.submit().Runs[0].ID
		w.toTheGate(run)
		w.signAndStart(run)
		select {
		case <-f.moved:
		case <-time.After(time.Minute):
			b.Fatal("no motion within a minute of Sign and start")
		}
		for range 40 {
			d, err := w.stop(f)
			w.must(err)
			took = append(took, d)
		}
		w.waitFor(run, "it to end", func(r db.Run) bool { return r.Phase == queue.Inspecting })
		w.finish(run)
	}
	return of(took, time.Since(began))
}

// pressUntil lets callers change state, one after the other each, until ctx ends.
func (w *workshop) pressUntil(ctx context.Context, callers int) {
	var wait sync.WaitGroup
	for range callers {
		wait.Go(func() {
			for ctx.Err() == nil {
				_ = w.store.NoteStop(ctx, w.officer, w.other.ID, "load") // the load may fail, as long as it loads
			}
		})
	}
	wait.Wait()
}
