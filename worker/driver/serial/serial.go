// Package serial reaches a machine at a serial port. The port is this driver's alone: it is locked
// (flock) and refused to others (TIOCEXCL), since a second open would not fail by itself and two
// writers would mix their bytes.
package serial

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"sync"
	"time"

	"go.bug.st/serial"
	"golang.org/x/sys/unix"

	"kerfgate/plan/machine"
	"kerfgate/worker/driver/talk"
)

// Config is what a serial driver needs.
type Config struct {
	Profile machine.Profile
	Log     *slog.Logger
}

// New describes a driver for a machine at a serial port and opens nothing. Errors name everything that
// is wrong with the profile's description.
func New(cfg Config) (*talk.Driver, error) {
	return talk.New(talk.Config{Profile: cfg.Profile, Log: cfg.Log, Reach: func(context.Context) (talk.Cable, error) {
		return reach(*cfg.Profile.Driver.Port)
	}})
}

// Errors of a port, each with what to do next.
var (
	ErrHeld    = errors.New("the port is held by another process\n  end whatever else talks to the machine")
	ErrMissing = errors.New("the port is not there\n  look at cable, supply and the port's name in the profile")
	ErrRights  = errors.New("the port may not be opened by this user\n  add the user to the port's group")
	ErrNoPort  = errors.New("this is no serial port")
)

// readGap is how often a reader looks whether it shall end.
const readGap = 50 * time.Millisecond

// writeWait is how long a write waits for room in the port's buffer.
const writeWait = 20 * time.Millisecond

// urgentWait is how long a stop tries to get into the port's buffer.
const urgentWait = 100 * time.Millisecond

// cable is an open port. It is opened twice: by the library, which sets it up and reads, and with a
// descriptor of its own that never blocks, so that a stop is not kept waiting by a line that the port
// does not take.
type cable struct {
	port serial.Port
	fd   int
	line string // CutOffLine
	stop chan struct{}
	done chan struct{} // closed when nothing is read any more
	in   chan []byte
	err  error // why reading ended, valid once done is closed

	using  sync.RWMutex // held while fd is in use
	closed bool
}

// reach opens the port and keeps others out. Errors are those above.
func reach(p machine.Port) (*cable, error) {
	fd, err := unix.Open(p.Path, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, named(p.Path, err)
	}
	port, err := hold(p, fd)
	if err != nil {
		return nil, errors.Join(err, unix.Close(fd))
	}
	c := &cable{port: port, fd: fd, line: p.CutOffLine, stop: make(chan struct{}), done: make(chan struct{}), in: make(chan []byte, 16)}
	if err := c.enable(true); err != nil {
		return nil, errors.Join(fmt.Errorf("%s: output %s, at which the cut-off hangs: %w", p.Path, p.CutOffLine, err), port.Close(), unix.Close(fd))
	}
	go c.read()
	return c, nil
}

// hold locks the port for this process and sets it up.
func hold(p machine.Port, fd int) (serial.Port, error) {
	if err := unix.Flock(fd, unix.LOCK_EX|unix.LOCK_NB); err != nil {
		return nil, named(p.Path, err)
	}
	mode := &serial.Mode{BaudRate: int(p.Baud), DataBits: int(p.DataBits),
		Parity:   map[string]serial.Parity{machine.ParityNone: serial.NoParity, machine.ParityOdd: serial.OddParity, machine.ParityEven: serial.EvenParity}[p.Parity],
		StopBits: map[int64]serial.StopBits{1: serial.OneStopBit, 2: serial.TwoStopBits}[p.StopBits]}
	port, err := serial.Open(p.Path, mode)
	if err != nil {
		return nil, named(p.Path, err)
	}
	// The library sets TIOCEXCL too, but says nothing where that fails.
	if err := unix.IoctlSetInt(fd, unix.TIOCEXCL, 0); err != nil {
		return nil, errors.Join(named(p.Path, err), port.Close())
	}
	return port, port.SetReadTimeout(readGap)
}

// named gives an error of a port the meaning that a person can act on.
func named(path string, err error) error {
	var pe *serial.PortError
	code := serial.PortErrorCode(-1)
	if errors.As(err, &pe) {
		code = pe.Code()
	}
	meaning := err
	switch {
	case errors.Is(err, unix.EBUSY), errors.Is(err, unix.EWOULDBLOCK), code == serial.PortBusy:
		meaning = ErrHeld
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, unix.ENXIO), errors.Is(err, unix.ENODEV), errors.Is(err, unix.EIO), code == serial.PortNotFound:
		meaning = ErrMissing
	case errors.Is(err, fs.ErrPermission), code == serial.PermissionDenied:
		meaning = ErrRights
	case errors.Is(err, unix.ENOTTY), code == serial.InvalidSerialPort:
		meaning = ErrNoPort
	}
	return fmt.Errorf("%s: %w", path, meaning)
}

// Probe says whether a port is there, may be opened, is a serial port and is held by nobody; it sends
// nothing. Opening may wake a machine that starts anew when its port is opened. Errors are those of this
// package.
func Probe(p machine.Port) error {
	fd, err := unix.Open(p.Path, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return named(p.Path, err)
	}
	_, err = unix.IoctlGetTermios(fd, unix.TCGETS)
	if err == nil {
		err = unix.Flock(fd, unix.LOCK_EX|unix.LOCK_NB)
	}
	if err != nil {
		err = named(p.Path, err)
	}
	return errors.Join(err, unix.Close(fd))
}

// enable raises or drops the output at which the cut-off hangs.
func (c *cable) enable(on bool) error {
	switch c.line {
	case machine.CutOffDTR:
		return c.port.SetDTR(on)
	case machine.CutOffRTS:
		return c.port.SetRTS(on)
	}
	return nil
}
