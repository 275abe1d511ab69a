package worker

import (
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"

	"kerfgate/checklist/permit"
	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/queue/broker"
	"kerfgate/worker/driver"
	"kerfgate/worker/driver/drivertest/emulator"
	"kerfgate/worker/driver/drivertest/pty"
	"kerfgate/worker/driver/serial"
)

// I1: placing at the other end of a cable. What the machine hears under a set-up leave is written down
// byte by byte, and its energy is watched by the machine itself: neither a line that could switch the beam
// nor the command that would let one is among it. The span that it tells is held against the profile.
func TestI1_PlacingOverACable(t *testing.T) {
	if testing.Short() {
		t.Skip("takes seconds of real time")
	}
	t.Parallel()
	master, path, err := pty.Open()
	if err != nil {
		t.Fatalf("no pseudo-terminal: %v", err)
	}
	keep, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	energy := filepath.Join(t.TempDir(), "energy")
	carriage := emulator.New(emulator.Config{Says: true, Pace: 1, Counts: true, Locks: true, EnergyFile: energy, SpanMM: 200.3,
		Say: func(text string) { _, _ = master.WriteString(text + "\n") }}) // a cable without a reader is the driver's to notice
	var heard []byte
	var mu sync.Mutex
	var running sync.WaitGroup
	stop := make(chan struct{})
	running.Go(func() { carriage.Run(stop) })
	running.Go(func() {
		buffer := make([]byte, 4096)
		for {
			n, err := master.Read(buffer)
			mu.Lock()
			heard = append(heard, buffer[:n]...)
			mu.Unlock()
			carriage.Feed(buffer[:n])
			if err != nil {
				return
			}
		}
	})
	s := newShop(t)
	s.profile = emulator.Profile()
	s.profile.Driver = machine.Driver{Kind: machine.DriverSerial, OwedBytes: 128, Dialect: emulator.SerialDialect(),
		Port: &machine.Port{Path: path, Baud: 250_000, DataBits: 8, StopBits: 1, Parity: machine.ParityNone}}
	s.profile.Driver.Dialect.WakesWithinMS = 300
	// Of a machine that is as busy as the one that tests it; it says on its cable too when it was stopped.
	s.profile.Driver.Dialect.Stopped, s.profile.Driver.Dialect.AnswerWithinMS = `^enough it is$`, 1000
	s.profile.PlacingX = machine.Placing{How: machine.PlacingMiddleOfSpan, SpanUM: 200_000, ToleranceUM: 500}
	s.setPlan("beam", 42)
	linked := make(chan struct{})
	s.tweak = func(c *Config) {
		link := c.Link
		c.Link = func(h broker.Handlers) (Link, error) {
			defer close(linked)
			return link(h)
		}
		c.Clock = HostClock{}
		c.Driver = func(p machine.Profile) (driver.Driver, error) { return serial.New(serial.Config{Profile: p}) }
	}
	s.startsReal(t)
	<-linked
	t.Cleanup(func() {
		s.closes()
		close(stop)
		keep.Close()
		master.Close()
		running.Wait()
	})
	soon := func(what string, ok func() bool) {
		t.Helper()
		for limit := time.Now().Add(10 * time.Second); !ok(); time.Sleep(5 * time.Millisecond) {
			if time.Now().After(limit) {
				t.Fatalf("never: %s", what)
			}
		}
	}
	var number int64
	var leave []byte
	says := func(c broker.SetupCommand) (r broker.SetupResult) {
		t.Helper()
		number++
		c.Leave, c.Number = leave, number
		s.handlers.Setup(c)
		soon("an answer to "+c.Kind, func() bool {
			s.mu.Lock()
			defer s.mu.Unlock()
			for _, r = range s.results {
				if r.Number == number {
					return true
				}
			}
			return false
		})
		return r
	}
	soon("a challenge", func() bool {
		s.handlers.Challenge(broker.ChallengeAsk{Ask: [16]byte{1}, Purpose: broker.PurposeSetup})
		time.Sleep(50 * time.Millisecond)
		s.mu.Lock()
		defer s.mu.Unlock()
		if n := len(s.challenges); n > 0 && s.challenges[n-1].Problem == "" {
			leave = sign(s, permit.Leave{Serial: uuid.UUID{4}, Machine: s.machine, Operator: uuid.UUID{9}, Epoch: s.epoch,
				Challenge: s.challenges[n-1].Challenge, AgeLimitS: 600})
			return true
		}
		return false
	})
	if r := says(broker.SetupCommand{Kind: broker.SetupHome}); r.Problem != "" || !r.Homed || r.Span.X != 200_300 {
		t.Fatalf("home: %+v", r)
	}
	if r := says(broker.SetupCommand{Kind: broker.SetupJog, By: geom.Pt(8_000, 5_000)}); r.Problem != "" {
		t.Fatalf("jog: %+v", r)
	}
	// The outline of a triangle is gone around while it is held.
	r := says(broker.SetupCommand{Kind: broker.SetupGrip, Origin: geom.Pt(10_000, 10_000), Around: []geom.Point{geom.Pt(0, 0), geom.Pt(20_000, 0), geom.Pt(10_000, 10_000)}})
	for limit := time.Now().Add(20 * time.Second); !r.Traced; time.Sleep(80 * time.Millisecond) {
		if r = says(broker.SetupCommand{Kind: broker.SetupBeat, Grip: r.Grip, Tick: r.Tick}); r.Problem != "" || time.Now().After(limit) {
			t.Fatalf("tracing: %+v", r)
		}
	}
	if r.Position.X != 10_000 && r.Position.X != 20_000 && r.Position.X != 30_000 {
		t.Errorf("traced, and rests at %v", r.Position)
	}
	r = says(broker.SetupCommand{Kind: broker.SetupGrip, By: geom.Pt(1, 0)})
	from := r.Position
	for begun := time.Now(); time.Since(begun) < time.Second; time.Sleep(80 * time.Millisecond) {
		if r = says(broker.SetupCommand{Kind: broker.SetupBeat, Grip: r.Grip, Tick: r.Tick}); r.Problem != "" {
			t.Fatalf("beat: %+v", r)
		}
	}
	silent := time.Now()
	where := func() geom.Point {
		status, err := s.w.where()
		if err != nil {
			t.Fatal(err)
		}
		return status.Position
	}
	at, rested := where(), silent
	for time.Since(silent) < 1200*time.Millisecond {
		if now := where(); now != at {
			at, rested = now, time.Now()
		}
	}
	t.Logf("%.1f mm while held for a second; at rest %d ms after the last sign of life", float64(at.X-from.X)/1000, rested.Sub(silent).Milliseconds())
	if moved := at.X - from.X; moved < 8_000 || moved > 27_000 {
		t.Errorf("moved %d µm while it was held for a second", moved)
	}
	if took := rested.Sub(silent); took > holdFor+150*time.Millisecond { // the cable's own delay and a busy host
		t.Errorf("at rest %v after the last sign of life", took)
	}
	mu.Lock()
	defer mu.Unlock()
	for _, line := range strings.Split(string(heard), "\n") {
		words := strings.Map(func(c rune) rune {
			if c > '~' || c < ' ' {
				return -1
			}
			return c
		}, line)
		if driver.SwitchesOn(words) || strings.Contains(words, "S") {
			t.Errorf("the machine heard %q", words)
		}
	}
	if arm := s.profile.Driver.Dialect.Arm; strings.Contains(string(heard), string([]byte{byte([]rune(arm)[0])})) {
		t.Error("the machine was armed")
	}
	if text, err := os.ReadFile(energy); err == nil && len(text) > 0 {
		t.Errorf("the beam had energy: %s", text)
	}
}
