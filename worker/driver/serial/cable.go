package serial

import (
	"errors"
	"io"
	"time"

	"golang.org/x/sys/unix"
)

// read pumps bytes until the port ends or is closed. The library's Read is given a time-out, and the
// port is closed only when this has ended: a descriptor that is closed under a reader may be somebody
// else's a moment later.
func (c *cable) read() {
	defer close(c.done)
	for {
		b := make([]byte, 512)
		n, err := c.port.Read(b)
		if n > 0 {
			select {
			case c.in <- b[:n]:
			case <-c.stop:
			}
		}
		if err != nil {
			c.err = err
			return
		}
		select {
		case <-c.stop:
			c.err = io.ErrClosedPipe
			return
		default:
		}
	}
}

// Read waits for bytes.
func (c *cable) Read(p []byte) (int, error) {
	select {
	case b := <-c.in:
		return copy(p, b), nil // p is larger than any piece
	case <-c.done:
		select {
		case b := <-c.in:
			return copy(p, b), nil
		default:
		}
		if c.err == nil {
			return 0, io.EOF
		}
		return 0, c.err
	}
}

// Write sends what the port has room for.
func (c *cable) Write(p []byte) (int, error) { return c.put(p, writeWait) }

// put writes without blocking until everything is out or the time is over.
func (c *cable) put(p []byte, within time.Duration) (int, error) {
	c.using.RLock()
	defer c.using.RUnlock()
	if c.closed {
		return 0, io.ErrClosedPipe
	}
	sent := 0
	for until := time.Now().Add(within); ; {
		n, err := unix.Write(c.fd, p[sent:])
		if n > 0 {
			sent += n
		}
		left := time.Until(until)
		switch {
		case err != nil && !errors.Is(err, unix.EAGAIN) && !errors.Is(err, unix.EINTR):
			return sent, err
		case sent == len(p) || left <= 0:
			return sent, nil
		case err == nil:
			continue
		}
		ready := []unix.PollFd{{Fd: int32(c.fd), Events: unix.POLLOUT}}
		if _, err := unix.Poll(ready, int(min(left, 5*time.Millisecond).Milliseconds())+1); err != nil && !errors.Is(err, unix.EINTR) {
			return sent, err
		}
		if ready[0].Revents&(unix.POLLHUP|unix.POLLERR|unix.POLLNVAL) != 0 {
			return sent, io.ErrClosedPipe
		}
	}
}

var errNoRoom = errors.New("the port takes no bytes")

// Urgent sends a command whose bytes the machine picks out of whatever else is on the cable.
func (c *cable) Urgent(p []byte) error {
	n, err := c.put(p, 0)
	if err == nil && n < len(p) {
		err = errNoRoom
	}
	return err
}

// Stop drops what the port has not sent yet and sends the stop. A line may end in its middle: the
// machine forgets it with the others.
func (c *cable) Stop(p []byte) error {
	flushed := c.drop()
	n, err := c.put(p, urgentWait)
	if err == nil && n < len(p) {
		err = errNoRoom
	}
	if err != nil {
		return errors.Join(err, flushed)
	}
	return nil // a port that cannot drop its bytes sends them first
}

// drop forgets what was written and has not gone out.
func (c *cable) drop() error {
	c.using.RLock()
	defer c.using.RUnlock()
	if c.closed {
		return io.ErrClosedPipe
	}
	return unix.IoctlSetInt(c.fd, unix.TCFLSH, unix.TCOFLUSH)
}

// Cut drops the output at which the cut-off hangs, and lets go.
func (c *cable) Cut() error { return errors.Join(c.enable(false), c.Close()) }

// Close lets go of the port. The system drops the outputs of one that nobody holds (HUPCL).
func (c *cable) Close() error {
	c.using.Lock()
	closed := c.closed
	c.closed = true
	c.using.Unlock()
	if closed {
		<-c.done
		return nil
	}
	close(c.stop)
	<-c.done
	// Others may have the port again before the last descriptor is closed.
	return errors.Join(unix.IoctlSetInt(c.fd, unix.TIOCNXCL, 0), c.port.Close(), unix.Close(c.fd))
}
