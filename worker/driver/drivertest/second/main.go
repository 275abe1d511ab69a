//go:build unix

// Command second is an imaginary carriage with a tool, written from the page and the two profiles
// beside it and from the words of ISO 6983-1, by somebody who had not read the drivers: what a driver
// and the emulator of its own author got wrong together shows here. It shares no code with either.
package main

import (
	"errors"
	"fmt"
	"os"
	"os/signal"
	"strings"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// tick is how often lines are carried on while there are any.
const tick = time.Millisecond

// host is the cable: lines that came and have not been answered, and a part of one.
type host struct {
	*carriage
	end     byte // closes a line, both ways
	waiting []received
	part    []byte
	lost    bool // the part of a line has lost bytes: there was no room for them
	refuse  bool // the part of a line began while the machine was stopped
}

type received struct {
	text         string
	lost, refuse bool
}

func main() {
	mode := strings.Join(os.Args[1:], " ")
	if mode != "serial" && mode != "program" {
		fmt.Fprintln(os.Stderr, "call it: second serial, or: second program")
		os.Exit(2)
	}
	var err error
	if mode == "serial" {
		h := host{carriage: newCarriage(true, time.Now()), end: '\r'}
		err = h.serial()
	} else {
		h := host{carriage: newCarriage(false, time.Now()), end: '\n'}
		err = h.program()
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "second:", err)
		os.Exit(1)
	}
}

var errEnded = errors.New("end of input")

// serial talks on a cable where a command is one byte that acts at once, in the middle of a line too.
func (h *host) serial() error {
	commands := map[byte]func(){
		0x01: h.where, 0x02: h.hold, 0x03: h.goOn, 0x04: h.halt, 0x05: h.forget,
		0x06: func() { h.locked = false }, 0x10: h.lock,
	}
	h.say("second carriage, awake")
	for {
		ready, err := wait(h.pause(), 0)
		if err != nil {
			return err
		}
		h.carryOn(time.Now())
		if ready[0] {
			b, err := read(0)
			switch {
			case errors.Is(err, errEnded):
				return nil
			case errors.Is(err, syscall.EIO):
				time.Sleep(5 * time.Millisecond) // nobody at the other end of the cable just now
			case err != nil:
				return err
			}
			for _, c := range b {
				if act := commands[c]; act != nil {
					act()
				} else if h.receive(c) {
					h.answer() // before the next byte, which may be a command
				}
			}
		}
		h.answer()
	}
}

// program takes lines on standard input and commands, each a line, on descriptor 3.
func (h *host) program() error {
	commands := map[string]func(){
		"?where": h.where, "?hold": h.hold, "?go on": h.goOn,
		// What was sent before a stop may still lie in the pipe: it is forgotten with the rest. What lies
		// there at a forget came while the machine was stopped, and is refused.
		"?stop":   func() { h.drain(func() {}); h.halt() },
		"?forget": func() { h.drain(h.answer); h.forget() },
	}
	terminated := make(chan os.Signal, 4)
	signal.Notify(terminated, syscall.SIGTERM)
	bell, ring, err := os.Pipe() // a signal must wake the wait for input
	if err != nil {
		return fmt.Errorf("pipe for signals: %w", err)
	}
	go func() {
		for range terminated {
			_, _ = ring.Write([]byte{0}) // a full pipe rings already
		}
	}()
	h.say("second carriage, awake")
	var command []byte
	fds := []int{0, int(bell.Fd()), 3}
	for {
		ready, err := wait(h.pause(), fds...)
		if err != nil {
			return err
		}
		h.carryOn(time.Now())
		if ready[1] {
			if _, err := read(fds[1]); err != nil {
				return err
			}
			h.drain(func() {})
			h.halt()
		}
		if len(fds) > 2 && ready[2] {
			b, err := read(3)
			if errors.Is(err, errEnded) {
				fds = fds[:2]
			} else if err != nil {
				return err
			}
			for _, c := range b {
				if c != '\n' {
					command = append(command, c)
					continue
				}
				if act := commands[string(command)]; act != nil {
					act()
				}
				command = command[:0]
			}
		}
		if ready[0] {
			if err := h.lines(h.answer); errors.Is(err, errEnded) {
				return nil // the tool goes off with the machine
			} else if err != nil {
				return err
			}
		}
		h.answer()
	}
}

