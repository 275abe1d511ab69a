package broker

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
)

// MaxPlanChunk is the most bytes of a plan in one answer.
const MaxPlanChunk = 256 << 10

// askWait bounds the work for one question; the worker asks again.
const askWait = 5 * time.Second

// asked splits "ask.<machine>.<what>".
func asked(subject string) (token, what string) {
	parts := strings.Split(subject, ".")
	if len(parts) != 3 {
		return "", ""
	}
	return parts[1], parts[2]
}

func (s *Server) queue(msg *nats.Msg, lane func(*machine) chan *nats.Msg) {
	token, _ := asked(msg.Subject)
	m := s.sender(token)
	if m == nil {
		s.reject(msg.Subject, errors.New("no such worker is enrolled"))
		return
	}
	select {
	case lane(m) <- msg:
	default:
		s.log.Warn("question dropped, too many wait", "subject", msg.Subject)
	}
}

func (s *Server) onAsk(msg *nats.Msg) {
	s.queue(msg, func(m *machine) chan *nats.Msg { return m.plans })
}

func (s *Server) onTaken(msg *nats.Msg) {
	s.queue(msg, func(m *machine) chan *nats.Msg { return m.taken })
}

// answer answers one question about a plan or the state.
func (s *Server) answer(ctx context.Context, m *machine, msg *nats.Msg) {
	// The server may publish anywhere, so a worker must not choose where its answer goes: another
	// machine's subject, or one that tells the broker to delete a stream.
	if !strings.HasPrefix(msg.Reply, InboxPrefix(m.id)+".") {
		s.reject(msg.Subject, fmt.Errorf("answer asked on %.80q", msg.Reply))
		return
	}
	ctx, cancel := context.WithTimeout(ctx, askWait)
	defer cancel()
	var answer any
	switch _, what := asked(msg.Subject); what {
	case AskPlan:
		var ask PlanAsk
		if err := decode(msg.Data, &ask); err != nil {
			s.reject(msg.Subject, err)
			return
		}
		answer = s.planChunk(ctx, m, ask)
	case AskState:
		var ask StateAsk
		if err := decode(msg.Data, &ask); err != nil {
			s.reject(msg.Subject, err)
			return
		}
		state, err := s.desk.MachineState(ctx, m.id, ask)
		if err != nil {
			s.log.Error("machine's state", "machine", m.id, "error", err)
			return // the worker asks again
		}
		answer = state
	}
	data, err := Encode(answer)
	if err != nil {
		s.log.Error("answer", "subject", msg.Subject, "error", err)
		return
	}
	if !s.conn.IsConnected() {
		return
	}
	if err := s.conn.Publish(msg.Reply, data); err != nil {
		s.log.Debug("answer not sent", "subject", msg.Subject, "error", err)
	}
}

func (s *Server) planChunk(ctx context.Context, m *machine, ask PlanAsk) PlanChunk {
	if ask.Offset < 0 || ask.Length < 1 {
		return PlanChunk{Problem: "offset or length out of range"}
	}
	data, err := s.desk.PlanChunk(ctx, m.id, ask.Plan, ask.Offset, min(ask.Length, MaxPlanChunk))
	if err != nil {
		s.log.Warn("plan asked for", "machine", m.id, "plan", ask.Plan, "error", err)
		return PlanChunk{Problem: "not available"}
	}
	return PlanChunk{Data: data}
}

// take has a permit burned and answers with the go, which may be a refusal.
func (s *Server) take(ctx context.Context, m *machine, msg *nats.Msg) {
	signed, err := OpenSigned(msg.Data, m.key, KindTaken)
	var taken Taken
	if err == nil && signed.Machine != m.id {
		err = fmt.Errorf("%w: said by machine %s", ErrSignature, signed.Machine)
	}
	if err == nil {
		err = signed.Decode(&taken)
	}
	if err != nil {
		s.reject(msg.Subject, err)
		return
	}
	log := s.log.With("machine", m.id, "run", taken.Run)
	ctx, cancel := context.WithTimeout(ctx, askWait)
	defer cancel()
	note, err := s.desk.Take(ctx, m.id, taken)
	if err != nil {
		log.Error("permit taken, no go", "error", err)
		return
	}
	if err := send(s.conn, GoSubject(m.id), note); err != nil {
		log.Error("go not sent", "error", err)
	}
}
