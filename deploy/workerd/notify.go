package workerd

import (
	"net"
	"sync"
	"time"
)

// Service is what the system's service manager asked to be told (sd_notify(3)); the zero value asks for
// nothing.
type Service struct {
	Socket   string        // path, or a name that begins with @
	Watchdog time.Duration // within which it wants a sign of life; 0 = never

	mu   sync.Mutex
	last time.Time
}

// notifyWait is how long the manager may take to have room for a word; more would hold up the core.
const notifyWait = 10 * time.Millisecond

// tell sends a state. What cannot be told is dropped: the manager then does what it does about silence.
func (s *Service) tell(state string) {
	if s == nil || s.Socket == "" {
		return
	}
	conn, err := net.DialUnix("unixgram", nil, &net.UnixAddr{Name: s.Socket, Net: "unixgram"})
	if err != nil {
		return
	}
	defer conn.Close()
	if conn.SetWriteDeadline(time.Now().Add(notifyWait)) == nil {
		_, _ = conn.Write([]byte(state))
	}
}

// alive is a sign of life, passed on four times within what the manager waits.
func (s *Service) alive() {
	if s == nil || s.Watchdog <= 0 {
		return
	}
	s.mu.Lock()
	now := time.Now()
	due := now.Sub(s.last) >= s.Watchdog/4
	if due {
		s.last = now
	}
	s.mu.Unlock()
	if due {
		s.tell("WATCHDOG=1")
	}
}
