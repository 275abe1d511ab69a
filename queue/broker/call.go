package broker

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nats.go"

	"kerfgate/plan/canon"
)

var (
	// ErrNoWorker is a worker that does not answer.
	ErrNoWorker = errors.New("the machine's worker does not answer")
	// ErrWorkerSays is a worker's answer that says why not.
	ErrWorkerSays = errors.New("the machine's worker says")
)

// Time-outs of what people wait for.
const (
	challengeWait = 2 * time.Second
	setupWait     = 30 * time.Second
	measureWait   = 2 * time.Minute // axes find their place five times
)

// waitKey names an answer that somebody waits for.
type waitKey struct {
	machine uuid.UUID
	ask     [16]byte // challenge
	leave   canon.Digest
	number  int64 // of a set-up command
}

// Challenge asks a worker for a fresh challenge. Errors wrap ErrNoBroker, ErrNoWorker or
// ErrWorkerSays.
func (s *Server) Challenge(ctx context.Context, machine, run uuid.UUID, purpose string) ([32]byte, error) {
	ask := ChallengeAsk{Run: run, Purpose: purpose}
	if _, err := rand.Read(ask.Ask[:]); err != nil {
		return [32]byte{}, err
	}
	got, err := s.call(ctx, ChallengeSubject(machine), ask, waitKey{machine: machine, ask: ask.Ask}, challengeWait)
	if err != nil {
		return [32]byte{}, err
	}
	answer := got.(ChallengeAnswer)
	switch {
	case answer.Problem != "":
		return [32]byte{}, fmt.Errorf("%w: %.200s", ErrWorkerSays, answer.Problem)
	case answer.Run != run || answer.Purpose != purpose || answer.Challenge == [32]byte{}:
		return [32]byte{}, fmt.Errorf("%w: nothing that answers the question", ErrWorkerSays)
	}
	return answer.Challenge, nil
}

// Setup sends one motion without beam and waits for what came of it. The result's Problem is the
// caller's to show. Errors wrap ErrNoBroker or ErrNoWorker.
func (s *Server) Setup(ctx context.Context, machine uuid.UUID, command SetupCommand) (SetupResult, error) {
	key := waitKey{machine: machine, leave: sha256.Sum256(command.Leave), number: command.Number}
	wait := setupWait
	if command.Kind == SetupMeasure {
		wait = measureWait
	}
	got, err := s.call(ctx, SetupSubject(machine), command, key, wait)
	if err != nil {
		return SetupResult{}, err
	}
	return got.(SetupResult), nil
}

// call publishes a question and waits for the signed answer, which comes on a subject of its own.
func (s *Server) call(ctx context.Context, subject string, question any, key waitKey, wait time.Duration) (any, error) {
	data, err := Encode(question)
	if err != nil {
		return nil, err
	}
	answered := make(chan any, 1)
	s.mu.Lock()
	_, twice := s.waiting[key]
	if !twice {
		s.waiting[key] = answered
	}
	s.mu.Unlock()
	if twice {
		return nil, fmt.Errorf("%w: the same question is already open", ErrWorkerSays)
	}
	defer func() {
		s.mu.Lock()
		delete(s.waiting, key)
		s.mu.Unlock()
	}()
	if !s.conn.IsConnected() {
		return nil, fmt.Errorf("%w: %s", ErrNoBroker, subject)
	}
	ctx, cancel := context.WithTimeout(ctx, wait)
	nobody := make(chan error, 1)
	go func() {
		// Nobody answers here; the broker itself says at once when nobody listens.
		_, err := s.conn.RequestWithContext(ctx, subject, data)
		nobody <- err
	}()
	finished := false
	defer func() {
		cancel()
		if !finished {
			<-nobody
		}
	}()
	select {
	case got := <-answered:
		return got, nil
	case err := <-nobody:
		finished = true
		switch {
		case errors.Is(err, nats.ErrNoResponders), errors.Is(err, context.DeadlineExceeded):
			return nil, fmt.Errorf("%w: %s", ErrNoWorker, subject)
		case ctx.Err() != nil:
			return nil, ctx.Err()
		case err != nil:
			return nil, fmt.Errorf("%w: %s: %w", ErrNoBroker, subject, err)
		}
		return nil, fmt.Errorf("%w: answered on the wrong subject", ErrNoWorker)
	}
}

// answered hands a signed answer to whoever waits for it.
func (s *Server) answered(key waitKey, answer any) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if c, ok := s.waiting[key]; ok {
		select {
		case c <- answer:
		default: // the first answer counts
		}
	}
}

func (s *Server) onChallenge(msg *nats.Msg) {
	var answer ChallengeAnswer
	if m := s.open(msg, KindChallenge, &answer); m != nil {
		s.answered(waitKey{machine: m.id, ask: answer.Ask}, answer)
	}
}

func (s *Server) onSetup(msg *nats.Msg) {
	var result SetupResult
	if m := s.open(msg, KindSetup, &result); m != nil {
		s.answered(waitKey{machine: m.id, leave: result.Leave, number: result.Number}, result)
	}
}

// open reads what a worker signed; nil if it did not.
func (s *Server) open(msg *nats.Msg, kind string, message any) *machine {
	token, _ := asked(msg.Subject)
	m := s.sender(token)
	if m == nil {
		s.reject(msg.Subject, errors.New("no such worker is enrolled"))
		return nil
	}
	signed, err := OpenSigned(msg.Data, m.key, kind)
	if err == nil && signed.Machine != m.id {
		err = fmt.Errorf("%w: said by machine %s", ErrSignature, signed.Machine)
	}
	if err == nil {
		err = signed.Decode(message)
	}
	if err != nil {
		s.reject(msg.Subject, err)
		return nil
	}
	return m
}

// Permit sends a signed permit. This and the next methods return when the broker has the message,
// and at once without a connection; errors wrap ErrNoBroker. The worker's answer comes by itself.
func (s *Server) Permit(machine uuid.UUID, note []byte) error {
	return send(s.conn, PermitSubject(machine), note)
}

// Void sends a signed void.
func (s *Server) Void(machine uuid.UUID, note []byte) error {
	return send(s.conn, VoidSubject(machine), note)
}

// Resume sends a signed resume.
func (s *Server) Resume(machine uuid.UUID, note []byte) error {
	return send(s.conn, ResumeSubject(machine), note)
}

// Handover sends a signed hand-over of attendance.
func (s *Server) Handover(machine uuid.UUID, note []byte) error {
	return send(s.conn, HandoverSubject(machine), note)
}

// Lockout sends a signed lockout statement at once; the follower sends it too.
func (s *Server) Lockout(machine uuid.UUID, note []byte) error {
	return send(s.conn, LockoutSubject(machine), note)
}

// Stop asks a machine's worker to stop, over a connection that carries nothing else.
func (s *Server) Stop(machine uuid.UUID, stop Stop) error { return s.stop(StopSubject(machine), stop) }

// Pause asks a machine's worker to pause what runs.
func (s *Server) Pause(machine uuid.UUID, pause Pause) error {
	data, err := Encode(pause)
	if err != nil {
		return err
	}
	return send(s.conn, PauseSubject(machine), data)
}

// StopAll asks every worker to stop.
func (s *Server) StopAll(stop Stop) error { return s.stop(StopAllSubject, stop) }

func (s *Server) stop(subject string, stop Stop) error {
	data, err := Encode(stop)
	if err != nil {
		data = nil // an unreadable stop stops as well
	}
	return send(s.stopConn, subject, data)
}