// lines reads what came on standard input, and calls whole after each line.
func (h *host) lines(whole func()) error {
	b, err := read(0)
	for _, c := range b {
		if h.receive(c) {
			whole()
		}
	}
	return err
}

// drain reads all that lies on standard input now. Its end is seen again by the next read.
func (h *host) drain(whole func()) {
	for {
		ready, err := wait(0, 0)
		if err != nil || !ready[0] || h.lines(whole) != nil {
			return
		}
	}
}

func (h *host) where() { h.say(h.here()) }
func (h *host) hold()  { h.held = true }
func (h *host) goOn()  { h.held = false }

func (h *host) halt() {
	h.stop()
	h.waiting, h.part, h.lost, h.refuse = nil, nil, false, false
	h.say("#stopped")
}

func (h *host) forget() { h.stopped = false }

// receive takes one byte of a line and says whether the line is whole. Bytes beyond what the machine
// may be owed are lost, as they are in a machine of iron.
func (h *host) receive(c byte) bool {
	h.refuse = h.refuse || h.stopped
	if c != h.end {
		if h.owed() >= storeBytes {
			h.lost = true
		} else {
			h.part = append(h.part, c)
		}
		return false
	}
	h.waiting = append(h.waiting, received{string(h.part), h.lost || h.owed() >= storeBytes, h.refuse})
	h.part, h.lost, h.refuse = nil, false, false
	return true
}

// owed is how many bytes have come that were not answered.
func (h *host) owed() int {
	n := len(h.part)
	for _, r := range h.waiting {
		n += len(r.text) + 1
	}
	return n
}

// answer answers lines in the order in which they came, as far as there is room for them.
func (h *host) answer() {
	for len(h.waiting) > 0 {
		r := h.waiting[0]
		switch {
		case r.lost:
			h.say("#! bytes were lost, you sent more than i can be owed")
		case r.refuse:
			h.say("#! stopped, i wait for forget")
		case !h.room(len(r.text)):
			return
		default:
			if err := h.take(r.text); err != nil {
				h.say("#! " + err.Error())
			} else {
				h.say(fmt.Sprintf("#%d", len(r.text)))
			}
			h.carryOn(h.clock) // what takes no time is done at once
		}
		h.waiting = h.waiting[1:]
	}
}

// say writes one line. A cable that nobody holds at the other end swallows it.
func (h *host) say(text string) {
	_, _ = os.Stdout.WriteString(text + string(h.end))
}

// pause is how long to wait for input: until the next tick, or for ever where nothing is to be done.
func (h *host) pause() time.Duration {
	if len(h.store) > 0 && !h.held {
		return tick
	}
	return -1
}

// wait waits until one of the descriptors can be read; a negative time waits for ever.
func wait(long time.Duration, fds ...int) ([]bool, error) {
	poll := make([]unix.PollFd, len(fds))
	for i, fd := range fds {
		poll[i] = unix.PollFd{Fd: int32(fd), Events: unix.POLLIN}
	}
	ms := int(long.Milliseconds())
	if long < 0 {
		ms = -1
	}
	if _, err := unix.Poll(poll, ms); err != nil && !errors.Is(err, syscall.EINTR) {
		return nil, fmt.Errorf("wait for input: %w", err)
	}
	ready := make([]bool, len(fds))
	for i, p := range poll {
		ready[i] = p.Revents != 0
	}
	return ready, nil
}

func read(fd int) ([]byte, error) {
	b := make([]byte, 4096)
	n, err := unix.Read(fd, b)
	switch {
	case errors.Is(err, syscall.EINTR), errors.Is(err, syscall.EAGAIN):
		return nil, nil
	case err != nil:
		return nil, fmt.Errorf("read descriptor %d: %w", fd, err)
	case n == 0:
		return nil, errEnded
	}
	return b[:n], nil
}
