package broker

import (
	"errors"
	"strings"
	"sync"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nats.go"
)

// readings keeps the latest reading of each machine.
type readings struct {
	mu        sync.Mutex
	latest    map[uuid.UUID]arrived
	listeners map[int]func(uuid.UUID, Reading)
	made      int // listeners so far
}

type arrived struct {
	reading Reading
	at      time.Time
}

// Reading gives a machine's latest reading and when it arrived, by this process's clock.
func (s *Server) Reading(machine uuid.UUID) (Reading, time.Time, bool) {
	s.readings.mu.Lock()
	defer s.readings.mu.Unlock()
	a, ok := s.readings.latest[machine]
	return a.reading, a.at, ok
}

// OnReading calls f with every reading until cancel. f must not block.
func (s *Server) OnReading(f func(machine uuid.UUID, r Reading)) (cancel func()) {
	s.readings.mu.Lock()
	defer s.readings.mu.Unlock()
	s.readings.made++
	number := s.readings.made
	s.readings.listeners[number] = f
	return func() {
		s.readings.mu.Lock()
		defer s.readings.mu.Unlock()
		delete(s.readings.listeners, number)
	}
}

func (s *Server) onReading(msg *nats.Msg) {
	m := s.sender(strings.TrimPrefix(msg.Subject, "reading."))
	if m == nil {
		s.reject(msg.Subject, errors.New("no such worker is enrolled"))
		return
	}
	var r Reading
	if err := decode(msg.Data, &r); err != nil {
		s.reject(msg.Subject, err)
		return
	}
	s.readings.mu.Lock()
	s.readings.latest[m.id] = arrived{r, time.Now()}
	listeners := make([]func(uuid.UUID, Reading), 0, len(s.readings.listeners))
	for _, f := range s.readings.listeners {
		listeners = append(listeners, f)
	}
	s.readings.mu.Unlock()
	for _, f := range listeners {
		f(m.id, r)
	}
}
