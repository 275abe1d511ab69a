package serial

import (
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"kerfgate/plan/machine"
	"kerfgate/worker/driver"
	"kerfgate/worker/driver/drivertest/emulator"
	"kerfgate/worker/driver/drivertest/pty"
	"kerfgate/worker/driver/talk"
)

// hung is an emulated carriage at one end of a cable that can be made bad, and the path of the port at
// the other end: a link, as a rule for a device makes it.
type hung struct {
	t       testing.TB
	carry   *emulator.Carriage
	cfg     emulator.Config
	profile machine.Profile

	mu     sync.Mutex
	master *os.File
	to     func([]byte) []byte // what becomes of bytes on their way to the machine
	from   func([]byte) []byte
	wait   time.Duration // on the way back
	fed    sync.WaitGroup
}

// hang switches a carriage on and plugs it in.
func hang(t testing.TB, cfg emulator.Config) *hung {
	t.Helper()
	h := &hung{t: t, cfg: cfg, profile: emulator.Profile()}
	h.profile.Driver = machine.Driver{Kind: machine.DriverSerial, OwedBytes: 128, Dialect: emulator.SerialDialect(),
		Port: &machine.Port{Path: filepath.Join(t.TempDir(), "bench"), Baud: 250_000, DataBits: 8, StopBits: 1, Parity: machine.ParityNone}}
	h.profile.Driver.Dialect.WakesWithinMS = 300
	cfg.Counts, cfg.Locks = true, true
	answers := make(chan string, 1024)
	cfg.Say = func(text string) {
		select {
		case answers <- text:
		default:
		}
	}
	h.carry = emulator.New(cfg)
	stop := make(chan struct{})
	var running sync.WaitGroup
	h.plug()
	running.Go(func() { h.carry.Run(stop) })
	running.Go(func() {
		for {
			select {
			case <-stop:
				return
			case text := <-answers:
				h.answer(text)
			}
		}
	})
	t.Cleanup(func() {
		close(stop)
		h.unplug()
		running.Wait()
	})
	return h
}

// plug lays a new cable; the port gets its old name.
func (h *hung) plug() {
	h.t.Helper()
	master, path, err := pty.Open()
	if err != nil {
		h.t.Fatalf("no pseudo-terminal: %v", err)
	}
	link := h.profile.Driver.Port.Path
	if err := os.Remove(link); err != nil && !os.IsNotExist(err) {
		h.t.Fatal(err)
	}
	if err := os.Symlink(path, link); err != nil {
		h.t.Fatal(err)
	}
	// A half that nobody has open makes the other one fail; hold it open until the driver does.
	keep, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		h.t.Fatal(err)
	}
	h.mu.Lock()
	h.master = master
	h.mu.Unlock()
	h.fed.Go(func() {
		defer keep.Close()
		b := make([]byte, 256)
		for {
			n, err := master.Read(b)
			if err != nil {
				return
			}
			h.mu.Lock()
			to := h.to
			h.mu.Unlock()
			data := append([]byte(nil), b[:n]...)
			if to != nil {
				data = to(data)
			}
			h.carry.Feed(data)
		}
	})
}

func (h *hung) unplug() {
	h.mu.Lock()
	if h.master != nil {
		h.master.Close()
		h.master = nil
	}
	h.mu.Unlock()
	h.fed.Wait()
}

func (h *hung) answer(text string) {
	h.mu.Lock()
	from, wait := h.from, h.wait
	h.mu.Unlock()
	data := []byte(text + "\r\n")
	if from != nil {
		data = from(data)
	}
	time.Sleep(wait)
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.master != nil {
		_, _ = h.master.Write(data)
	}
}

func (h *hung) bad(to, from func([]byte) []byte) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.to, h.from = to, from
}

// driver makes a driver whose sheet is what the carriage burned.
func (h *hung) driver() driver.Driver {
	h.t.Helper()
	d, err := New(Config{Profile: h.profile, Log: slog.New(slog.NewTextHandler(io.Discard, nil))})
	if err != nil {
		h.t.Fatal(err)
	}
	return &seen{d, h.carry}
}

// seen is a driver of a machine whose sheet can be looked at.
type seen struct {
	*talk.Driver
	carry *emulator.Carriage
}

func (s *seen) Sheet() (*driver.Sheet, error) {
	lines, length := s.carry.Burned()
	return &driver.Sheet{Polylines: lines, BurnedUM: length}, nil
}
