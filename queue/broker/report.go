package broker

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// takeReports applies one machine's reports, one at a time, until ctx is done.
func (s *Server) takeReports(ctx context.Context, m *machine) {
	for ctx.Err() == nil {
		consumer, err := s.js.Consumer(ctx, ReportStream, Token(m.id))
		if err != nil {
			if errors.Is(err, jetstream.ErrConsumerNotFound) || errors.Is(err, jetstream.ErrStreamNotFound) {
				nudge(s.broken)
			}
			pause(ctx, fetchRetry)
			continue
		}
		for ctx.Err() == nil {
			msg, err := next(ctx, s.conn, consumer)
			if err != nil {
				s.log.Debug("no reports now", "machine", m.id, "error", err)
				pause(ctx, fetchRetry)
				break // look at the consumer anew
			}
			if msg != nil {
				s.applyReport(ctx, m, msg)
			}
		}
	}
}

// applyReport acknowledges only what is committed, and throws away only what the worker did not
// sign: the worker's journal still has it if it was the worker's.
func (s *Server) applyReport(ctx context.Context, m *machine, msg jetstream.Msg) {
	report, err := openReport(m, msg)
	if err != nil {
		s.reject(msg.Subject(), err)
		_ = msg.Term()
		return
	}
	log := s.log.With("machine", m.id, "report", report.Number)
	applied, note, err := s.desk.Apply(ctx, m.id, report)
	if err != nil {
		if ctx.Err() == nil {
			log.Error("report not applied", "error", err)
		}
		_ = msg.NakWithDelay(delay(msg, 200*time.Millisecond, 10*time.Second))
		return
	}
	if len(note) > 0 {
		// A lost statement is made up for by the next one, or by the state that the worker asks for.
		if err := send(s.conn, AppliedSubject(m.id), note); err != nil {
			log.Debug("applied statement not sent", "error", err)
		}
	}
	if applied < report.Number {
		log.Warn("report waits for one before it", "applied", applied)
		if err := s.goRound(ctx, msg); isFull(err) {
			log.Error("report dropped, the stream is full; the worker's journal has it")
		} else if err != nil {
			log.Debug("report comes again", "error", err)
			_ = msg.NakWithDelay(goRoundPause)
			return
		}
	}
	if err := msg.Ack(); err != nil {
		log.Debug("report comes again", "error", err)
	}
}

// goRoundPause paces the turns while a report is missing that the worker has yet to send again.
const goRoundPause = 100 * time.Millisecond

// goRound puts a report behind all others of its machine. The one that it waits for may be among
// them: after the stream lost some, the worker sends them again and they come late.
func (s *Server) goRound(ctx context.Context, msg jetstream.Msg) error {
	pause(ctx, goRoundPause)
	// Without a message id, which would make it a duplicate of itself.
	return s.publishAcked(ctx, msg.Subject(), msg.Data(), "")
}

func openReport(m *machine, msg jetstream.Msg) (Report, error) {
	signed, err := OpenSigned(msg.Data(), m.key, KindReport)
	if err != nil {
		return Report{}, err
	}
	if signed.Machine != m.id || msg.Subject() != ReportSubject(m.id) {
		return Report{}, fmt.Errorf("%w: report of machine %s", ErrSignature, signed.Machine)
	}
	var report Report
	if err := signed.Decode(&report); err != nil {
		return Report{}, err
	}
	// Out of use alone has no number: there is no journal left to number it.
	if report.Number < 0 || report.Number == 0 && report.Kind != ReportOutOfUse || report.Number != signed.Counter {
		return Report{}, fmt.Errorf("%w: report %d under counter %d", ErrForm, report.Number, signed.Counter)
	}
	return report, nil
}

// delay doubles with every delivery.
func delay(msg jetstream.Msg, shortest, longest time.Duration) time.Duration {
	meta, err := msg.Metadata()
	if err != nil {
		return longest
	}
	d := shortest
	for i := uint64(1); i < meta.NumDelivered && d < longest; i++ {
		d *= 2
	}
	return min(d, longest)
}
