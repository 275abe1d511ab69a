package api

import (
	"context"
	"errors"
	"net/http"
	"sync"
	"time"

	"github.com/google/uuid"

	"kerfgate/api/wire"
	"kerfgate/db"
	"kerfgate/queue/broker"
)

// stopCaution stands beside every stop. ISO 13850: a software stop is not an emergency stop.
const stopCaution = "this is no emergency stop: in danger press the machine's red button; eyewear on until the supply is off"

// How long a stop waits for the database after it has been sent.
const notePatience = 2 * time.Second

// stopSent is a stop that has gone out. SentAt says when, not that the beam is off.
type stopSent struct {
	Machine uuid.UUID
	SentAt  time.Time
	Noted   bool // the database has heard of it too
}

// StopMachine is POST /machines/{id}/stop.
func (s *Server) StopMachine(ctx context.Context, request wire.StopMachineRequestObject) (wire.StopMachineResponseObject, error) {
	sent, err := s.stopMachine(ctx, request.ID)
	if err != nil {
		return nil, err
	}
	return wire.StopMachine202JSONResponse(stopShape(sent)), nil
}

// StopRun is POST /runs/{id}/stop.
func (s *Server) StopRun(ctx context.Context, request wire.StopRunRequestObject) (wire.StopRunResponseObject, error) {
	sent, err := s.stopRun(ctx, request.ID)
	if err != nil {
		return nil, err
	}
	return wire.StopRun202JSONResponse(stopShape(sent)), nil
}

func stopShape(sent stopSent) wire.StopSent {
	return wire.StopSent{MachineID: sent.Machine, SentAt: utc(sent.SentAt), Noted: sent.Noted, Caution: stopCaution}
}

// stopRun stops the machine that a run belongs to.
func (s *Server) stopRun(ctx context.Context, run uuid.UUID) (stopSent, error) {
	machine, ok := s.runs.find(run)
	if !ok {
		var err error
		if machine, err = s.store.RunMachine(ctx, run); err != nil {
			return stopSent{}, notStopped(err)
		}
	}
	return s.stopMachine(ctx, machine)
}

// stopMachine sends the stop first and at once, and writes it down afterwards (I5). It needs no
// person, no database and no run.
func (s *Server) stopMachine(ctx context.Context, machine uuid.UUID) (stopSent, error) {
	err := s.floor.Stop(machine, broker.Stop{Reason: "stop pressed"})
	sent := stopSent{Machine: machine, SentAt: s.now()}
	v := visitIn(ctx)
	s.log.Warn("stop", "request", v.id, "machine", machine, "address", v.address, "error", err)
	sent.Noted = s.noteStop(ctx, machine)
	if err != nil {
		return stopSent{}, notStopped(err)
	}
	return sent, nil
}

// noteStop writes down who stopped what, and voids a permit that is not burned yet. A failure here
// is logged and takes nothing from the stop.
func (s *Server) noteStop(ctx context.Context, machine uuid.UUID) bool {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), notePatience)
	defer cancel()
	who := db.Actor{}
	if token := visitIn(ctx).token; token != nil {
		if person, ok, err := s.whoHas(ctx, token); err == nil && ok {
			who = person.Actor()
		}
	}
	if !s.noted.may(machine, who.Person) {
		return false
	}
	if err := s.noteStopped(ctx, who, machine, "server"); err != nil {
		s.log.Error("stop not written down", "machine", machine, "error", err)
		return false
	}
	return true
}

// notStopped is the answer when a stop did not go out: what to do comes first.
func notStopped(err error) error {
	p := &problem{status: http.StatusServiceUnavailable, slug: "stop-not-sent", title: "the stop was not sent",
		reasons: []wire.Reason{{What: "this server could not reach the machine's worker",
			Next: "press the machine's red button now; the station also stops its worker directly"}}}
	if errors.Is(err, db.ErrNotFound) {
		p.status = http.StatusNotFound
		p.reasons[0].What = "no machine has that run in hand"
	}
	return errors.Join(p, err)
}

// stopNotes keeps held-down buttons and scripts from filling the logbook: it bounds how many stops of
// one person on one machine are written down in a minute. Sending is never held back.
type stopNotes struct {
	now func() time.Time

	mu     sync.Mutex
	minute time.Time
	count  map[stopNote]int
}

type stopNote struct{ machine, person uuid.UUID }

// notesPerMinute is more than a hand can need.
const notesPerMinute = 30

func newStopNotes(now func() time.Time) *stopNotes {
	return &stopNotes{now: now, count: map[stopNote]int{}}
}

// may says whether one more stop is to be written down.
func (n *stopNotes) may(machine, person uuid.UUID) bool {
	n.mu.Lock()
	defer n.mu.Unlock()
	if now := n.now(); now.Sub(n.minute) >= time.Minute {
		n.minute = now
		clear(n.count)
	}
	key := stopNote{machine, person}
	n.count[key]++
	return n.count[key] <= notesPerMinute
}
