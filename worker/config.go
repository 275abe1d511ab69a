package worker

import (
	"context"
	"crypto/tls"
	"errors"
	"log/slog"
	"net"
	"time"

	"github.com/google/uuid"
	"golang.org/x/mod/sumdb/note"

	"kerfgate/plan/machine"
	"kerfgate/queue"
	"kerfgate/queue/broker"
	"kerfgate/worker/driver"
	"kerfgate/worker/journal"
)

// Link is the way to the server. *broker.Client is one.
type Link interface {
	// Run hands messages to the handlers until ctx is done.
	Run(ctx context.Context) error
	State(ctx context.Context, ask broker.StateAsk) (broker.State, error)
	PlanChunk(ctx context.Context, ask broker.PlanAsk) ([]byte, error)
	// Report returns when the report stream has it on disk.
	Report(ctx context.Context, r broker.Report) error
	AnswerChallenge(broker.ChallengeAnswer) error
	Taken(broker.Taken) error
	AnswerSetup(broker.SetupResult) error
	Reading(broker.Reading) error
}

// Files is what a worker needs of its folder: that of its journal, and plans and the profile in
// force beside it.
type Files interface {
	journal.Files
	// Write replaces a whole file durably; Append adds to one that may be missing.
	Write(name string, data []byte) error
	Append(name string, data []byte) error
	// Open opens a file for reading in parts; Keep makes what Append wrote durable under another name.
	Open(name string) (Stored, error)
	Keep(from, to string) error
	Remove(name string) error
	List() ([]string, error)
}

// Config is what a worker needs to know. Times that are zero get the defaults of WithDefaults.
type Config struct {
	Machine uuid.UUID
	// MachineKey is the worker's public nkey: the audience of permits.
	MachineKey string
	// ServerKeys verify the server's statements; see permit.Verifiers. They are pinned by whoever
	// enrols the worker.
	ServerKeys note.Verifiers
	// LogKeys verify the logbook's heads, pinned as well; nil keeps no heads.
	LogKeys note.Verifiers
	// Pin keeps, durably, another key in the place of a pinned one, whose holder named it: name is
	// PinPermit or PinLog. Nil follows no replacement.
	Pin    func(name, public string) error
	Folder Files
	// Driver makes the driver for a profile. It is called again when another profile comes in
	// force while nothing runs.
	Driver func(machine.Profile) (driver.Driver, error)
	Link   func(broker.Handlers) (Link, error)
	Clock  Clock
	// Awake keeps the host from sleeping until its answer is called, while a run is under way; nil
	// does not try. See StayAwake.
	Awake func(context.Context) (release func(), err error)
	Log   *slog.Logger

	// Alive is told each time the core has looked around, at least twice a second; it may not wait.
	Alive func()

	// Listen is the address of the stop and attendance listener; Origin the one web origin that
	// may read its answers, empty for none.
	Listen string
	Origin string
	// Secure gives what the listener at an address serves with, and may wait for it; nil for plain HTTP,
	// which is taken on loopback only. A nil Secure asks for plain HTTP.
	Secure func(ctx context.Context, address net.Addr) (*tls.Config, error)
	// Listening is told the address once the listener answers there.
	Listening func(address string)

	GoWait      time.Duration // how long a burned permit waits for go
	Countdown   time.Duration // before the first motion
	PausedLimit time.Duration // how long a run may be paused
	Poll        time.Duration // between two looks at the server's state
	Resend      time.Duration // of reports that were not applied, at first
	ReadingsGap time.Duration
	MaxPlan     int64 // bytes

	// Failpoint is called at named steps, so that a test can end the process there.
	Failpoint func(name string)

	random func() [32]byte
	lines  liner
	serve  func(context.Context, *Worker)
}

// WithDefaults gives c with every zero time and bound set.
func (c Config) WithDefaults() Config {
	set := func(d *time.Duration, v time.Duration) {
		if *d == 0 {
			*d = v
		}
	}
	set(&c.GoWait, 2*time.Second)
	set(&c.Countdown, 5*time.Second)
	set(&c.PausedLimit, queue.LongestPause)
	set(&c.Poll, 5*time.Second)
	set(&c.Resend, 5*time.Second)
	set(&c.ReadingsGap, 200*time.Millisecond)
	if c.MaxPlan == 0 {
		c.MaxPlan = 256 << 20
	}
	if c.Clock == nil {
		c.Clock = HostClock{}
	}
	if c.Log == nil {
		c.Log = slog.New(slog.DiscardHandler)
	}
	if c.Listen == "" {
		c.Listen = "127.0.0.1:0"
	}
	if c.Alive == nil {
		c.Alive = func() {}
	}
	if c.Failpoint == nil {
		c.Failpoint = func(string) {}
	}
	if c.random == nil {
		c.random = random
	}
	if c.serve == nil {
		c.serve = func(ctx context.Context, w *Worker) { w.listen(ctx) }
	}
	if c.lines == nil {
		c.lines = linesOf
	}
	return c
}

func (c Config) validate() error {
	switch {
	case c.Machine == uuid.Nil || c.MachineKey == "":
		return errors.New("a worker needs its machine's id and its own public key")
	case c.ServerKeys == nil:
		return errors.New("a worker needs the server's pinned keys")
	case c.Folder == nil || c.Driver == nil || c.Link == nil:
		return errors.New("a worker needs a folder, a driver and a link")
	}
	if c.GoWait < 0 || c.Countdown < 0 || c.PausedLimit < 0 || c.Poll < 0 || c.Resend < 0 || c.ReadingsGap < 0 || c.MaxPlan < 0 {
		return errors.New("a worker's times and bounds may not be negative")
	}
	return nil
}
