package bench

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nkeys"

	"kerfgate/checklist/permit"
	"kerfgate/plan/machine"
	"kerfgate/queue/broker"
	"kerfgate/worker"
	"kerfgate/worker/driver"
	"kerfgate/worker/driver/simulated"
)

// floorWorker is a real worker with a simulated machine, in a process of its own as every worker is: it must not
// stop later because the server's callers keep this one busy. It tells when its first line and its offs go out.
// Its countdown is left out.
type floorWorker struct {
	url        string
	moved, off chan time.Time
}

// workerConfig is what the process is told, as JSON in the environment.
type workerConfig struct {
	Dir, Broker, Seed, PermitPublic string
	Machine                         uuid.UUID
}

const workerEnv = "KERFGATE_BENCH_WORKER"

func TestMain(m *testing.M) {
	if text := os.Getenv(workerEnv); text != "" {
		if err := beWorker(text); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	os.Exit(m.Run())
}

func (w *workshop) startWorker() *floorWorker {
	w.b.Helper()
	seed, err := w.key.Seed()
	w.must(err)
	text, err := json.Marshal(workerConfig{Dir: filepath.Join(w.dir, "worker"), Broker: w.broker.URL(), Seed: string(seed),
		PermitPublic: w.keys.PermitPublic, Machine: w.machine.ID})
	w.must(err)
	self, err := os.Executable()
	w.must(err)
	cmd := exec.Command(self)
	cmd.Env, cmd.Stderr = append(os.Environ(), workerEnv+"="+string(text)), os.Stderr
	out, err := cmd.StdoutPipe()
	w.must(err)
	w.must(cmd.Start())
	f := &floorWorker{moved: make(chan time.Time, 1), off: make(chan time.Time, 64)}
	listening := make(chan string, 1)
	done := make(chan struct{})
	go func() {
		defer close(done)
		for lines := bufio.NewScanner(out); lines.Scan(); {
			var what, said string
			if _, err := fmt.Sscan(lines.Text(), &what, &said); err != nil {
				continue
			}
			at, _ := time.Parse(time.RFC3339Nano, said) // the address is no time
			switch what {
			case "listening":
				listening <- said
			case "moved":
				select {
				case f.moved <- at:
				default:
				}
			case "off":
				select {
				case f.off <- at:
				default:
				}
			}
		}
	}()
	w.b.Cleanup(func() {
		_ = cmd.Process.Signal(syscall.SIGINT) // it may have ended
		<-done
		_ = cmd.Wait()
	})
	select {
	case f.url = <-listening:
	case <-done:
		w.b.Fatal("the worker ended before it listened")
	}
	return f
}

// say writes a line of the worker's process. Several goroutines do, each a line at once.
func say(what, value string) { _, _ = os.Stdout.WriteString(what + " " + value + "\n") }

func sayNow(what string) { say(what, time.Now().Format(time.RFC3339Nano)) }

// stopTimer is a driver that tells when off was sent.
type stopTimer struct{ driver.Driver }

func (s stopTimer) Stop() error {
	err := s.Driver.Stop()
	sayNow("off")
	return err
}

// beWorker is the process.
func beWorker(text string) error {
	var c workerConfig
	if err := json.NewDecoder(strings.NewReader(text)).Decode(&c); err != nil {
		return err
	}
	ctx, end := signal.NotifyContext(context.Background(), os.Interrupt)
	defer end()
	key, err := nkeys.FromSeed([]byte(c.Seed))
	if err != nil {
		return err
	}
	public, err := key.PublicKey()
	if err != nil {
		return err
	}
	folder, err := worker.OpenFolder(c.Dir)
	if err != nil {
		return err
	}
	defer folder.Close()
	verifiers, err := permit.Verifiers(c.PermitPublic)
	if err != nil {
		return err
	}
	link := func(name string) broker.Connection {
		return broker.Connection{URL: c.Broker, Key: key, Inbox: broker.InboxPrefix(c.Machine), Name: name}
	}
	conn, err := broker.Dial(link("worker"))
	if err != nil {
		return err
	}
	defer conn.Close()
	stop, err := broker.Dial(link("worker stop"))
	if err != nil {
		return err
	}
	defer stop.Close()
	made, err := worker.New(worker.Config{Machine: c.Machine, MachineKey: public, ServerKeys: verifiers, Folder: folder,
		Driver: func(p machine.Profile) (driver.Driver, error) {
			d, err := simulated.New(simulated.Config{Profile: p, EdgeFile: filepath.Join(c.Dir, "edges")})
			return stopTimer{d}, err
		},
		Link: func(h broker.Handlers) (worker.Link, error) {
			return broker.NewClient(broker.ClientConfig{Conn: conn, StopConn: stop, Key: key, Machine: c.Machine, Handlers: h})
		},
		Countdown: time.Nanosecond,
		Listening: func(address string) { say("listening", "http://"+address) },
		Failpoint: func(name string) {
			if name == "first line" {
				sayNow("moved")
			}
		}})
	if err != nil {
		return err
	}
	return made.Run(ctx)
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
	if res.StatusCode != http.StatusOK {
		return 0, fmt.Errorf("stop answered %s", res.Status)
	}
	for minute := time.After(time.Minute); ; {
		select {
		case off := <-f.off:
			if took := off.Sub(began); took >= 0 {
				return took, nil
			} // that was the end of another run
		case <-minute:
			return 0, fmt.Errorf("stop answered %s, and off was not sent within a minute", res.Status)
		}
	}
}
